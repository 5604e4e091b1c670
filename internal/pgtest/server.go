package pgtest

import (
	"context"
	"errors"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// server is the PostgreSQL that this process's tests share.
type server struct {
	// url leads to a database from which others can be made, as a role that may.
	url string
	// superuser is the same as a superuser, if there is one to be had.
	superuser string
	// role is a role with no rights but those that it is granted, of which url's
	// is a member; empty if none could be made.
	role string
	// outlives says that the server is there after the tests.
	outlives bool
	// leash keeps the keeper's standard input open for as long as we live.
	leash *os.File

	templating sync.Mutex
	made       bool
}

var find = sync.OnceValues(func() (*server, error) {
	if u := os.Getenv("TEST_DATABASE_URL"); u != "" {
		s := &server{url: u, outlives: true}
		super, err := isSuperuser(u)
		if err != nil {
			return nil, err
		}
		if super {
			s.superuser = u
		}
		s.role, err = makeServerRole(u)
		return s, err
	}
	return startKeeper()
})

// shared is the server, or the test's end.
func shared(t testing.TB) *server {
	t.Helper()
	s, err := find()
	if err != nil {
		t.Fatalf("pgtest: there is no PostgreSQL to test on: %v", err)
	}
	return s
}

func isSuperuser(u string) (super bool, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, u)
	if err != nil {
		return false, err
	}
	defer conn.Close(ctx)
	err = conn.QueryRow(ctx, "SELECT rolsuper FROM pg_roles WHERE rolname = current_user").Scan(&super)
	return super, err
}

// serverRole stands for the role of a workshop's server.
const serverRole = "bayhold_test_server"

// makeServerRole makes it, unless it is
// there, and lets the role of u work as it. Empty if that role may not.
func makeServerRole(u string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, u)
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, "CREATE ROLE "+serverRole)
	pe := new(pgconn.PgError)
	switch {
	case err == nil:
	case !errors.As(err, &pe):
		return "", err
	case pe.Code == "42710" || pe.Code == "23505": // another process made it
	case pe.Code == "42501":
		return "", nil
	default:
		return "", err
	}
	var may bool
	err = conn.QueryRow(ctx, "SELECT pg_has_role(current_user, $1, 'MEMBER')", serverRole).Scan(&may)
	if err == nil && !may {
		_, err = conn.Exec(ctx, "GRANT "+serverRole+" TO CURRENT_USER")
	}
	return serverRole, err
}

// asRole is the connection string u of somebody who works as another role from
// the first moment on: what is no setting of the driver goes to the server.
func asRole(u, role string) string {
	p, err := url.Parse(u)
	if err != nil || p.Scheme == "" {
		return u + " role=" + role
	}
	p.RawQuery = strings.TrimPrefix(p.RawQuery+"&role="+role, "&")
	return p.String()
}

// exec runs one statement on a connection of its own, again for as long as a
// connection to the database that it is about winds up.
func (s *server) exec(ctx context.Context, sql string) error {
	conn, err := pgx.Connect(ctx, s.url)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for range 200 {
		_, err = conn.Exec(ctx, sql)
		if pe := new(pgconn.PgError); !errors.As(err, &pe) || !passing(pe.Code, sql) {
			return err
		}
		select {
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return err
}

// passing tells whether a moment mends a refusal: somebody is in the database who
// is about to leave (55006) or, when it is to be dropped, whom only a superuser
// may show out (42501), such as a test's superuser connection closed just now.
func passing(code, sql string) bool {
	return code == "55006" || code == "42501" && strings.HasPrefix(sql, "DROP ")
}

// at is the connection string u with another database.
func at(u, database string) string {
	p, err := url.Parse(u)
	if err != nil || p.Scheme == "" {
		return u + " dbname=" + database // keywords and values: the last one counts
	}
	p.Path = "/" + database
	return p.String()
}
