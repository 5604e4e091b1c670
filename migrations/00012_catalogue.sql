-- +goose Up

-- A mark on all that a site has and that rarely changes: its bays, people, tools
-- with their types, conditions and calibrations, closures, preparations and
-- procedures. Every transaction that changes any of it gives the site another
-- mark. Whoever kept what they read tells by the mark whether it still holds.
ALTER TABLE site_counter
    ADD COLUMN catalogue    uuid NOT NULL DEFAULT gen_random_uuid(),
    ADD COLUMN catalogue_by xid8 NOT NULL DEFAULT '0'; -- the transaction that gave it

-- The row is taken at the end of a transaction, as by events: taken earlier, it
-- would be held while others' locks are waited for. The function runs as the
-- owner: whoever changes the catalogue needs no right to mark it.
-- +goose StatementBegin
CREATE FUNCTION mark_catalogue() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    UPDATE site_counter SET catalogue = gen_random_uuid(), catalogue_by = pg_current_xact_id()
    WHERE site_id = COALESCE(NEW.site_id, OLD.site_id) AND catalogue_by <> pg_current_xact_id();
    RETURN NULL;
END $$;
-- +goose StatementEnd

REVOKE EXECUTE ON FUNCTION mark_catalogue FROM PUBLIC;

CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON bay
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON closure
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON preparation
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON procedure
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON resource
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON technician
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON tool
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();
CREATE CONSTRAINT TRIGGER catalogue AFTER INSERT OR UPDATE OR DELETE ON tool_type
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION mark_catalogue();

-- The seal is the same as before. An SQL function that cannot be inlined is
-- planned anew with each call, for every event; this one is planned once.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION event_seal(before bytea, e event) RETURNS bytea LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN sha256(convert_to('bayhold event 1', 'UTF8') || before
        || int8send(e.site_id) || int8send(e.revision) || timestamptz_send(e.at)
        || event_part(e.actor) || event_part(e.token) || event_part(e.method)
        || event_part(e.kind) || event_part(e.subject)
        || int4send(cardinality(e.touched)) || coalesce((
            SELECT string_agg(event_part(t), ''::bytea ORDER BY n) FROM unnest(e.touched) WITH ORDINALITY AS u (t, n)), '')
        || uuid_send(e.request_id) || event_part(e.details::text));
END $$;
-- +goose StatementEnd

-- Pages of lists by start: without an index in that order, the first hundred of a
-- year are found by reading and sorting the year.
CREATE INDEX booking_start ON booking (site_id, lower(during), booking_id);
CREATE INDEX job_start ON job (site_id, lower(planned), job_id);

-- +goose Down

DROP INDEX booking_start;
DROP INDEX job_start;

-- +goose StatementBegin
CREATE OR REPLACE FUNCTION event_seal(before bytea, e event) RETURNS bytea LANGUAGE sql STABLE AS $$
    SELECT sha256(convert_to('bayhold event 1', 'UTF8') || before
        || int8send(e.site_id) || int8send(e.revision) || timestamptz_send(e.at)
        || event_part(e.actor) || event_part(e.token) || event_part(e.method)
        || event_part(e.kind) || event_part(e.subject)
        || int4send(cardinality(e.touched)) || coalesce((
            SELECT string_agg(event_part(t), ''::bytea ORDER BY n) FROM unnest(e.touched) WITH ORDINALITY AS u (t, n)), '')
        || uuid_send(e.request_id) || event_part(e.details::text))
$$;
-- +goose StatementEnd
DROP TRIGGER catalogue ON bay;
DROP TRIGGER catalogue ON closure;
DROP TRIGGER catalogue ON preparation;
DROP TRIGGER catalogue ON procedure;
DROP TRIGGER catalogue ON resource;
DROP TRIGGER catalogue ON technician;
DROP TRIGGER catalogue ON tool;
DROP TRIGGER catalogue ON tool_type;
DROP FUNCTION mark_catalogue;
ALTER TABLE site_counter DROP COLUMN catalogue, DROP COLUMN catalogue_by;
