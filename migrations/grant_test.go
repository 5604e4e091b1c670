package migrations_test

import (
	"context"
	"errors"
	"testing"

	"bayhold/internal/fault"
	"bayhold/internal/pgtest"
	"bayhold/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// serverRole is the role that tests work as on a migrated database.
func serverRole(t *testing.T, db *pgtest.DB) string {
	t.Helper()
	if db.URL == db.Owner {
		t.Fatal("this test needs a role besides the owner: let TEST_DATABASE_URL name one that may make roles, or leave it out")
	}
	var role string
	if err := connect(t, db.URL).QueryRow(t.Context(), "SELECT current_user").Scan(&role); err != nil {
		t.Fatal(err)
	}
	return role
}

// TestWhatTheServersRoleCannotDo tries what would change the schema, the log or
// the role's own rights.
func TestWhatTheServersRoleCannotDo(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	role := serverRole(t, db)
	_, err := db.Pool(t).Exec(t.Context(), `
		INSERT INTO site (site_id, slug, display_name, time_zone) VALUES (1, 'a', 'A', 'UTC');
		INSERT INTO site_counter (site_id) VALUES (1);
		INSERT INTO event (site_id, at, actor, kind, subject, touched, request_id, details)
			VALUES (1, now(), '', 'said', '', '{}', gen_random_uuid(), '{}');
		INSERT INTO request (site_id, request_id, method, content, answer, at)
			VALUES (1, gen_random_uuid(), 'm', 'c', '{}', now())`)
	if err != nil {
		t.Fatal(err)
	}
	conn := connect(t, db.URL)
	for _, sql := range []string{
		"UPDATE event SET actor = 'x'",
		"DELETE FROM event",
		"TRUNCATE event",
		"TRUNCATE site CASCADE",
		"DO $$ BEGIN LOCK TABLE event IN ACCESS EXCLUSIVE MODE; END $$",
		"INSERT INTO event (site_id, revision, at, actor, kind, subject, touched, request_id, details) VALUES (1, 2, now(), '', '', '', '{}', gen_random_uuid(), '{}')",
		"INSERT INTO event (site_id, seal, at, actor, kind, subject, touched, request_id, details) VALUES (1, sha256(''), now(), '', '', '', '{}', gen_random_uuid(), '{}')",
		"UPDATE site_counter SET revision = 0",
		"UPDATE site_counter SET head = sha256('x')",
		"DELETE FROM site_counter",
		"INSERT INTO site_counter (site_id, revision) VALUES (2, 7)",
		"UPDATE request SET answer = '{}'",
		"DELETE FROM request",
		"UPDATE goose_db_version SET version_id = 1",
		"DELETE FROM goose_db_version",
		"ALTER TABLE event DISABLE TRIGGER seal",
		"DROP TRIGGER seal ON event",
		"CREATE TRIGGER more BEFORE INSERT ON event FOR EACH ROW EXECUTE FUNCTION suppress_redundant_updates_trigger()",
		"CREATE RULE no AS ON INSERT TO event DO INSTEAD NOTHING",
		"CREATE OR REPLACE FUNCTION public.event_seal(before bytea, e event) RETURNS bytea LANGUAGE sql AS 'SELECT before'",
		"DROP FUNCTION seal_event",
		"SET session_replication_role = replica",
		"CREATE TEMP TABLE forge (LIKE event); CREATE TRIGGER forge BEFORE INSERT ON forge FOR EACH ROW EXECUTE FUNCTION seal_event()",
		"ALTER TABLE bay ADD COLUMN x int",
		"ALTER TABLE booking DROP CONSTRAINT booking_no_overlap",
		"ALTER TABLE event OWNER TO CURRENT_USER",
		"DROP TABLE booking",
		"DROP SCHEMA public CASCADE",
		"CREATE TABLE public.mine (x int)",
		"CREATE INDEX ON booking (note)",
		"CREATE FUNCTION public.mine() RETURNS int LANGUAGE sql AS 'SELECT 1'",
		"CREATE SCHEMA mine",
		"CREATE EXTENSION pgcrypto",
		"CREATE ROLE mine",
		"ALTER ROLE CURRENT_USER SUPERUSER",
		"ALTER SYSTEM SET fsync = off",
		"COPY bay TO PROGRAM 'true'",
		"COPY bay FROM '/etc/passwd'",
		"SELECT pg_read_file('/etc/passwd')",
	} {
		_, err := conn.Exec(t.Context(), sql)
		if pe := new(pgconn.PgError); !errors.As(err, &pe) || pe.Code != "42501" {
			t.Errorf("%s as %s: %v, want it refused for want of privilege", sql, role, err)
		}
	}
	// Of a right that is granted by somebody who has none to give, only a warning tells.
	if _, err := conn.Exec(t.Context(), "GRANT UPDATE ON event TO CURRENT_USER"); err == nil {
		if _, err := conn.Exec(t.Context(), "UPDATE event SET actor = 'x'"); err == nil {
			t.Error("the role gave itself rights")
		}
	}
	if _, err := conn.Exec(t.Context(), "INSERT INTO event (site_id, at, actor, kind, subject, touched, request_id, details) VALUES (1, now(), '', 'said', '', '{}', gen_random_uuid(), '{}')"); err != nil {
		t.Errorf("the role cannot do what it is there for: %v", err)
	}
}

// TestLaterStepsAreGrantedToo grants at an early step, and wants the rights on
// what the steps after it bring.
func TestLaterStepsAreGrantedToo(t *testing.T) {
	t.Parallel()
	ctx, db := t.Context(), pgtest.Empty(t)
	role := serverRole(t, pgtest.New(t))
	if err := migrations.UpWith(ctx, before(t, "00005"), db.URL, nil); err != nil {
		t.Fatal(err)
	}
	if err := migrations.Grant(ctx, db.URL, role); err != nil {
		t.Fatal(err)
	}
	if err := migrations.Up(ctx, db.URL, nil); err != nil {
		t.Fatal(err)
	}
	var lacking []string
	err := db.Pool(t).QueryRow(ctx, `
		SELECT coalesce(array_agg(relname::text), '{}') FROM pg_class
		WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND NOT has_table_privilege($1, oid, 'SELECT')`, role).Scan(&lacking)
	if err != nil || len(lacking) > 0 {
		t.Errorf("no right to read %v: %v", lacking, err)
	}
}

func TestGrantRefuses(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var owner string
	if err := db.Pool(t).QueryRow(t.Context(), "SELECT current_user").Scan(&owner); err != nil {
		t.Fatal(err)
	}
	for role, want := range map[string]fault.Kind{"nobody_here": fault.NotFound, owner: fault.Invalid} {
		if err := migrations.Grant(t.Context(), db.Owner, role); fault.KindOf(err) != want {
			t.Errorf("%s: %v, want a fault of kind %v", role, err, want)
		}
	}
	role := serverRole(t, db)
	if err := migrations.Grant(t.Context(), db.URL, role); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("the role gives itself rights: %v", err)
	}
}
