-- +goose Up

-- Calibration: what a tool is judged by, its certificates, the quick checks
-- between them, and what else happened to it.

-- Defaults, so that the program before this step can go on writing.
ALTER TABLE tool_type
    ADD COLUMN iso_type    text             NOT NULL DEFAULT '',
    ADD COLUMN iso_class   text             NOT NULL DEFAULT '',
    ADD COLUMN permissible double precision NOT NULL DEFAULT 0 CHECK (permissible >= 0 AND permissible < 1);

-- A certificate as it was recorded, and how it was judged then.
CREATE TABLE certificate (
    site_id        bigint      NOT NULL,
    certificate_id bigint GENERATED ALWAYS AS IDENTITY,
    resource_id    bigint      NOT NULL,
    number         text        NOT NULL,
    day            date        NOT NULL, -- of the measurement
    body           jsonb       NOT NULL, -- the whole certificate with its readings
    assessment     jsonb       NOT NULL, -- every reading with its verdict
    recorded_at    timestamptz NOT NULL,
    PRIMARY KEY (site_id, certificate_id),
    UNIQUE (site_id, resource_id, number),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX certificate_day ON certificate (site_id, day, certificate_id);

-- The paper itself. A table of its own: lists of certificates never read it.
CREATE TABLE certificate_document (
    site_id        bigint NOT NULL,
    certificate_id bigint NOT NULL,
    sha256         bytea  NOT NULL CHECK (length(sha256) = 32),
    content        bytea  NOT NULL CHECK (length(content) <= 5242880),
    PRIMARY KEY (site_id, certificate_id),
    FOREIGN KEY (site_id, certificate_id) REFERENCES certificate
);

-- An intermediate check on the workshop's own tester.
CREATE TABLE calibration_check (
    site_id     bigint      NOT NULL,
    check_id    bigint GENERATED ALWAYS AS IDENTITY,
    resource_id bigint      NOT NULL,
    at          timestamptz NOT NULL,
    body        jsonb       NOT NULL, -- the readings, and the tester as it was then
    result      jsonb       NOT NULL, -- what the check proved
    PRIMARY KEY (site_id, check_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX calibration_check_tool ON calibration_check (site_id, resource_id, at);

-- What happened to a tool and may end its calibration early; cycles counted by
-- hand are such a row too.
CREATE TABLE tool_event (
    site_id       bigint           NOT NULL,
    tool_event_id bigint GENERATED ALWAYS AS IDENTITY,
    resource_id   bigint           NOT NULL,
    at            timestamptz      NOT NULL,
    kind          text             NOT NULL CHECK (kind IN ('LOAD', 'DROP', 'DAMAGE', 'REPAIR', 'CHECK_FAILED', 'USE')),
    torque_nm     double precision NOT NULL CHECK (torque_nm >= 0), -- of a LOAD
    cycles        integer          NOT NULL CHECK (cycles >= 0),    -- of a USE
    note          text             NOT NULL,
    PRIMARY KEY (site_id, tool_event_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX tool_event_tool ON tool_event (site_id, resource_id, at);

-- +goose Down

DROP TABLE tool_event, calibration_check, certificate_document, certificate;
ALTER TABLE tool_type DROP COLUMN iso_type, DROP COLUMN iso_class, DROP COLUMN permissible;
