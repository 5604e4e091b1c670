-- +goose Up

-- What was done at the engine: the record of a job. Rows are only ever added; a
-- correction is a row that names the one it corrects. Every row carries its own
-- time (at), told by whoever recorded it, and the time at which it came in.

-- +goose StatementBegin
CREATE FUNCTION record_is_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'rows of % are only ever added', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;
-- +goose StatementEnd

-- A step begun, interrupted, gone on with, finished; or begun once more.
CREATE TABLE step_event (
    site_id       bigint      NOT NULL,
    step_event_id bigint GENERATED ALWAYS AS IDENTITY,
    job_id        bigint      NOT NULL,
    step          text        NOT NULL, -- "owner/step" of the job's network
    run           integer     NOT NULL CHECK (run > 0), -- 2 if it is done a second time
    kind          text        NOT NULL CHECK (kind IN ('START', 'PAUSE', 'RESUME', 'FINISH')),
    technician_id bigint,              -- NULL if somebody else recorded it
    at            timestamptz NOT NULL,
    recorded_at   timestamptz NOT NULL,
    actor         text        NOT NULL, -- the user
    planned       tstzrange   NOT NULL, -- the step's place in the plan then
    note          text        NOT NULL,
    PRIMARY KEY (site_id, step_event_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, technician_id) REFERENCES technician
);

CREATE INDEX step_event_job ON step_event (site_id, job_id, step_event_id);
CREATE INDEX step_event_step ON step_event (site_id, step, at);
CREATE INDEX step_event_technician ON step_event (site_id, technician_id, at);

CREATE TABLE sign_off (
    site_id       bigint      NOT NULL,
    sign_off_id   bigint GENERATED ALWAYS AS IDENTITY,
    job_id        bigint      NOT NULL,
    step          text        NOT NULL,
    run           integer     NOT NULL CHECK (run > 0),
    technician_id bigint      NOT NULL,
    seen          bigint      NOT NULL, -- the last reading of the step that was there to be signed; 0: none
    at            timestamptz NOT NULL,
    recorded_at   timestamptz NOT NULL,
    actor         text        NOT NULL,
    note          text        NOT NULL,
    PRIMARY KEY (site_id, sign_off_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, technician_id) REFERENCES technician
);

CREATE INDEX sign_off_job ON sign_off (site_id, job_id, sign_off_id);

-- A torque in newton metres, an angle in degrees, or a named check. NaN and
-- infinities are no readings.
CREATE TABLE reading (
    site_id       bigint      NOT NULL,
    reading_id    bigint GENERATED ALWAYS AS IDENTITY,
    job_id        bigint      NOT NULL,
    step          text        NOT NULL,
    run           integer     NOT NULL CHECK (run > 0),
    kind          text        NOT NULL CHECK (kind IN ('TORQUE', 'ANGLE', 'CHECK')),
    fastener      integer     NOT NULL CHECK (fastener >= 0), -- from 1; 0 for a check
    stage         integer     NOT NULL CHECK (stage >= 0),    -- from 1; 0 for a check
    attempt       integer     NOT NULL CHECK (attempt > 0),   -- 2 for the fastener that took the first one's place
    check_id      text        NOT NULL, -- empty for a tightening
    unit          text        NOT NULL, -- "N·m", "°", of a check its own; empty: yes or no
    value         double precision NOT NULL CHECK (value > '-Infinity' AND value < 'Infinity'), -- yes is 1, no is 0
    wanted        double precision CHECK (wanted > '-Infinity' AND wanted < 'Infinity'),
    low           double precision CHECK (low > '-Infinity' AND low < 'Infinity'),   -- limits at that time; NULL: none
    high          double precision CHECK (high > '-Infinity' AND high < 'Infinity'),
    outside       boolean     NOT NULL GENERATED ALWAYS AS (
        (low IS NOT NULL AND value < low) OR (high IS NOT NULL AND value > high)) STORED,
    tolerance     double precision NOT NULL CHECK (tolerance >= 0), -- of the joint, a fraction; 0: not stated
    set_nm        double precision NOT NULL CHECK (set_nm >= 0), -- what the tool was set to; 0: not known
    ratio         double precision NOT NULL CHECK (ratio >= 0), -- torque at the joint over the tool's; 0: the tool by itself
    joint         text        NOT NULL, -- the step's title then
    tool_id       bigint,
    certificate   text        NOT NULL, -- under which the tool was in calibration then; empty: none
    calibrated_until timestamptz,       -- as it was known then
    technician_id bigint,
    at            timestamptz NOT NULL,
    recorded_at   timestamptz NOT NULL,
    actor         text        NOT NULL,
    corrects      bigint,
    note          text        NOT NULL,
    PRIMARY KEY (site_id, reading_id),
    UNIQUE (site_id, corrects), -- one correction each; that one may be corrected in turn
    CHECK ((kind = 'CHECK') = (check_id <> '') AND (kind = 'CHECK') = (fastener = 0) AND (kind = 'CHECK') = (stage = 0)),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, tool_id) REFERENCES tool,
    FOREIGN KEY (site_id, technician_id) REFERENCES technician,
    FOREIGN KEY (site_id, corrects) REFERENCES reading
);

CREATE INDEX reading_job ON reading (site_id, job_id, reading_id);
CREATE INDEX reading_tool ON reading (site_id, tool_id, at);

-- A part that was ticked as fitted, new.
CREATE TABLE part_used (
    site_id       bigint      NOT NULL,
    part_used_id  bigint GENERATED ALWAYS AS IDENTITY,
    job_id        bigint      NOT NULL,
    step          text        NOT NULL,
    run           integer     NOT NULL CHECK (run > 0),
    part          text        NOT NULL,
    quantity      integer     NOT NULL CHECK (quantity > 0),
    fasteners     integer[]   NOT NULL, -- that were replaced after an interruption
    lot           text        NOT NULL, -- batch or serial number, if it was told
    technician_id bigint,
    at            timestamptz NOT NULL,
    recorded_at   timestamptz NOT NULL,
    actor         text        NOT NULL,
    PRIMARY KEY (site_id, part_used_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, technician_id) REFERENCES technician
);

CREATE INDEX part_used_job ON part_used (site_id, job_id, part_used_id);

-- What a manager let pass, with the reasons that stood against it.
CREATE TABLE step_override (
    site_id     bigint      NOT NULL,
    override_id bigint GENERATED ALWAYS AS IDENTITY,
    job_id      bigint      NOT NULL,
    step        text        NOT NULL,
    run         integer     NOT NULL CHECK (run > 0),
    act         text        NOT NULL CHECK (act IN ('START', 'FINISH')),
    against     jsonb       NOT NULL, -- each reason
    reason      text        NOT NULL,
    at          timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    actor       text        NOT NULL,
    PRIMARY KEY (site_id, override_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job
);

CREATE INDEX step_override_job ON step_override (site_id, job_id, override_id);

-- A step that a manager decided not to do.
CREATE TABLE step_waiver (
    site_id     bigint      NOT NULL,
    waiver_id   bigint GENERATED ALWAYS AS IDENTITY,
    job_id      bigint      NOT NULL,
    step        text        NOT NULL,
    reason      text        NOT NULL,
    at          timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    actor       text        NOT NULL,
    PRIMARY KEY (site_id, waiver_id),
    UNIQUE (site_id, job_id, step),
    FOREIGN KEY (site_id, job_id) REFERENCES job
);

-- What was said to take longer.
CREATE TABLE step_delay (
    site_id       bigint      NOT NULL,
    delay_id      bigint GENERATED ALWAYS AS IDENTITY,
    job_id        bigint      NOT NULL,
    step          text        NOT NULL,
    minutes       integer     NOT NULL CHECK (minutes > 0), -- working minutes more
    reason        text        NOT NULL,
    technician_id bigint,
    at            timestamptz NOT NULL,
    recorded_at   timestamptz NOT NULL,
    actor         text        NOT NULL,
    PRIMARY KEY (site_id, delay_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, technician_id) REFERENCES technician
);

CREATE INDEX step_delay_job ON step_delay (site_id, job_id, delay_id);

-- A job that is done: nothing more is recorded of it.
CREATE TABLE job_closing (
    site_id     bigint      NOT NULL,
    job_id      bigint      NOT NULL,
    note        text        NOT NULL,
    at          timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    actor       text        NOT NULL,
    PRIMARY KEY (site_id, job_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job
);

CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON step_event FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON sign_off FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON reading FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON part_used FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON step_override FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON step_waiver FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON step_delay FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON job_closing FOR EACH ROW EXECUTE FUNCTION record_is_kept();

-- +goose Down

DROP TABLE job_closing, step_delay, step_waiver, step_override, part_used, reading, sign_off, step_event;
DROP FUNCTION record_is_kept;
