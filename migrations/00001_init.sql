-- +goose Up

-- The workshop, its resources and their bookings.
--
-- site_id leads every key: it is the distribution key should the schema ever be
-- sharded. It is derived from the site's slug (see internal/store), so that no
-- unique key over all sites is needed to find one.

CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE TABLE site (
    site_id      bigint PRIMARY KEY,
    slug         text NOT NULL CHECK (slug ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'),
    display_name text NOT NULL,
    time_zone    text NOT NULL
);

-- The counter that numbers a site's events. A row of its own, taken last in
-- each transaction: a sequence would let a reader of "after number n" miss an
-- event whose number was drawn earlier and committed later.
CREATE TABLE site_counter (
    site_id  bigint PRIMARY KEY REFERENCES site,
    revision bigint NOT NULL
);

-- Everything that can be booked. Its rows are what a booking locks.
CREATE TABLE resource (
    site_id     bigint NOT NULL REFERENCES site,
    resource_id bigint GENERATED ALWAYS AS IDENTITY,
    kind        text   NOT NULL CHECK (kind IN ('BAY', 'TECHNICIAN', 'TOOL')),
    slug        text   NOT NULL,
    PRIMARY KEY (site_id, resource_id),
    UNIQUE (site_id, kind, slug)
);

CREATE TABLE bay (
    site_id      bigint NOT NULL,
    resource_id  bigint NOT NULL,
    display_name text   NOT NULL,
    features     text[] NOT NULL,
    PRIMARY KEY (site_id, resource_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES resource
);

CREATE TABLE technician (
    site_id      bigint NOT NULL,
    resource_id  bigint NOT NULL,
    display_name text   NOT NULL,
    skills       text[] NOT NULL,
    shifts       jsonb  NOT NULL, -- the weekly pattern and the days that differ
    PRIMARY KEY (site_id, resource_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES resource
);

-- When a bay is closed or a technician absent.
CREATE TABLE closure (
    site_id     bigint    NOT NULL,
    resource_id bigint    NOT NULL,
    closure_id  bigint GENERATED ALWAYS AS IDENTITY,
    during      tstzrange NOT NULL CHECK (
        lower_inc(during) AND NOT upper_inc(during) AND NOT isempty(during)
        AND NOT lower_inf(during) AND NOT upper_inf(during)),
    reason      text      NOT NULL,
    PRIMARY KEY (site_id, resource_id, closure_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES resource
);

CREATE TABLE engine_family (
    site_id      bigint NOT NULL REFERENCES site,
    slug         text   NOT NULL,
    display_name text   NOT NULL,
    PRIMARY KEY (site_id, slug)
);

CREATE TABLE tool_type (
    site_id       bigint           NOT NULL REFERENCES site,
    slug          text             NOT NULL,
    display_name  text             NOT NULL,
    purpose       text             NOT NULL,
    families      text[]           NOT NULL,
    torque_min_nm double precision NOT NULL CHECK (torque_min_nm >= 0),
    torque_max_nm double precision NOT NULL CHECK (torque_max_nm >= torque_min_nm),
    resolution_nm double precision NOT NULL CHECK (resolution_nm >= 0),
    drive         text             NOT NULL,
    calibrated    boolean          NOT NULL,
    pieces        jsonb            NOT NULL,
    length_mm     double precision NOT NULL CHECK (length_mm >= 0),
    ratio         double precision NOT NULL CHECK (ratio >= 0),
    PRIMARY KEY (site_id, slug)
);

CREATE TABLE tool (
    site_id          bigint NOT NULL,
    resource_id      bigint NOT NULL,
    tool_type        text   NOT NULL,
    condition        text   NOT NULL CHECK (condition IN (
        'SERVICEABLE', 'UNSERVICEABLE', 'QUARANTINED', 'AWAY', 'LOST', 'RETIRED')),
    condition_until  timestamptz,
    condition_note   text   NOT NULL,
    calibrated_until timestamptz,
    home             text   NOT NULL,
    PRIMARY KEY (site_id, resource_id),
    FOREIGN KEY (site_id, resource_id) REFERENCES resource,
    FOREIGN KEY (site_id, tool_type) REFERENCES tool_type
);

CREATE TABLE preparation (
    site_id bigint NOT NULL,
    slug    text   NOT NULL,
    family  text,            -- NULL for every family
    body    jsonb  NOT NULL, -- the whole preparation with its steps
    PRIMARY KEY (site_id, slug),
    FOREIGN KEY (site_id, family) REFERENCES engine_family
);

CREATE TABLE procedure (
    site_id bigint  NOT NULL,
    slug    text    NOT NULL,
    version integer NOT NULL CHECK (version > 0),
    state   text    NOT NULL CHECK (state IN ('DRAFT', 'ISSUED', 'WITHDRAWN')),
    family  text    NOT NULL,
    body    jsonb   NOT NULL, -- the whole procedure with its steps
    PRIMARY KEY (site_id, slug, version),
    FOREIGN KEY (site_id, family) REFERENCES engine_family
);

CREATE TABLE job (
    site_id       bigint      NOT NULL REFERENCES site,
    job_id        bigint GENERATED ALWAYS AS IDENTITY,
    reference     text        NOT NULL,
    engine_family text        NOT NULL, -- empty for a bare reservation
    procedures    jsonb       NOT NULL, -- ids and versions it was planned with
    state         text        NOT NULL CHECK (state IN ('TENTATIVE', 'CONFIRMED', 'CANCELLED')),
    planned       tstzrange   NOT NULL,
    promise       timestamptz,
    expires_at    timestamptz CHECK ((expires_at IS NOT NULL) = (state = 'TENTATIVE')),
    steps         jsonb       NOT NULL, -- ids, titles and places in time
    parts         jsonb       NOT NULL, -- what the steps use up, and where it stands
    note          text        NOT NULL,
    imported      boolean     NOT NULL, -- came from a workshop file; its reference is its key there
    created_at    timestamptz NOT NULL,
    PRIMARY KEY (site_id, job_id)
);

-- The merged network of a job as it was when it was planned: what its sheet and
-- its record are read from, whatever becomes of procedures and preparations.
CREATE TABLE job_work (
    site_id bigint NOT NULL,
    job_id  bigint NOT NULL,
    network jsonb  NOT NULL,
    PRIMARY KEY (site_id, job_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job
);

CREATE INDEX job_planned ON job USING gist (site_id, planned);

-- One resource for one half-open time for one job. The constraint is the judge:
-- whatever else goes wrong, no resource is promised twice.
CREATE TABLE booking (
    site_id     bigint      NOT NULL,
    booking_id  bigint GENERATED ALWAYS AS IDENTITY,
    job_id      bigint      NOT NULL,
    resource_id bigint      NOT NULL,
    during      tstzrange   NOT NULL CHECK (
        lower_inc(during) AND NOT upper_inc(during) AND NOT isempty(during)
        AND NOT lower_inf(during) AND NOT upper_inf(during)),
    state       text        NOT NULL CHECK (state IN ('TENTATIVE', 'CONFIRMED', 'CANCELLED')),
    expires_at  timestamptz CHECK ((expires_at IS NOT NULL) = (state = 'TENTATIVE')),
    steps       text[]      NOT NULL,
    PRIMARY KEY (site_id, booking_id),
    FOREIGN KEY (site_id, job_id) REFERENCES job,
    FOREIGN KEY (site_id, resource_id) REFERENCES resource,
    CONSTRAINT booking_no_overlap EXCLUDE USING gist (
        site_id WITH =, resource_id WITH =, during WITH &&) WHERE (state <> 'CANCELLED')
);

CREATE INDEX booking_job ON booking (site_id, job_id);
CREATE INDEX booking_during ON booking USING gist (site_id, during);
CREATE INDEX booking_tentative ON booking (site_id, resource_id, expires_at) WHERE state = 'TENTATIVE';
CREATE INDEX job_imported ON job (site_id, reference) WHERE imported;

-- What was done, by whom. Rows are only ever added.
CREATE TABLE event (
    site_id    bigint      NOT NULL REFERENCES site,
    revision   bigint      NOT NULL,
    at         timestamptz NOT NULL,
    actor      text        NOT NULL,
    kind       text        NOT NULL,
    subject    text        NOT NULL, -- empty for the site itself
    touched    text[]      NOT NULL, -- all that it touches, the subject included
    request_id uuid        NOT NULL,
    details    jsonb       NOT NULL,
    PRIMARY KEY (site_id, revision)
);

-- The answer of each mutating call, under the caller's request id: a repeat
-- gets the first answer and does nothing.
CREATE TABLE request (
    site_id    bigint      NOT NULL REFERENCES site,
    request_id uuid        NOT NULL,
    method     text        NOT NULL,
    content    bytea       NOT NULL, -- SHA-256 of what was asked
    answer     jsonb       NOT NULL,
    at         timestamptz NOT NULL,
    PRIMARY KEY (site_id, request_id)
);

-- +goose Down

DROP TABLE request, event, booking, job_work, job, procedure, preparation, tool, tool_type,
    engine_family, closure, technician, bay, resource, site_counter, site;
