-- +goose Up

-- The trail: who did what by which call, each event sealed with a hash over all
-- its columns and the seal before it (internal/trail has the rule in Go).

ALTER TABLE event
    ADD COLUMN token  text NOT NULL DEFAULT '', -- name of the token that was shown; empty for none
    ADD COLUMN method text NOT NULL DEFAULT '', -- the call; empty before there was a trail
    ADD COLUMN seal   bytea;

-- The chain begins with 32 zero bytes.
ALTER TABLE site_counter
    ALTER COLUMN revision SET DEFAULT 0,
    ADD COLUMN head         bytea  NOT NULL DEFAULT decode(repeat('00', 32), 'hex') CHECK (octet_length(head) = 32),
    ADD COLUMN sealed_later bigint NOT NULL DEFAULT 0; -- events up to this one are older than their seals

-- +goose StatementBegin
CREATE FUNCTION event_part(t text) RETURNS bytea LANGUAGE sql STABLE AS
$$ SELECT int4send(octet_length(convert_to(t, 'UTF8'))) || convert_to(t, 'UTF8') $$;
-- +goose StatementEnd

-- Every column in its order: numbers big-endian, texts and lists with their
-- lengths before them, so that nothing can move from one to the next.
-- +goose StatementBegin
CREATE FUNCTION event_seal(before bytea, e event) RETURNS bytea LANGUAGE sql STABLE AS $$
    SELECT sha256(convert_to('bayhold event 1', 'UTF8') || before
        || int8send(e.site_id) || int8send(e.revision) || timestamptz_send(e.at)
        || event_part(e.actor) || event_part(e.token) || event_part(e.method)
        || event_part(e.kind) || event_part(e.subject)
        || int4send(cardinality(e.touched)) || coalesce((
            SELECT string_agg(event_part(t), ''::bytea ORDER BY n) FROM unnest(e.touched) WITH ORDINALITY AS u (t, n)), '')
        || uuid_send(e.request_id) || event_part(e.details::text))
$$;
-- +goose StatementEnd

-- What stands in the log is sealed as it stands. That proves nothing of what
-- became of it before: sealed_later tells how far that goes.
-- +goose StatementBegin
DO $$
DECLARE
    place bigint;
    e     event;
    last  bytea;
BEGIN
    FOR place IN SELECT site_id FROM site_counter LOOP
        last := decode(repeat('00', 32), 'hex');
        FOR e IN SELECT * FROM event WHERE site_id = place ORDER BY revision LOOP
            last := event_seal(last, e);
            UPDATE event SET seal = last WHERE site_id = place AND revision = e.revision;
        END LOOP;
        UPDATE site_counter SET head = last, sealed_later = revision WHERE site_id = place;
    END LOOP;
END $$;
-- +goose StatementEnd

ALTER TABLE event ALTER COLUMN seal SET NOT NULL, ADD CHECK (octet_length(seal) = 32);

-- An event gets its number and its seal from the counter row, under whose lock
-- it stays until the transaction ends. The function runs as the owner: whoever
-- writes events needs no right to set either. A number that is given must be
-- the counter's own: so wrote the program before the trail.
-- +goose StatementBegin
CREATE FUNCTION seal_event() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
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
END $$;
-- +goose StatementEnd

-- A trigger on another table must not turn the counter.
REVOKE EXECUTE ON FUNCTION seal_event FROM PUBLIC;

CREATE TRIGGER seal BEFORE INSERT ON event FOR EACH ROW EXECUTE FUNCTION seal_event();

-- +goose Down

DROP TRIGGER seal ON event;
DROP FUNCTION seal_event;
DROP FUNCTION event_seal;
DROP FUNCTION event_part;
ALTER TABLE event DROP COLUMN token, DROP COLUMN method, DROP COLUMN seal;
ALTER TABLE site_counter DROP COLUMN head, DROP COLUMN sealed_later, ALTER COLUMN revision DROP DEFAULT;
