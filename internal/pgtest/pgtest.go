// Package pgtest gives each test a database of its own. Tests import it and
// nothing else does.
//
// The PostgreSQL behind it is the first of
//
//  1. the server that TEST_DATABASE_URL names,
//  2. a container of the image BAYHOLD_TEST_IMAGE, where a Docker engine answers,
//  3. a throw-away cluster of the PostgreSQL that this machine has.
//
// BAYHOLD_TEST_ON, set to "container" or "local", admits only that one. Without
// any server a test fails and says why; it is never skipped.
//
// A package's test process has one server, started by the first test that asks
// and ended with the process, however that ends: see keeper. On it stands one
// template with all migrations; a test's database is a copy of it, which takes
// some 50 ms and shares nothing with other tests, not even advisory locks and
// LISTEN channels. The databases are owned by a role that is no superuser, and
// tests work on them as one that may do no more than a workshop's server.
package pgtest

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"
	"testing"
	"time"

	"bayhold/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// DB is a database that belongs to one test.
type DB struct {
	// URL is a connection string for pgx. It works as a role with the rights of
	// a workshop's server; as Owner in an empty database, and where the role of
	// TEST_DATABASE_URL may not make such a one.
	URL string
	// Owner is one for the owner of the database.
	Owner string
	// Superuser is one for the same database as a superuser; empty where
	// TEST_DATABASE_URL names a role that is none.
	Superuser string

	name string
}

// New makes a database with all migrations and nothing in it. It is dropped
// when the test ends, unless the test failed on a server that outlives it.
func New(t testing.TB) *DB {
	t.Helper()
	s := shared(t)
	name := templateName()
	if err := s.template(t.Context(), name); err != nil {
		t.Fatalf("pgtest: make the template: %v", err)
	}
	db := s.create(t, name)
	if s.role != "" {
		db.URL = asRole(db.URL, s.role)
	}
	return db
}

// Empty makes a database without migrations, like New otherwise.
func Empty(t testing.TB) *DB {
	t.Helper()
	return shared(t).create(t, "template0")
}

// Copy makes a copy of a database to which nobody is connected.
func (db *DB) Copy(t testing.TB) *DB {
	t.Helper()
	return shared(t).create(t, db.name)
}

// poolSize is small, so that tests at once stay below max_connections.
const poolSize = 4

// Pool opens a pool of four connections as the owner, closed when the test ends.
func (db *DB) Pool(t testing.TB) *pgxpool.Pool {
	t.Helper()
	config, err := pgxpool.ParseConfig(db.Owner)
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	config.MaxConns = poolSize
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatalf("pgtest: open a pool: %v", err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// AsSuperuser opens a connection for somebody who may do anything, closed when
// the test ends.
func (db *DB) AsSuperuser(t testing.TB) *pgx.Conn {
	t.Helper()
	if db.Superuser == "" {
		t.Fatal("pgtest: this test needs a superuser: let TEST_DATABASE_URL name one, or leave it out")
	}
	conn, err := pgx.Connect(t.Context(), db.Superuser)
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// create copies a template and has the copy dropped when the test ends.
func (s *server) create(t testing.TB, template string) *DB {
	t.Helper()
	name := "bayhold_test_" + strings.ToLower(rand.Text()[:10])
	if err := s.exec(t.Context(), "CREATE DATABASE "+name+" TEMPLATE "+template); err != nil {
		t.Fatalf("pgtest: make a database: %v", err)
	}
	db := &DB{URL: at(s.url, name), Owner: at(s.url, name), name: name}
	if s.superuser != "" {
		db.Superuser = at(s.superuser, name)
	}
	t.Cleanup(func() {
		if t.Failed() && s.outlives {
			t.Logf("pgtest: kept for you to look at: %s", db.URL)
			return
		}
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := s.exec(ctx, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)"); err != nil {
			t.Errorf("pgtest: drop %s: %v", name, err)
		}
	})
	return db
}

// template sees to it that the database name has all migrations. The first
// process that needs it makes it, under a lock for which others wait; one that
// was killed while at it leaves a database that is no template yet, and the
// next starts afresh.
func (s *server) template(ctx context.Context, name string) error {
	s.templating.Lock()
	defer s.templating.Unlock()
	if s.made {
		return nil
	}
	conn, err := pgx.Connect(ctx, s.url)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	// The lock ends with the connection.
	if _, err := conn.Exec(ctx, "SELECT pg_advisory_lock(hashtext($1))", name); err != nil {
		return err
	}
	var whole bool
	err = conn.QueryRow(ctx, "SELECT coalesce(bool_or(datistemplate), false) FROM pg_database WHERE datname = $1", name).Scan(&whole)
	if err != nil {
		return err
	}
	if !whole {
		if err := s.buildTemplate(ctx, name); err != nil {
			return err
		}
	}
	s.made = true
	return nil
}

func (s *server) buildTemplate(ctx context.Context, name string) error {
	for _, sql := range []string{
		"DROP DATABASE IF EXISTS " + name + " WITH (FORCE)",
		"CREATE DATABASE " + name + " TEMPLATE template0",
	} {
		if err := s.exec(ctx, sql); err != nil {
			return err
		}
	}
	if err := migrations.Up(ctx, at(s.url, name), nil); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	if s.role != "" {
		if err := migrations.Grant(ctx, at(s.url, name), s.role); err != nil {
			return fmt.Errorf("grant: %w", err)
		}
	}
	// Nobody may connect: a database in use cannot be copied.
	return s.exec(ctx, "ALTER DATABASE "+name+" ALLOW_CONNECTIONS false IS_TEMPLATE true")
}

// templateName tells templates with a server's role from those without.
func templateName() string { return "bayhold_template_" + migrations.Hash() + "_r" }
