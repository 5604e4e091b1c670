package localpg

import (
	"context"

	"github.com/jackc/pgx/v5/pgconn"
)

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
