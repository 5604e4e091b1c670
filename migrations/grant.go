package migrations

import (
	"context"
	"errors"
	"strings"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5"
)

// grants are what the server needs, %s being its role: it reads and writes what
// the workshop has, and only adds to the log and to the answers that were given.
// Numbers and seals of events are not its to set.
var grants = []string{
	"REVOKE CREATE ON SCHEMA public FROM PUBLIC",
	"GRANT USAGE ON SCHEMA public TO %s",
	"REVOKE ALL ON ALL TABLES IN SCHEMA public FROM %s",
	"GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO %s",
	"REVOKE ALL ON event, site_counter, request, goose_db_version FROM %s",
	"GRANT SELECT ON event, site_counter, request, goose_db_version TO %s",
	"GRANT INSERT (site_id, at, actor, token, method, kind, subject, touched, request_id, details) ON event TO %s",
	"GRANT INSERT (site_id) ON site_counter TO %s",
	"GRANT INSERT ON request TO %s",
	"GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO %s", // ids are drawn before what bears them is written
}

// Grant gives a role that exists what the server needs in the database at url,
// and takes from it what goes beyond: it can change neither the schema nor the
// log. Run it as the owner of the tables, after Up; Up itself gives a role that
// has been granted this before what new steps brought.
//
// NotFound if there is no such role; Invalid if it owns the tables or is a
// superuser, and so cannot be held to anything.
func Grant(ctx context.Context, url, role string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return unavailable(ctx, "the database cannot be reached", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	return grant(ctx, conn, role)
}

func grant(ctx context.Context, conn *pgx.Conn, role string) error {
	var unbound, owner bool
	err := conn.QueryRow(ctx, `
		SELECT r.rolsuper OR pg_has_role(r.oid, c.relowner, 'MEMBER'), pg_has_role(c.relowner, 'USAGE')
		FROM pg_roles r, pg_class c WHERE r.rolname = $1 AND c.oid = to_regclass('event')`, role).Scan(&unbound, &owner)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return fault.New(fault.NotFound, "ROLE", "PostgreSQL has no role %q, or the database no schema yet: make the role with CREATE ROLE, and migrate", role)
	case err != nil:
		return unavailable(ctx, "the rights of the server's role cannot be read", err)
	case unbound:
		return fault.New(fault.Invalid, "ROLE", "the role %q owns the tables or is a superuser, so nothing can be kept from it: name another", role)
	case !owner: // PostgreSQL would only warn
		return fault.New(fault.Forbidden, "OWNER", "rights on the tables are their owner's to give: migrate as that role")
	}
	name := pgx.Identifier{role}.Sanitize()
	err = pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		// Two at once would stumble over the same rows of the catalogue.
		if _, err := tx.Exec(ctx, "SELECT pg_advisory_xact_lock($1)", lockID+1); err != nil {
			return err
		}
		for _, sql := range grants {
			if _, err := tx.Exec(ctx, strings.ReplaceAll(sql, "%s", name)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return unavailable(ctx, "the server's role could not be given its rights", err)
	}
	return nil
}

// renew grants anew to every role that was granted before: to write answers is
// the server's alone.
func renew(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return unavailable(ctx, "the database cannot be reached", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	rows, err := conn.Query(ctx, `
		SELECT DISTINCT r.rolname FROM pg_class c, aclexplode(c.relacl) a JOIN pg_roles r ON r.oid = a.grantee
		WHERE c.oid = to_regclass('request') AND a.privilege_type = 'INSERT' AND a.grantee <> c.relowner`)
	var roles []string
	if err == nil {
		roles, err = pgx.CollectRows(rows, pgx.RowTo[string])
	}
	if err != nil {
		return unavailable(ctx, "the rights of the server's role cannot be read", err)
	}
	for _, role := range roles {
		if err := grant(ctx, conn, role); err != nil {
			return err
		}
	}
	return nil
}
