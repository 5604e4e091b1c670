package localpg

import (
	"context"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
)

// furnish makes the roles and the database, each unless it is there, and gives
// the roles their passwords, for those files may have been lost.
func (s *Server) furnish(ctx context.Context) error {
	conn, err := pgconn.Connect(ctx, s.SuperuserURL("postgres"))
	if err != nil {
		if ctx.Err() != nil {
			return interrupted(ctx.Err())
		}
		return s.notReady(err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	has := func(query string) bool {
		if err != nil {
			return true
		}
		var found []*pgconn.Result
		found, err = conn.Exec(ctx, query).ReadAll()
		return err != nil || len(found[0].Rows) > 0
	}
	run := func(sql string) {
		if err == nil {
			_, err = conn.Exec(ctx, sql).ReadAll()
		}
	}
	// Neither names nor password need quoting: rand.Text is base32.
	for role, password := range map[string]string{Role: s.passwords.role, ServerRole: s.passwords.server} {
		if !has("SELECT FROM pg_roles WHERE rolname = '" + role + "'") {
			run("CREATE ROLE " + role + " LOGIN")
		}
		run("ALTER ROLE " + role + " PASSWORD '" + password + "'")
	}
	if !has("SELECT FROM pg_database WHERE datname = '" + Database + "'") {
		run("CREATE DATABASE " + Database + " OWNER " + Role)
	}
	if err != nil {
		return fault.New(fault.Unavailable, "POSTGRES_START", "the database %s could not be made", Database).Because(err)
	}
	return nil
}

// Renew throws away all that Database holds and makes it anew, empty. For
// demonstrations only.
func (s *Server) Renew(ctx context.Context) error {
	conn, err := pgconn.Connect(ctx, s.SuperuserURL("postgres"))
	if err != nil {
		return s.notReady(err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, sql := range []string{
		"DROP DATABASE IF EXISTS " + Database + " WITH (FORCE)",
		"CREATE DATABASE " + Database + " OWNER " + Role,
	} {
		if _, err := conn.Exec(ctx, sql).ReadAll(); err != nil {
			return s.notReady(err)
		}
	}
	return nil
}
