// Package store keeps the workshop in PostgreSQL: one file an aggregate, every
// transaction in one place, every SQLSTATE turned into a fault.
//
// PostgreSQL is the judge of bookings: an exclusion constraint forbids overlap,
// and every act that books locks the resource rows in id order first, because
// two inserters of overlapping rows may otherwise deadlock (PostgreSQL source,
// execIndexing.c, comment on exclusion constraints).
package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"bayhold/internal/fault"
)

// Store is a pool of connections to one database.
type Store struct {
	pool       *pgxpool.Pool
	news       *news
	catalogues *catalogues
}

// Options say how to work with the database. The zero value has the usual limits.
type Options struct {
	// Limits of a session. A transaction that outlives them is a defect or a
	// stuck client, and either would hold the locks of a whole bay.
	StatementTimeout time.Duration // of one statement; 0: 20 s
	LockTimeout      time.Duration // of waiting for one lock; 0: 8 s
	IdleTimeout      time.Duration // of a transaction in which nothing happens; 0: 20 s
	// Connections bounds the pool; 0: what the address says, else the driver.
	Connections int
	// Catalogues bounds what is kept of what was read of sites, in bytes as they
	// come from the database; 0: 32 MB.
	Catalogues int
	// Tracer watches statements; nil for nobody.
	Tracer pgx.QueryTracer
	// Pool is shown the pool of connections once; nil for nobody.
	Pool func(*pgxpool.Pool) error
}

func (o Options) withDefaults() Options {
	for _, d := range []struct {
		at    *time.Duration
		usual time.Duration
	}{{&o.StatementTimeout, 20 * time.Second}, {&o.LockTimeout, 8 * time.Second}, {&o.IdleTimeout, 20 * time.Second}} {
		if *d.at <= 0 {
			*d.at = d.usual
		}
	}
	if o.Catalogues <= 0 {
		o.Catalogues = 32 << 20
	}
	return o
}

// Open connects to the database at url with the usual limits: see OpenWith.
func Open(ctx context.Context, url string) (*Store, error) { return OpenWith(ctx, url, Options{}) }

// OpenWith connects to the database at url and answers when a connection stands.
// An unreachable database is Unavailable, an unusable url Invalid.
func OpenWith(ctx context.Context, url string, o Options) (*Store, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fault.New(fault.Invalid, "DATABASE_URL", "the database address cannot be read: give a PostgreSQL connection string such as postgres://user@host/name").Because(err)
	}
	o = o.withDefaults()
	// By SET, not as start-up parameters: poolers in between refuse those.
	cfg.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		_, err := conn.Exec(ctx, fmt.Sprintf(
			"SET statement_timeout = %d; SET lock_timeout = %d; SET idle_in_transaction_session_timeout = %d; SET timezone = 'UTC'",
			o.StatementTimeout.Milliseconds(), o.LockTimeout.Milliseconds(), o.IdleTimeout.Milliseconds()))
		return err
	}
	cfg.ConnConfig.Tracer = o.Tracer
	if o.Connections > 0 {
		cfg.MaxConns = int32(o.Connections)
	}
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, asFault(ctx, err)
	}
	s := &Store{pool: pool, news: newNews(), catalogues: newCatalogues(o.Catalogues)}
	if o.Pool != nil {
		err = o.Pool(pool)
	}
	if err == nil {
		err = s.Ping(ctx)
	}
	if err != nil {
		pool.Close()
		return nil, err
	}
	return s, nil
}

// Close gives the connections back and waits for those in use.
func (s *Store) Close() { s.pool.Close() }

// Ping asks the database whether it is there.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.pool.Ping(ctx); err != nil {
		return asFault(ctx, err)
	}
	return nil
}

// SchemaVersion is the number of the last step that the schema has taken.
func (s *Store) SchemaVersion(ctx context.Context) (int64, error) {
	var v int64
	err := s.pool.QueryRow(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&v)
	return v, asFault(ctx, err)
}

// AwaitingStandby is how many transactions of this role have waited for longer
// than a while for a synchronous standby to have what they wrote.
func (s *Store) AwaitingStandby(ctx context.Context, longer time.Duration) (n int, err error) {
	err = s.pool.QueryRow(ctx, `SELECT count(*) FROM pg_stat_activity
		WHERE wait_event = 'SyncRep' AND state_change < now() - make_interval(secs => $1)`, longer.Seconds()).Scan(&n)
	return n, asFault(ctx, err)
}

// MayForge tells whether the role that the store works as could change or remove
// what the log holds: it is the owner of the tables, or a superuser, or was
// given more than it needs.
func (s *Store) MayForge(ctx context.Context) (bool, error) {
	var may bool
	err := s.pool.QueryRow(ctx, `SELECT has_table_privilege('event', 'UPDATE') OR has_table_privilege('event', 'DELETE')
		OR has_table_privilege('event', 'TRUNCATE') OR has_table_privilege('site_counter', 'UPDATE')`).Scan(&may)
	return may, asFault(ctx, err)
}

// siteKey derives the number under which a site's rows lie from its slug, so
// that a site is found by its primary key alone. Should two slugs ever share
// one, the second is refused when it is made.
func siteKey(slug string) int64 {
	sum := sha256.Sum256([]byte(slug))
	return int64(binary.BigEndian.Uint64(sum[:8]) >> 1)
}
