-- +goose Up

-- What follows from calibration: by which policy tools are judged, what a tool
-- has tightened, what was decided about a joint in doubt, and when a tool is
-- away. All but the leave is only ever added to: the latest row holds.

CREATE TABLE calibration_policy (
    site_id    bigint      NOT NULL REFERENCES site,
    policy_id  bigint GENERATED ALWAYS AS IDENTITY,
    body       jsonb       NOT NULL,
    decided_by text        NOT NULL,
    decided_at timestamptz NOT NULL,
    PRIMARY KEY (site_id, policy_id)
);

-- An interval of a tool's own, from a review.
CREATE TABLE tool_interval (
    site_id     bigint      NOT NULL,
    interval_id bigint GENERATED ALWAYS AS IDENTITY,
    resource_id bigint      NOT NULL,
    days        integer     NOT NULL CHECK (days > 0),
    proposal    jsonb       NOT NULL, -- method, data, confidence, reasons
    decided_by  text        NOT NULL,
    decided_at  timestamptz NOT NULL,
    PRIMARY KEY (site_id, interval_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX tool_interval_tool ON tool_interval (site_id, resource_id, decided_at);

-- A tightening that was recorded elsewhere and taken in.
CREATE TABLE tightening (
    site_id       bigint           NOT NULL,
    tightening_id bigint GENERATED ALWAYS AS IDENTITY,
    resource_id   bigint           NOT NULL,
    source        text             NOT NULL, -- its id where it was recorded
    at            timestamptz      NOT NULL,
    job           text             NOT NULL,
    step          text             NOT NULL,
    joint         text             NOT NULL,
    fastener      text             NOT NULL,
    stage         integer          NOT NULL CHECK (stage > 0),
    wanted_nm     double precision NOT NULL CHECK (wanted_nm >= 0),
    angle_deg     double precision NOT NULL CHECK (angle_deg >= 0),
    set_nm        double precision NOT NULL CHECK (set_nm >= 0),
    ratio         double precision NOT NULL CHECK (ratio >= 0),
    tolerance     double precision NOT NULL CHECK (tolerance >= 0 AND tolerance < 1),
    direction     text             NOT NULL CHECK (direction IN ('CLOCKWISE', 'COUNTERCLOCKWISE')),
    person        text             NOT NULL, -- who tightened; empty if not recorded
    taken_in_at   timestamptz      NOT NULL,
    PRIMARY KEY (site_id, tightening_id),
    UNIQUE (site_id, resource_id, source),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX tightening_tool ON tightening (site_id, resource_id, at);

-- What was decided about a line of a reverse trace.
CREATE TABLE trace_decision (
    site_id     bigint      NOT NULL,
    decision_id bigint GENERATED ALWAYS AS IDENTITY,
    resource_id bigint      NOT NULL,
    finding     text        NOT NULL, -- "certificates/12" or "checks/3"
    line        text        NOT NULL, -- "tightenings/7" or "readings/9"
    answer      text        NOT NULL CHECK (answer IN ('ACCEPTED', 'RECHECKED', 'CORRECTED', 'OUT_OF_REACH')),
    note        text        NOT NULL CHECK (note <> ''),
    person      text        NOT NULL,
    decided_at  timestamptz NOT NULL,
    PRIMARY KEY (site_id, decision_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE INDEX trace_decision_tool ON trace_decision (site_id, resource_id, finding);

-- A reservation by which a tool is away for calibration: it need not be in
-- calibration to its end.
CREATE TABLE calibration_leave (
    site_id     bigint NOT NULL,
    job_id      bigint NOT NULL,
    resource_id bigint NOT NULL,
    PRIMARY KEY (site_id, job_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, resource_id) REFERENCES tool
);

CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON calibration_policy FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON tool_interval FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON tightening FOR EACH ROW EXECUTE FUNCTION record_is_kept();
CREATE TRIGGER kept BEFORE UPDATE OR DELETE ON trace_decision FOR EACH ROW EXECUTE FUNCTION record_is_kept();

-- +goose Down

DROP TABLE calibration_leave, trace_decision, tightening, tool_interval, calibration_policy;
