-- +goose Up

-- Tools from the shelf to the engine and back: who has which, what they were
-- found to be, and what an inventory says of them besides.

-- Defaults, so that the program before this step can go on writing.
ALTER TABLE tool_type
    ADD COLUMN calibration_months integer NOT NULL DEFAULT 0 CHECK (calibration_months >= 0), -- 0: the house rule
    ADD COLUMN calibration_cycles integer NOT NULL DEFAULT 0 CHECK (calibration_cycles >= 0); -- 0: the house rule

ALTER TABLE tool
    ADD COLUMN photo_url text  NOT NULL DEFAULT '',
    ADD COLUMN missing   jsonb NOT NULL DEFAULT '[]', -- pieces of its set, as last counted
    ADD COLUMN damaged   jsonb NOT NULL DEFAULT '[]'; -- pieces that are there, and not fit

-- A tool in somebody's hands. Handing it over closes one row and opens another.
CREATE TABLE tool_issue (
    site_id       bigint      NOT NULL,
    issue_id      bigint GENERATED ALWAYS AS IDENTITY,
    resource_id   bigint      NOT NULL,            -- the tool
    technician_id bigint      NOT NULL,            -- who has it
    bay_id        bigint,                          -- where it is used; NULL if not said
    job_id        bigint,                          -- what for; NULL: for nothing that is booked
    booking_id    bigint,                          -- against which it was issued
    out_since     timestamptz NOT NULL,            -- when it left the shelf, whoever had it first
    issued_at     timestamptz NOT NULL,            -- when this technician got it
    issued_by     text        NOT NULL,            -- the user who wrote it down
    due_at        timestamptz NOT NULL CHECK (due_at > issued_at),
    follows       bigint,                          -- the issue that was handed over into this one
    returned_at   timestamptz CHECK (returned_at >= issued_at),
    returned_by   text        NOT NULL DEFAULT '', -- the user who wrote it down
    outcome       text        NOT NULL DEFAULT '' CHECK (outcome IN ('', 'RETURNED', 'HANDED_OVER')),
    pieces        jsonb       NOT NULL DEFAULT '[]', -- as counted when it came back
    note          text        NOT NULL DEFAULT '',
    PRIMARY KEY (site_id, issue_id),
    CHECK ((returned_at IS NULL) = (outcome = '')),
    CHECK (booking_id IS NULL OR job_id IS NOT NULL),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool,
    FOREIGN KEY (site_id, technician_id) REFERENCES technician,
    FOREIGN KEY (site_id, bay_id) REFERENCES bay,
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, booking_id) REFERENCES booking,
    FOREIGN KEY (site_id, follows) REFERENCES tool_issue
);

-- A tool is in one pair of hands at a time, whatever else goes wrong.
CREATE UNIQUE INDEX tool_issue_open ON tool_issue (site_id, resource_id) WHERE returned_at IS NULL;
CREATE INDEX tool_issue_tool ON tool_issue (site_id, resource_id, issued_at);
CREATE INDEX tool_issue_job ON tool_issue (site_id, job_id) WHERE job_id IS NOT NULL;

-- The conditions that a tool was in, the last of which stands with the tool.
CREATE TABLE tool_condition (
    site_id      bigint      NOT NULL,
    condition_id bigint GENERATED ALWAYS AS IDENTITY,
    resource_id  bigint      NOT NULL,
    condition    text        NOT NULL CHECK (condition IN (
        'SERVICEABLE', 'UNSERVICEABLE', 'QUARANTINED', 'AWAY', 'LOST', 'RETIRED')),
    since        timestamptz NOT NULL,
    until        timestamptz,            -- expected when it was written
    reason       text        NOT NULL,
    actor        text        NOT NULL,   -- the user; empty where nobody wrote it down
    PRIMARY KEY (site_id, condition_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX tool_condition_tool ON tool_condition (site_id, resource_id, since);

INSERT INTO tool_condition (site_id, resource_id, condition, since, until, reason, actor)
SELECT site_id, resource_id, condition, now(), condition_until, condition_note, '' FROM tool;

-- +goose Down

DROP TABLE tool_condition, tool_issue;
ALTER TABLE tool DROP COLUMN photo_url, DROP COLUMN missing, DROP COLUMN damaged;
ALTER TABLE tool_type DROP COLUMN calibration_months, DROP COLUMN calibration_cycles;
