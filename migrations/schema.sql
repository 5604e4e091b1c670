-- Made by `go generate ./migrations`; not to be edited. It shows where all steps
-- together lead, as the catalogue has it.

CREATE EXTENSION btree_gist;

CREATE TABLE access_token (
    site_id bigint NOT NULL,
    user_slug text NOT NULL,
    name text NOT NULL,
    hash bytea NOT NULL,
    created_at timestamp with time zone NOT NULL,
    expires_at timestamp with time zone NOT NULL,
    last_used_at timestamp with time zone,
    revoked_at timestamp with time zone,
    CONSTRAINT access_token_pkey PRIMARY KEY (site_id, user_slug, name),
    CONSTRAINT access_token_site_id_hash_key UNIQUE (site_id, hash),
    CONSTRAINT access_token_check CHECK ((expires_at > created_at)),
    CONSTRAINT access_token_hash_check CHECK ((length(hash) = 32)),
    CONSTRAINT access_token_name_check CHECK ((name ~ '^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$'::text)),
    CONSTRAINT access_token_site_id_user_slug_fkey FOREIGN KEY (site_id, user_slug) REFERENCES site_user(site_id, slug)
);

CREATE TABLE bay (
    site_id bigint NOT NULL,
    resource_id bigint NOT NULL,
    display_name text NOT NULL,
    features text[] NOT NULL,
    CONSTRAINT bay_pkey PRIMARY KEY (site_id, resource_id),
    CONSTRAINT bay_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES resource(site_id, resource_id)
);

CREATE TABLE booking (
    site_id bigint NOT NULL,
    booking_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    resource_id bigint NOT NULL,
    during tstzrange NOT NULL,
    state text NOT NULL,
    expires_at timestamp with time zone,
    steps text[] NOT NULL,
    CONSTRAINT booking_pkey PRIMARY KEY (site_id, booking_id),
    CONSTRAINT booking_check CHECK (((expires_at IS NOT NULL) = (state = 'TENTATIVE'::text))),
    CONSTRAINT booking_during_check CHECK ((lower_inc(during) AND (NOT upper_inc(during)) AND (NOT isempty(during)) AND (NOT lower_inf(during)) AND (NOT upper_inf(during)))),
    CONSTRAINT booking_state_check CHECK ((state = ANY (ARRAY['TENTATIVE'::text, 'CONFIRMED'::text, 'CANCELLED'::text]))),
    CONSTRAINT booking_no_overlap EXCLUDE USING gist (site_id WITH =, resource_id WITH =, during WITH &&) WHERE ((state <> 'CANCELLED'::text)),
    CONSTRAINT booking_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT booking_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES resource(site_id, resource_id)
);
CREATE INDEX booking_during ON public.booking USING gist (site_id, during);
CREATE INDEX booking_job ON public.booking USING btree (site_id, job_id);
CREATE INDEX booking_start ON public.booking USING btree (site_id, lower(during), booking_id);
CREATE INDEX booking_tentative ON public.booking USING btree (site_id, resource_id, expires_at) WHERE (state = 'TENTATIVE'::text);

CREATE TABLE calibration_check (
    site_id bigint NOT NULL,
    check_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    at timestamp with time zone NOT NULL,
    body jsonb NOT NULL,
    result jsonb NOT NULL,
    CONSTRAINT calibration_check_pkey PRIMARY KEY (site_id, check_id),
    CONSTRAINT calibration_check_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX calibration_check_tool ON public.calibration_check USING btree (site_id, resource_id, at);

CREATE TABLE calibration_leave (
    site_id bigint NOT NULL,
    job_id bigint NOT NULL,
    resource_id bigint NOT NULL,
    CONSTRAINT calibration_leave_pkey PRIMARY KEY (site_id, job_id),
    CONSTRAINT calibration_leave_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT calibration_leave_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);

CREATE TABLE calibration_policy (
    site_id bigint NOT NULL,
    policy_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    body jsonb NOT NULL,
    decided_by text NOT NULL,
    decided_at timestamp with time zone NOT NULL,
    CONSTRAINT calibration_policy_pkey PRIMARY KEY (site_id, policy_id),
    CONSTRAINT calibration_policy_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE certificate (
    site_id bigint NOT NULL,
    certificate_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    number text NOT NULL,
    day date NOT NULL,
    body jsonb NOT NULL,
    assessment jsonb NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    CONSTRAINT certificate_pkey PRIMARY KEY (site_id, certificate_id),
    CONSTRAINT certificate_site_id_resource_id_number_key UNIQUE (site_id, resource_id, number),
    CONSTRAINT certificate_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX certificate_day ON public.certificate USING btree (site_id, day, certificate_id);

CREATE TABLE certificate_document (
    site_id bigint NOT NULL,
    certificate_id bigint NOT NULL,
    sha256 bytea NOT NULL,
    content bytea NOT NULL,
    CONSTRAINT certificate_document_pkey PRIMARY KEY (site_id, certificate_id),
    CONSTRAINT certificate_document_content_check CHECK ((length(content) <= 5242880)),
    CONSTRAINT certificate_document_sha256_check CHECK ((length(sha256) = 32)),
    CONSTRAINT certificate_document_site_id_certificate_id_fkey FOREIGN KEY (site_id, certificate_id) REFERENCES certificate(site_id, certificate_id)
);

CREATE TABLE closure (
    site_id bigint NOT NULL,
    resource_id bigint NOT NULL,
    closure_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    during tstzrange NOT NULL,
    reason text NOT NULL,
    CONSTRAINT closure_pkey PRIMARY KEY (site_id, resource_id, closure_id),
    CONSTRAINT closure_during_check CHECK ((lower_inc(during) AND (NOT upper_inc(during)) AND (NOT isempty(during)) AND (NOT lower_inf(during)) AND (NOT upper_inf(during)))),
    CONSTRAINT closure_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES resource(site_id, resource_id)
);

CREATE TABLE engine_family (
    site_id bigint NOT NULL,
    slug text NOT NULL,
    display_name text NOT NULL,
    CONSTRAINT engine_family_pkey PRIMARY KEY (site_id, slug),
    CONSTRAINT engine_family_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE event (
    site_id bigint NOT NULL,
    revision bigint NOT NULL,
    at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    kind text NOT NULL,
    subject text NOT NULL,
    touched text[] NOT NULL,
    request_id uuid NOT NULL,
    details jsonb NOT NULL,
    token text DEFAULT ''::text NOT NULL,
    method text DEFAULT ''::text NOT NULL,
    seal bytea NOT NULL,
    CONSTRAINT event_pkey PRIMARY KEY (site_id, revision),
    CONSTRAINT event_seal_check CHECK ((octet_length(seal) = 32)),
    CONSTRAINT event_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE job (
    site_id bigint NOT NULL,
    job_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    reference text NOT NULL,
    engine_family text NOT NULL,
    procedures jsonb NOT NULL,
    state text NOT NULL,
    planned tstzrange NOT NULL,
    promise timestamp with time zone,
    expires_at timestamp with time zone,
    steps jsonb NOT NULL,
    parts jsonb NOT NULL,
    note text NOT NULL,
    imported boolean NOT NULL,
    created_at timestamp with time zone NOT NULL,
    promise_confidence double precision,
    first_promise timestamp with time zone,
    first_confidence double precision,
    reserved_by text DEFAULT ''::text NOT NULL,
    CONSTRAINT job_pkey PRIMARY KEY (site_id, job_id),
    CONSTRAINT job_check CHECK (((expires_at IS NOT NULL) = (state = 'TENTATIVE'::text))),
    CONSTRAINT job_first_confidence_check CHECK (((first_confidence > (0)::double precision) AND (first_confidence <= (1)::double precision))),
    CONSTRAINT job_promise_confidence_check CHECK (((promise_confidence > (0)::double precision) AND (promise_confidence <= (1)::double precision))),
    CONSTRAINT job_state_check CHECK ((state = ANY (ARRAY['TENTATIVE'::text, 'CONFIRMED'::text, 'CANCELLED'::text]))),
    CONSTRAINT job_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);
CREATE INDEX job_imported ON public.job USING btree (site_id, reference) WHERE imported;
CREATE INDEX job_planned ON public.job USING gist (site_id, planned);
CREATE INDEX job_start ON public.job USING btree (site_id, lower(planned), job_id);

CREATE TABLE job_closing (
    site_id bigint NOT NULL,
    job_id bigint NOT NULL,
    note text NOT NULL,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    CONSTRAINT job_closing_pkey PRIMARY KEY (site_id, job_id),
    CONSTRAINT job_closing_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id)
);

CREATE TABLE job_work (
    site_id bigint NOT NULL,
    job_id bigint NOT NULL,
    network jsonb NOT NULL,
    CONSTRAINT job_work_pkey PRIMARY KEY (site_id, job_id),
    CONSTRAINT job_work_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id)
);

CREATE TABLE link (
    site_id bigint NOT NULL,
    link_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    title text NOT NULL,
    resource_id bigint,
    token_sha256 bytea NOT NULL,
    made_at timestamp with time zone NOT NULL,
    made_by text NOT NULL,
    revoked_at timestamp with time zone,
    CONSTRAINT link_pkey PRIMARY KEY (site_id, link_id),
    CONSTRAINT link_site_id_token_sha256_key UNIQUE (site_id, token_sha256),
    CONSTRAINT link_token_sha256_check CHECK ((length(token_sha256) = 32)),
    CONSTRAINT link_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id),
    CONSTRAINT link_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES resource(site_id, resource_id)
);

CREATE TABLE part_used (
    site_id bigint NOT NULL,
    part_used_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    run integer NOT NULL,
    part text NOT NULL,
    quantity integer NOT NULL,
    fasteners integer[] NOT NULL,
    lot text NOT NULL,
    technician_id bigint,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    CONSTRAINT part_used_pkey PRIMARY KEY (site_id, part_used_id),
    CONSTRAINT part_used_quantity_check CHECK ((quantity > 0)),
    CONSTRAINT part_used_run_check CHECK ((run > 0)),
    CONSTRAINT part_used_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT part_used_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id)
);
CREATE INDEX part_used_job ON public.part_used USING btree (site_id, job_id, part_used_id);

CREATE TABLE preparation (
    site_id bigint NOT NULL,
    slug text NOT NULL,
    family text,
    body jsonb NOT NULL,
    CONSTRAINT preparation_pkey PRIMARY KEY (site_id, slug),
    CONSTRAINT preparation_site_id_family_fkey FOREIGN KEY (site_id, family) REFERENCES engine_family(site_id, slug)
);

CREATE TABLE procedure (
    site_id bigint NOT NULL,
    slug text NOT NULL,
    version integer NOT NULL,
    state text NOT NULL,
    family text NOT NULL,
    body jsonb NOT NULL,
    CONSTRAINT procedure_pkey PRIMARY KEY (site_id, slug, version),
    CONSTRAINT procedure_state_check CHECK ((state = ANY (ARRAY['DRAFT'::text, 'ISSUED'::text, 'WITHDRAWN'::text]))),
    CONSTRAINT procedure_version_check CHECK ((version > 0)),
    CONSTRAINT procedure_site_id_family_fkey FOREIGN KEY (site_id, family) REFERENCES engine_family(site_id, slug)
);

CREATE TABLE reading (
    site_id bigint NOT NULL,
    reading_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    run integer NOT NULL,
    kind text NOT NULL,
    fastener integer NOT NULL,
    stage integer NOT NULL,
    attempt integer NOT NULL,
    check_id text NOT NULL,
    unit text NOT NULL,
    value double precision NOT NULL,
    wanted double precision,
    low double precision,
    high double precision,
    outside boolean GENERATED ALWAYS AS ((((low IS NOT NULL) AND (value < low)) OR ((high IS NOT NULL) AND (value > high)))) STORED NOT NULL,
    tolerance double precision NOT NULL,
    set_nm double precision NOT NULL,
    ratio double precision NOT NULL,
    joint text NOT NULL,
    tool_id bigint,
    certificate text NOT NULL,
    calibrated_until timestamp with time zone,
    technician_id bigint,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    corrects bigint,
    note text NOT NULL,
    CONSTRAINT reading_pkey PRIMARY KEY (site_id, reading_id),
    CONSTRAINT reading_site_id_corrects_key UNIQUE (site_id, corrects),
    CONSTRAINT reading_attempt_check CHECK ((attempt > 0)),
    CONSTRAINT reading_check CHECK ((((kind = 'CHECK'::text) = (check_id <> ''::text)) AND ((kind = 'CHECK'::text) = (fastener = 0)) AND ((kind = 'CHECK'::text) = (stage = 0)))),
    CONSTRAINT reading_fastener_check CHECK ((fastener >= 0)),
    CONSTRAINT reading_high_check CHECK (((high > '-Infinity'::double precision) AND (high < 'Infinity'::double precision))),
    CONSTRAINT reading_kind_check CHECK ((kind = ANY (ARRAY['TORQUE'::text, 'ANGLE'::text, 'CHECK'::text]))),
    CONSTRAINT reading_low_check CHECK (((low > '-Infinity'::double precision) AND (low < 'Infinity'::double precision))),
    CONSTRAINT reading_ratio_check CHECK ((ratio >= (0)::double precision)),
    CONSTRAINT reading_run_check CHECK ((run > 0)),
    CONSTRAINT reading_set_nm_check CHECK ((set_nm >= (0)::double precision)),
    CONSTRAINT reading_stage_check CHECK ((stage >= 0)),
    CONSTRAINT reading_tolerance_check CHECK ((tolerance >= (0)::double precision)),
    CONSTRAINT reading_value_check CHECK (((value > '-Infinity'::double precision) AND (value < 'Infinity'::double precision))),
    CONSTRAINT reading_wanted_check CHECK (((wanted > '-Infinity'::double precision) AND (wanted < 'Infinity'::double precision))),
    CONSTRAINT reading_site_id_corrects_fkey FOREIGN KEY (site_id, corrects) REFERENCES reading(site_id, reading_id),
    CONSTRAINT reading_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT reading_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id),
    CONSTRAINT reading_site_id_tool_id_fkey FOREIGN KEY (site_id, tool_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX reading_job ON public.reading USING btree (site_id, job_id, reading_id);
CREATE INDEX reading_tool ON public.reading USING btree (site_id, tool_id, at);

CREATE TABLE request (
    site_id bigint NOT NULL,
    request_id uuid NOT NULL,
    method text NOT NULL,
    content bytea NOT NULL,
    answer jsonb NOT NULL,
    at timestamp with time zone NOT NULL,
    CONSTRAINT request_pkey PRIMARY KEY (site_id, request_id),
    CONSTRAINT request_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE resource (
    site_id bigint NOT NULL,
    resource_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    kind text NOT NULL,
    slug text NOT NULL,
    CONSTRAINT resource_pkey PRIMARY KEY (site_id, resource_id),
    CONSTRAINT resource_site_id_kind_slug_key UNIQUE (site_id, kind, slug),
    CONSTRAINT resource_kind_check CHECK ((kind = ANY (ARRAY['BAY'::text, 'TECHNICIAN'::text, 'TOOL'::text]))),
    CONSTRAINT resource_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE sign_off (
    site_id bigint NOT NULL,
    sign_off_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    run integer NOT NULL,
    technician_id bigint NOT NULL,
    seen bigint NOT NULL,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    note text NOT NULL,
    CONSTRAINT sign_off_pkey PRIMARY KEY (site_id, sign_off_id),
    CONSTRAINT sign_off_run_check CHECK ((run > 0)),
    CONSTRAINT sign_off_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT sign_off_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id)
);
CREATE INDEX sign_off_job ON public.sign_off USING btree (site_id, job_id, sign_off_id);

CREATE TABLE site (
    site_id bigint NOT NULL,
    slug text NOT NULL,
    display_name text NOT NULL,
    time_zone text NOT NULL,
    CONSTRAINT site_pkey PRIMARY KEY (site_id),
    CONSTRAINT site_slug_check CHECK ((slug ~ '^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$'::text))
);

CREATE TABLE site_counter (
    site_id bigint NOT NULL,
    revision bigint DEFAULT 0 NOT NULL,
    head bytea DEFAULT decode(repeat('00'::text, 32), 'hex'::text) NOT NULL,
    sealed_later bigint DEFAULT 0 NOT NULL,
    catalogue uuid DEFAULT gen_random_uuid() NOT NULL,
    catalogue_by xid8 DEFAULT '0'::xid8 NOT NULL,
    CONSTRAINT site_counter_pkey PRIMARY KEY (site_id),
    CONSTRAINT site_counter_head_check CHECK ((octet_length(head) = 32)),
    CONSTRAINT site_counter_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE site_user (
    site_id bigint NOT NULL,
    slug text NOT NULL,
    display_name text NOT NULL,
    roles text[] NOT NULL,
    technician_id bigint,
    certificate text,
    disabled_at timestamp with time zone,
    created_at timestamp with time zone NOT NULL,
    certificate_used_at timestamp with time zone,
    CONSTRAINT site_user_pkey PRIMARY KEY (site_id, slug),
    CONSTRAINT site_user_site_id_certificate_key UNIQUE (site_id, certificate),
    CONSTRAINT site_user_site_id_technician_id_key UNIQUE (site_id, technician_id),
    CONSTRAINT site_user_roles_check CHECK (((cardinality(roles) > 0) AND (roles <@ ARRAY['MANAGER'::text, 'TECHNICIAN'::text, 'ADMINISTRATOR'::text]))),
    CONSTRAINT site_user_slug_check CHECK ((slug ~ '^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$'::text)),
    CONSTRAINT site_user_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id),
    CONSTRAINT site_user_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id)
);

CREATE TABLE step_delay (
    site_id bigint NOT NULL,
    delay_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    minutes integer NOT NULL,
    reason text NOT NULL,
    technician_id bigint,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    CONSTRAINT step_delay_pkey PRIMARY KEY (site_id, delay_id),
    CONSTRAINT step_delay_minutes_check CHECK ((minutes > 0)),
    CONSTRAINT step_delay_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT step_delay_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id)
);
CREATE INDEX step_delay_job ON public.step_delay USING btree (site_id, job_id, delay_id);

CREATE TABLE step_event (
    site_id bigint NOT NULL,
    step_event_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    run integer NOT NULL,
    kind text NOT NULL,
    technician_id bigint,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    planned tstzrange NOT NULL,
    note text NOT NULL,
    CONSTRAINT step_event_pkey PRIMARY KEY (site_id, step_event_id),
    CONSTRAINT step_event_kind_check CHECK ((kind = ANY (ARRAY['START'::text, 'PAUSE'::text, 'RESUME'::text, 'FINISH'::text]))),
    CONSTRAINT step_event_run_check CHECK ((run > 0)),
    CONSTRAINT step_event_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT step_event_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id)
);
CREATE INDEX step_event_job ON public.step_event USING btree (site_id, job_id, step_event_id);
CREATE INDEX step_event_step ON public.step_event USING btree (site_id, step, at);
CREATE INDEX step_event_technician ON public.step_event USING btree (site_id, technician_id, at);

CREATE TABLE step_override (
    site_id bigint NOT NULL,
    override_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    run integer NOT NULL,
    act text NOT NULL,
    against jsonb NOT NULL,
    reason text NOT NULL,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    CONSTRAINT step_override_pkey PRIMARY KEY (site_id, override_id),
    CONSTRAINT step_override_act_check CHECK ((act = ANY (ARRAY['START'::text, 'FINISH'::text]))),
    CONSTRAINT step_override_run_check CHECK ((run > 0)),
    CONSTRAINT step_override_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id)
);
CREATE INDEX step_override_job ON public.step_override USING btree (site_id, job_id, override_id);

CREATE TABLE step_waiver (
    site_id bigint NOT NULL,
    waiver_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    job_id bigint NOT NULL,
    step text NOT NULL,
    reason text NOT NULL,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    actor text NOT NULL,
    CONSTRAINT step_waiver_pkey PRIMARY KEY (site_id, waiver_id),
    CONSTRAINT step_waiver_site_id_job_id_step_key UNIQUE (site_id, job_id, step),
    CONSTRAINT step_waiver_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id)
);

CREATE TABLE technician (
    site_id bigint NOT NULL,
    resource_id bigint NOT NULL,
    display_name text NOT NULL,
    skills text[] NOT NULL,
    shifts jsonb NOT NULL,
    CONSTRAINT technician_pkey PRIMARY KEY (site_id, resource_id),
    CONSTRAINT technician_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES resource(site_id, resource_id)
);

CREATE TABLE tightening (
    site_id bigint NOT NULL,
    tightening_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    source text NOT NULL,
    at timestamp with time zone NOT NULL,
    job text NOT NULL,
    step text NOT NULL,
    joint text NOT NULL,
    fastener text NOT NULL,
    stage integer NOT NULL,
    wanted_nm double precision NOT NULL,
    angle_deg double precision NOT NULL,
    set_nm double precision NOT NULL,
    ratio double precision NOT NULL,
    tolerance double precision NOT NULL,
    direction text NOT NULL,
    person text NOT NULL,
    taken_in_at timestamp with time zone NOT NULL,
    CONSTRAINT tightening_pkey PRIMARY KEY (site_id, tightening_id),
    CONSTRAINT tightening_site_id_resource_id_source_key UNIQUE (site_id, resource_id, source),
    CONSTRAINT tightening_angle_deg_check CHECK ((angle_deg >= (0)::double precision)),
    CONSTRAINT tightening_direction_check CHECK ((direction = ANY (ARRAY['CLOCKWISE'::text, 'COUNTERCLOCKWISE'::text]))),
    CONSTRAINT tightening_ratio_check CHECK ((ratio >= (0)::double precision)),
    CONSTRAINT tightening_set_nm_check CHECK ((set_nm >= (0)::double precision)),
    CONSTRAINT tightening_stage_check CHECK ((stage > 0)),
    CONSTRAINT tightening_tolerance_check CHECK (((tolerance >= (0)::double precision) AND (tolerance < (1)::double precision))),
    CONSTRAINT tightening_wanted_nm_check CHECK ((wanted_nm >= (0)::double precision)),
    CONSTRAINT tightening_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX tightening_tool ON public.tightening USING btree (site_id, resource_id, at);

CREATE TABLE tool (
    site_id bigint NOT NULL,
    resource_id bigint NOT NULL,
    tool_type text NOT NULL,
    condition text NOT NULL,
    condition_until timestamp with time zone,
    condition_note text NOT NULL,
    calibrated_until timestamp with time zone,
    home text NOT NULL,
    photo_url text DEFAULT ''::text NOT NULL,
    missing jsonb DEFAULT '[]'::jsonb NOT NULL,
    damaged jsonb DEFAULT '[]'::jsonb NOT NULL,
    CONSTRAINT tool_pkey PRIMARY KEY (site_id, resource_id),
    CONSTRAINT tool_condition_check CHECK ((condition = ANY (ARRAY['SERVICEABLE'::text, 'UNSERVICEABLE'::text, 'QUARANTINED'::text, 'AWAY'::text, 'LOST'::text, 'RETIRED'::text]))),
    CONSTRAINT tool_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES resource(site_id, resource_id),
    CONSTRAINT tool_site_id_tool_type_fkey FOREIGN KEY (site_id, tool_type) REFERENCES tool_type(site_id, slug)
);

CREATE TABLE tool_condition (
    site_id bigint NOT NULL,
    condition_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    condition text NOT NULL,
    since timestamp with time zone NOT NULL,
    until timestamp with time zone,
    reason text NOT NULL,
    actor text NOT NULL,
    CONSTRAINT tool_condition_pkey PRIMARY KEY (site_id, condition_id),
    CONSTRAINT tool_condition_condition_check CHECK ((condition = ANY (ARRAY['SERVICEABLE'::text, 'UNSERVICEABLE'::text, 'QUARANTINED'::text, 'AWAY'::text, 'LOST'::text, 'RETIRED'::text]))),
    CONSTRAINT tool_condition_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX tool_condition_tool ON public.tool_condition USING btree (site_id, resource_id, since);

CREATE TABLE tool_event (
    site_id bigint NOT NULL,
    tool_event_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    at timestamp with time zone NOT NULL,
    kind text NOT NULL,
    torque_nm double precision NOT NULL,
    cycles integer NOT NULL,
    note text NOT NULL,
    CONSTRAINT tool_event_pkey PRIMARY KEY (site_id, tool_event_id),
    CONSTRAINT tool_event_cycles_check CHECK ((cycles >= 0)),
    CONSTRAINT tool_event_kind_check CHECK ((kind = ANY (ARRAY['LOAD'::text, 'DROP'::text, 'DAMAGE'::text, 'REPAIR'::text, 'CHECK_FAILED'::text, 'USE'::text]))),
    CONSTRAINT tool_event_torque_nm_check CHECK ((torque_nm >= (0)::double precision)),
    CONSTRAINT tool_event_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX tool_event_tool ON public.tool_event USING btree (site_id, resource_id, at);

CREATE TABLE tool_interval (
    site_id bigint NOT NULL,
    interval_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    days integer NOT NULL,
    proposal jsonb NOT NULL,
    decided_by text NOT NULL,
    decided_at timestamp with time zone NOT NULL,
    CONSTRAINT tool_interval_pkey PRIMARY KEY (site_id, interval_id),
    CONSTRAINT tool_interval_days_check CHECK ((days > 0)),
    CONSTRAINT tool_interval_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX tool_interval_tool ON public.tool_interval USING btree (site_id, resource_id, decided_at);

CREATE TABLE tool_issue (
    site_id bigint NOT NULL,
    issue_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    technician_id bigint NOT NULL,
    bay_id bigint,
    job_id bigint,
    booking_id bigint,
    out_since timestamp with time zone NOT NULL,
    issued_at timestamp with time zone NOT NULL,
    issued_by text NOT NULL,
    due_at timestamp with time zone NOT NULL,
    follows bigint,
    returned_at timestamp with time zone,
    returned_by text DEFAULT ''::text NOT NULL,
    outcome text DEFAULT ''::text NOT NULL,
    pieces jsonb DEFAULT '[]'::jsonb NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    CONSTRAINT tool_issue_pkey PRIMARY KEY (site_id, issue_id),
    CONSTRAINT tool_issue_check CHECK ((due_at > issued_at)),
    CONSTRAINT tool_issue_check1 CHECK ((returned_at >= issued_at)),
    CONSTRAINT tool_issue_check2 CHECK (((returned_at IS NULL) = (outcome = ''::text))),
    CONSTRAINT tool_issue_check3 CHECK (((booking_id IS NULL) OR (job_id IS NOT NULL))),
    CONSTRAINT tool_issue_outcome_check CHECK ((outcome = ANY (ARRAY[''::text, 'RETURNED'::text, 'HANDED_OVER'::text]))),
    CONSTRAINT tool_issue_site_id_bay_id_fkey FOREIGN KEY (site_id, bay_id) REFERENCES bay(site_id, resource_id),
    CONSTRAINT tool_issue_site_id_booking_id_fkey FOREIGN KEY (site_id, booking_id) REFERENCES booking(site_id, booking_id),
    CONSTRAINT tool_issue_site_id_follows_fkey FOREIGN KEY (site_id, follows) REFERENCES tool_issue(site_id, issue_id),
    CONSTRAINT tool_issue_site_id_job_id_fkey FOREIGN KEY (site_id, job_id) REFERENCES job(site_id, job_id),
    CONSTRAINT tool_issue_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id),
    CONSTRAINT tool_issue_site_id_technician_id_fkey FOREIGN KEY (site_id, technician_id) REFERENCES technician(site_id, resource_id)
);
CREATE INDEX tool_issue_job ON public.tool_issue USING btree (site_id, job_id) WHERE (job_id IS NOT NULL);
CREATE UNIQUE INDEX tool_issue_open ON public.tool_issue USING btree (site_id, resource_id) WHERE (returned_at IS NULL);
CREATE INDEX tool_issue_tool ON public.tool_issue USING btree (site_id, resource_id, issued_at);

CREATE TABLE tool_type (
    site_id bigint NOT NULL,
    slug text NOT NULL,
    display_name text NOT NULL,
    purpose text NOT NULL,
    families text[] NOT NULL,
    torque_min_nm double precision NOT NULL,
    torque_max_nm double precision NOT NULL,
    resolution_nm double precision NOT NULL,
    drive text NOT NULL,
    calibrated boolean NOT NULL,
    pieces jsonb NOT NULL,
    length_mm double precision NOT NULL,
    ratio double precision NOT NULL,
    iso_type text DEFAULT ''::text NOT NULL,
    iso_class text DEFAULT ''::text NOT NULL,
    permissible double precision DEFAULT 0 NOT NULL,
    calibration_months integer DEFAULT 0 NOT NULL,
    calibration_cycles integer DEFAULT 0 NOT NULL,
    CONSTRAINT tool_type_pkey PRIMARY KEY (site_id, slug),
    CONSTRAINT tool_type_calibration_cycles_check CHECK ((calibration_cycles >= 0)),
    CONSTRAINT tool_type_calibration_months_check CHECK ((calibration_months >= 0)),
    CONSTRAINT tool_type_check CHECK ((torque_max_nm >= torque_min_nm)),
    CONSTRAINT tool_type_length_mm_check CHECK ((length_mm >= (0)::double precision)),
    CONSTRAINT tool_type_permissible_check CHECK (((permissible >= (0)::double precision) AND (permissible < (1)::double precision))),
    CONSTRAINT tool_type_ratio_check CHECK ((ratio >= (0)::double precision)),
    CONSTRAINT tool_type_resolution_nm_check CHECK ((resolution_nm >= (0)::double precision)),
    CONSTRAINT tool_type_torque_min_nm_check CHECK ((torque_min_nm >= (0)::double precision)),
    CONSTRAINT tool_type_site_id_fkey FOREIGN KEY (site_id) REFERENCES site(site_id)
);

CREATE TABLE trace_decision (
    site_id bigint NOT NULL,
    decision_id bigint GENERATED ALWAYS AS IDENTITY NOT NULL,
    resource_id bigint NOT NULL,
    finding text NOT NULL,
    line text NOT NULL,
    answer text NOT NULL,
    note text NOT NULL,
    person text NOT NULL,
    decided_at timestamp with time zone NOT NULL,
    CONSTRAINT trace_decision_pkey PRIMARY KEY (site_id, decision_id),
    CONSTRAINT trace_decision_answer_check CHECK ((answer = ANY (ARRAY['ACCEPTED'::text, 'RECHECKED'::text, 'CORRECTED'::text, 'OUT_OF_REACH'::text]))),
    CONSTRAINT trace_decision_note_check CHECK ((note <> ''::text)),
    CONSTRAINT trace_decision_site_id_resource_id_fkey FOREIGN KEY (site_id, resource_id) REFERENCES tool(site_id, resource_id)
);
CREATE INDEX trace_decision_tool ON public.trace_decision USING btree (site_id, resource_id, finding);

CREATE OR REPLACE FUNCTION public.event_part(t text)
 RETURNS bytea
 LANGUAGE sql
 STABLE
AS $function$ SELECT int4send(octet_length(convert_to(t, 'UTF8'))) || convert_to(t, 'UTF8') $function$
;

CREATE OR REPLACE FUNCTION public.event_seal(before bytea, e event)
 RETURNS bytea
 LANGUAGE plpgsql
 STABLE
AS $function$
BEGIN
    RETURN sha256(convert_to('bayhold event 1', 'UTF8') || before
        || int8send(e.site_id) || int8send(e.revision) || timestamptz_send(e.at)
        || event_part(e.actor) || event_part(e.token) || event_part(e.method)
        || event_part(e.kind) || event_part(e.subject)
        || int4send(cardinality(e.touched)) || coalesce((
            SELECT string_agg(event_part(t), ''::bytea ORDER BY n) FROM unnest(e.touched) WITH ORDINALITY AS u (t, n)), '')
        || uuid_send(e.request_id) || event_part(e.details::text));
END $function$
;

CREATE OR REPLACE FUNCTION public.mark_catalogue()
 RETURNS trigger
 LANGUAGE plpgsql
 SECURITY DEFINER
 SET search_path TO 'public', 'pg_temp'
AS $function$
BEGIN
    UPDATE site_counter SET catalogue = gen_random_uuid(), catalogue_by = pg_current_xact_id()
    WHERE site_id = COALESCE(NEW.site_id, OLD.site_id) AND catalogue_by <> pg_current_xact_id();
    RETURN NULL;
END $function$
;

CREATE OR REPLACE FUNCTION public.record_is_kept()
 RETURNS trigger
 LANGUAGE plpgsql
AS $function$
BEGIN
    RAISE EXCEPTION 'rows of % are only ever added', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $function$
;

CREATE OR REPLACE FUNCTION public.seal_event()
 RETURNS trigger
 LANGUAGE plpgsql
 SECURITY DEFINER
 SET search_path TO 'public', 'pg_temp'
AS $function$
DECLARE
    counter site_counter;
BEGIN
    SELECT * INTO counter FROM site_counter WHERE site_id = NEW.site_id FOR NO KEY UPDATE;
    IF NOT FOUND THEN
        RAISE foreign_key_violation USING MESSAGE = 'the site has no counter';
    ELSIF NEW.revision IS NULL THEN
        NEW.revision := counter.revision + 1;
    ELSIF NEW.revision <> counter.revision THEN
        RAISE check_violation USING MESSAGE = 'the event is not numbered by the counter';
    END IF;
    NEW.seal := event_seal(counter.head, NEW);
    UPDATE site_counter SET revision = NEW.revision, head = NEW.seal WHERE site_id = NEW.site_id;
    RETURN NEW;
END $function$
;

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.bay DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.calibration_policy FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.closure DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER seal BEFORE INSERT ON public.event FOR EACH ROW EXECUTE FUNCTION seal_event();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.job_closing FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.part_used FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.preparation DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.procedure DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.reading FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.resource DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.sign_off FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.step_delay FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.step_event FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.step_override FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.step_waiver FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.technician DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.tightening FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.tool DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.tool_interval FOR EACH ROW EXECUTE FUNCTION record_is_kept();

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR DELETE OR UPDATE ON public.tool_type DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

CREATE TRIGGER kept BEFORE DELETE OR UPDATE ON public.trace_decision FOR EACH ROW EXECUTE FUNCTION record_is_kept();
