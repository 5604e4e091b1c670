package store

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/trail"
)

// logged is a store whose log has ten events, two of them of one transaction,
// and the database behind it.
func logged(t *testing.T) (*Store, *pgtest.DB) {
	t.Helper()
	db := pgtest.New(t)
	s, err := Open(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	for i := range 9 {
		req := request("/bayhold.v1.TestService/Say")
		req.NewSite, req.Actor, req.Token = true, "ada", "desk"
		req.Now = noon.Add(time.Duration(i) * time.Minute)
		_, err := Act(t.Context(), s, req, func(ctx context.Context, tx *Tx) (int, error) {
			tx.Log(Event{Kind: "test.said", Subject: fmt.Sprintf("jobs/%d", i), Touched: []string{"bays/bay-1", "tools/Ä"},
				Details: map[string]any{"before": i, "after": "grün \u2028 \"quoted\"", "none": nil}})
			if i == 4 {
				tx.Log(Event{Kind: "test.again", Details: []float64{0.1, 1e300}}) // about the site, touching nothing
			}
			return 0, tx.PutSite(ctx, site.Site{ID: "north", Name: "North", TimeZone: "Europe/Lisbon"})
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return s, db
}

// verdict is what a look at the whole chain finds.
func verdict(t *testing.T, s *Store) *trail.Break {
	t.Helper()
	return view(t, s, func(ctx context.Context, r Reader) (*trail.Break, error) {
		rows, err := r.Trail(ctx, 0, 1000)
		if err != nil {
			return nil, err
		}
		head, err := r.Head(ctx)
		if err != nil {
			return nil, err
		}
		at := trail.Walk(trail.Checkpoint{}, rows)
		return trail.Diagnose(at, rows[at.Revision:], head.Checkpoint), nil
	})
}

func TestEventsAreChained(t *testing.T) {
	t.Parallel()
	s, _ := logged(t)
	if b := verdict(t, s); b != nil {
		t.Fatalf("an honest log: %+v", b)
	}
	events := view(t, s, func(ctx context.Context, r Reader) ([]LoggedEvent, error) {
		return r.Events(ctx, EventFilter{Touching: []string{"jobs/3"}, Actor: "ada", From: noon, Until: noon.Add(time.Hour), Limit: 5})
	})
	if len(events) != 1 || events[0].Revision != 4 || events[0].Token != "desk" || events[0].Method != "/bayhold.v1.TestService/Say" {
		t.Errorf("got %+v", events)
	}
}

// TestTheChainByPlainSQL works the chain out anew by nothing but PostgreSQL's
// own functions, and wants what the trigger sealed and Go read.
func TestTheChainByPlainSQL(t *testing.T) {
	t.Parallel()
	s, db := logged(t)
	var n, bad int
	var head []byte
	err := db.Pool(t).QueryRow(t.Context(), `
		WITH RECURSIVE part AS (
			SELECT revision, seal, int8send(site_id) || int8send(revision) ||
				int8send((extract(epoch FROM at - timestamptz '2000-01-01 00:00:00+00') * 1000000)::bigint) ||
				(SELECT string_agg(int4send(octet_length(x)) || convert_to(x, 'UTF8'), '' ORDER BY o)
					FROM unnest(ARRAY[actor, token, method, kind, subject]) WITH ORDINALITY AS u (x, o)) ||
				int4send(coalesce(array_length(touched, 1), 0)) ||
				coalesce((SELECT string_agg(int4send(octet_length(x)) || convert_to(x, 'UTF8'), '' ORDER BY o)
					FROM unnest(touched) WITH ORDINALITY AS u (x, o)), '') ||
				decode(replace(request_id::text, '-', ''), 'hex') ||
				int4send(octet_length(details::text)) || convert_to(details::text, 'UTF8') AS bytes
			FROM event WHERE site_id = $1),
		chain AS (
			SELECT 0::bigint AS revision, decode(repeat('00', 32), 'hex') AS seal, NULL::bytea AS stored
			UNION ALL
			SELECT p.revision, sha256(convert_to('bayhold event 1', 'UTF8') || c.seal || p.bytes), p.seal
			FROM chain c JOIN part p ON p.revision = c.revision + 1)
		SELECT count(stored), count(*) FILTER (WHERE stored <> seal), (array_agg(seal ORDER BY revision DESC))[1] FROM chain`,
		SiteKey("north")).Scan(&n, &bad, &head)
	if err != nil || n != 10 || bad != 0 {
		t.Errorf("%d events, %d of them sealed otherwise: %v", n, bad, err)
	}
	told := view(t, s, func(ctx context.Context, r Reader) (Head, error) { return r.Head(ctx) })
	if told.Revision != 10 || trail.Seal(head) != told.Seal || told.SealedLater != 0 {
		t.Errorf("the counter tells %+v, SQL %x", told, head)
	}
}

// TestAForgedLogIsFound has a superuser change each column of an event, and
// whatever else can be done to a log, and wants each found where it was done.
func TestAForgedLogIsFound(t *testing.T) {
	t.Parallel()
	s, db := logged(t)
	conn := db.AsSuperuser(t)
	free := []string{
		"ALTER TABLE event DISABLE TRIGGER ALL", "ALTER TABLE event DROP CONSTRAINT event_pkey", "ALTER TABLE event DROP CONSTRAINT event_site_id_fkey",
		"ALTER TABLE event DROP CONSTRAINT event_seal_check",
	}
	forged := map[string][2]string{ // what is done, and what is to be found of it: kind and revision
		"another site":    {"UPDATE event SET site_id = site_id + 1 WHERE revision = 5", "MISSING 5"},
		"another number":  {"UPDATE event SET revision = 50 WHERE revision = 5", "MISSING 5"},
		"another time":    {"UPDATE event SET at = at + interval '1 microsecond' WHERE revision = 5", "ALTERED 5"},
		"no time at all":  {"UPDATE event SET at = 'infinity' WHERE revision = 5", "ALTERED 5"},
		"another user":    {"UPDATE event SET actor = 'bob' WHERE revision = 5", "ALTERED 5"},
		"another token":   {"UPDATE event SET token = '' WHERE revision = 5", "ALTERED 5"},
		"another call":    {"UPDATE event SET method = method || ' ' WHERE revision = 5", "ALTERED 5"},
		"another kind":    {"UPDATE event SET kind = 'test.sung' WHERE revision = 5", "ALTERED 5"},
		"another subject": {"UPDATE event SET subject = 'jobs/7' WHERE revision = 5", "ALTERED 5"},
		"moved text":      {"UPDATE event SET actor = actor || token, token = '' WHERE revision = 5", "ALTERED 5"},
		"less touched":    {"UPDATE event SET touched = touched[1:2] WHERE revision = 5", "ALTERED 5"},
		"other shape":     {"UPDATE event SET touched = ARRAY[[touched[1]], [touched[2]], [touched[3]]] WHERE revision = 5", "ALTERED 5"},
		"a hole":          {"UPDATE event SET touched = ARRAY[touched[1], NULL, touched[3]] WHERE revision = 5", "ALTERED 5"},
		"another request": {"UPDATE event SET request_id = '4a5b7a4e-3c1b-4a62-9d6a-8f2f2a0c4a11' WHERE revision = 5", "ALTERED 5"},
		"other details":   {"UPDATE event SET details = jsonb_set(details, '{before}', '40') WHERE revision = 5", "ALTERED 5"},
		"another seal":    {"UPDATE event SET seal = sha256('x') WHERE revision = 5", "ALTERED 5"},
		"a short seal":    {"UPDATE event SET seal = '\\x00' WHERE revision = 5", "ALTERED 5"},
		"the first":       {"UPDATE event SET actor = 'bob' WHERE revision = 1", "ALTERED 1"},
		"the last":        {"UPDATE event SET actor = 'bob' WHERE revision = 10", "ALTERED 10"},
		"changed and sealed again": {`UPDATE event e SET actor = 'bob', seal = event_seal(p.seal, jsonb_populate_record(e, '{"actor": "bob"}'))
			FROM event p WHERE e.revision = 5 AND p.revision = 4`, "ALTERED 6"},
		"one gone":               {"DELETE FROM event WHERE revision = 5", "MISSING 5"},
		"several gone":           {"DELETE FROM event WHERE revision BETWEEN 3 AND 6", "MISSING 3"},
		"the first gone":         {"DELETE FROM event WHERE revision = 1", "MISSING 1"},
		"the end gone":           {"DELETE FROM event WHERE revision > 7", "MISSING 8"},
		"all gone":               {"TRUNCATE event", "MISSING 1"},
		"one gone, others moved": {"DELETE FROM event WHERE revision = 5; UPDATE event SET revision = revision - 1 WHERE revision > 5", "MISSING 5"},
		"two gone, others moved": {"DELETE FROM event WHERE revision IN (5, 6); UPDATE event SET revision = revision - 2 WHERE revision > 6", "MISSING 5"},
		"one put in":             {"UPDATE event SET revision = revision + 1 WHERE revision >= 5; INSERT INTO event SELECT site_id, 5, at, actor, kind, subject, touched, request_id, details, token, method, sha256('x') FROM event WHERE revision = 4", "INSERTED 5"},
		"one before the first":   {"INSERT INTO event SELECT site_id, 0, at, actor, kind, subject, touched, request_id, details, token, method, seal FROM event WHERE revision = 4", "INSERTED 0"},
		"one after the last":     {"INSERT INTO event SELECT site_id, 11, at, actor, kind, subject, touched, request_id, details, token, method, sha256('x') FROM event WHERE revision = 4", "INSERTED 11"},
		"the same twice":         {"INSERT INTO event SELECT * FROM event WHERE revision = 4", "INSERTED 4"},
		"neighbours swapped":     {"UPDATE event SET revision = 9 - revision WHERE revision IN (4, 5)", "WRONG_ORDER 4"},
		"two far apart swapped":  {"UPDATE event SET revision = 11 - revision WHERE revision IN (2, 9)", "WRONG_ORDER 2"},
		"another counter":        {"UPDATE site_counter SET revision = 11", "MISSING 11"},
		"a lower counter":        {"UPDATE site_counter SET revision = 9", "HEAD_ALTERED 10"},
		"another head":           {"UPDATE site_counter SET head = sha256('x')", "HEAD_ALTERED 10"},
	}
	columns := map[string]bool{}
	for name, f := range forged {
		tx, err := conn.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, sql := range append(append([]string{}, free...), strings.Split(f[0], ";")...) {
			if _, err := tx.Exec(t.Context(), sql); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		b, err := judge(t.Context(), tx)
		switch {
		case err != nil:
			t.Errorf("%s: %v", name, err)
		case b == nil:
			t.Errorf("%s is not found", name)
		case fmt.Sprintf("%s %d", b.Kind, b.Revision) != f[1]:
			t.Errorf("%s is found as %+v, want %s", name, *b, f[1])
		}
		if err := tx.Rollback(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, set, is := strings.Cut(f[0], "UPDATE event SET "); is {
			column, _, _ := strings.Cut(set, " ")
			columns[column] = true
		}
	}
	for _, c := range columnsOf(t, conn) {
		if !columns[c] {
			t.Errorf("the column %s is not altered by this test", c)
		}
	}
	if b := verdict(t, s); b != nil {
		t.Errorf("after all that: %+v", b)
	}
}

// judge looks at the chain as a transaction sees it.
func judge(ctx context.Context, tx pgx.Tx) (*trail.Break, error) {
	r := Reader{tx: &wire{conn: tx}, siteID: SiteKey("north")}
	rows, err := r.Trail(ctx, 0, 1000)
	if err != nil {
		return nil, err
	}
	head, err := r.Head(ctx)
	at := trail.Walk(trail.Checkpoint{}, rows)
	return trail.Diagnose(at, rows[at.Revision:], head.Checkpoint), err
}

func columnsOf(t *testing.T, conn *pgx.Conn) []string {
	t.Helper()
	rows, err := conn.Query(t.Context(), "SELECT attname FROM pg_attribute WHERE attrelid = 'event'::regclass AND attnum > 0 AND NOT attisdropped")
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// TestTheProgramBeforeGoesOn writes an event as the program before the trail
// did: with a number of its own from the counter.
func TestTheProgramBeforeGoesOn(t *testing.T) {
	t.Parallel()
	s, db := logged(t)
	_, err := db.Pool(t).Exec(t.Context(), `
		WITH next AS (
			UPDATE site_counter SET revision = revision + 1 WHERE site_id = $1 RETURNING revision)
		INSERT INTO event (site_id, revision, at, actor, kind, subject, touched, request_id, details)
		SELECT $1, revision, $2, $3, $4, $5, $6, $7, $8 FROM next`,
		SiteKey("north"), noon, "old", "test.said", "", []string{}, uuid.New(), "{}")
	if err != nil {
		t.Fatal(err)
	}
	if b := verdict(t, s); b != nil {
		t.Errorf("the chain is broken: %+v", b)
	}
	_, err = db.Pool(t).Exec(t.Context(), `
		INSERT INTO event (site_id, revision, at, actor, kind, subject, touched, request_id, details)
		VALUES ($1, 20, $2, '', '', '', '{}', $3, '{}')`, SiteKey("north"), noon, uuid.New())
	if err == nil {
		t.Error("an event got a number that the counter did not give")
	}
}
