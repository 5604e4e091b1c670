// Package migrations holds the numbered steps that bring a database to the
// schema of this program, and takes them under a lock, so that two servers
// that start together do not fight.
//
// schema.sql beside them shows where all steps together lead; it is made from
// the catalogue of a migrated database, for people to read and for reviews.
//
// Each step must leave the program before it able to work: servers of a group
// are replaced one after the other.
package migrations

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:generate go test -count=1 -run ^TestSchemaSnapshot$ . -update

// FS holds the steps: NNNNN_name.sql, in goose's format.
//
//go:embed [0-9]*.sql
var FS embed.FS

// lockID is the advisory lock that migrators take: "bayhold" in ASCII.
const lockID = 0x62_61_79_68_6f_6c_64

// Up takes every step that the database at url lacks, and tells progress, which
// may be nil, what it is about. A server that finds another one at it waits for
// its turn.
//
// A schema of a newer program is left alone: SCHEMA_NEWER.
func Up(ctx context.Context, url string, progress func(string)) error {
	return up(ctx, FS, url, progress)
}

// Check tells whether the schema at url is the one this program works with: it
// answers a Precondition fault, SCHEMA_OLDER or SCHEMA_NEWER, if it is not.
// It changes nothing.
func Check(ctx context.Context, url string) error {
	return check(ctx, FS, url)
}

// Versions gives the number of the last step taken at url, 0 for an empty
// database, and the number of the last step that this program has.
func Versions(ctx context.Context, url string) (have, want int64, err error) {
	return versions(ctx, FS, url)
}

// Older tells whether a database whose last step has this number is older than
// this program: a Precondition fault, SCHEMA_OLDER. A newer one is none, for each
// step leaves the program before it able to work.
func Older(have int64) error {
	want, err := last(FS)
	if err != nil || have >= want {
		return err
	}
	return compare(have, want)
}

// Hash is a name for this very set of steps: 12 hexadecimal digits.
func Hash() string {
	h := sha256.New()
	names, err := fs.Glob(FS, "*.sql") // in lexical order
	for _, name := range names {
		var b []byte
		if b, err = FS.ReadFile(name); err != nil {
			break
		}
		fmt.Fprintf(h, "%s %d\n%s", name, len(b), b)
	}
	if err != nil {
		panic("migrations: " + err.Error()) // embedded files cannot fail to be read
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}

func up(ctx context.Context, steps fs.FS, url string, progress func(string)) error {
	if progress == nil {
		progress = func(string) {}
	}
	have, want, err := versions(ctx, steps, url)
	if err != nil {
		return err
	}
	if have >= want {
		return compare(have, want)
	}
	progress(fmt.Sprintf("bringing the schema from step %d to %d", have, want))
	db, err := open(url)
	if err != nil {
		return err
	}
	defer db.Close()
	p, err := provider(db, steps, progress)
	if err != nil {
		return err
	}
	if _, err := p.Up(ctx); err != nil {
		return unavailable(ctx, "the schema could not be brought up to date", err)
	}
	return renew(ctx, url)
}

// waiter tells people that another server holds the lock.
type waiter struct {
	lock.SessionLocker
	progress func(string)
}

func (w waiter) SessionLock(ctx context.Context, conn *sql.Conn) error {
	var free bool
	if err := conn.QueryRowContext(ctx, "SELECT pg_try_advisory_lock($1)", int64(lockID)).Scan(&free); err != nil {
		return err
	}
	if free {
		return nil
	}
	w.progress("another server is bringing the schema up to date: waiting for it")
	return w.SessionLocker.SessionLock(ctx, conn)
}

func provider(db *sql.DB, steps fs.FS, progress func(string)) (*goose.Provider, error) {
	// The lock is tried each second for ten minutes; ctx may end that sooner.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockID(lockID), lock.WithLockTimeout(1, 600))
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectPostgres, db, steps,
		goose.WithSessionLocker(waiter{locker, progress}), goose.WithDisableGlobalRegistry(true))
}

func check(ctx context.Context, steps fs.FS, url string) error {
	have, want, err := versions(ctx, steps, url)
	if err != nil {
		return err
	}
	return compare(have, want)
}

func compare(have, want int64) error {
	switch {
	case have < want:
		return fault.New(fault.Precondition, "SCHEMA_OLDER",
			"the database is at schema step %d and this program needs %d: run `migrate` first", have, want)
	case have > want:
		return fault.New(fault.Precondition, "SCHEMA_NEWER",
			"the database is at schema step %d and this program knows only %d: run a newer bayhold", have, want)
	}
	return nil
}

// last is the number of the last of the steps.
func last(steps fs.FS) (int64, error) {
	names, err := fs.Glob(steps, "*.sql")
	if err != nil {
		return 0, err
	}
	want := int64(0)
	for _, name := range names {
		v, err := goose.NumericComponent(name)
		if err != nil {
			return 0, err
		}
		want = max(want, v)
	}
	return want, nil
}

// versions reads goose's table itself: the library would make it first.
func versions(ctx context.Context, steps fs.FS, url string) (have, want int64, err error) {
	if want, err = last(steps); err != nil {
		return 0, 0, err
	}
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return 0, 0, unavailable(ctx, "the database cannot be reached", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var known bool
	err = conn.QueryRow(ctx, "SELECT to_regclass('goose_db_version') IS NOT NULL").Scan(&known)
	if err == nil && known {
		err = conn.QueryRow(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&have)
	}
	if err != nil {
		return 0, 0, unavailable(ctx, "the schema's version cannot be read", err)
	}
	return have, want, nil
}

// open makes a pool of database/sql, which goose works on.
func open(url string) (*sql.DB, error) {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return nil, fault.New(fault.Invalid, "DATABASE_URL", "the database's address makes no sense").Because(err)
	}
	return stdlib.OpenDB(*config), nil
}

func unavailable(ctx context.Context, message string, err error) error {
	kind := fault.Unavailable
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		kind = fault.Deadline
	case ctx.Err() != nil:
		kind = fault.Canceled
	}
	return fault.New(kind, "DATABASE", "%s", message).Because(err)
}
