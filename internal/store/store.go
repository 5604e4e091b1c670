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
	pool *pgxpool.Pool
}

// Session limits. A transaction that outlives them is a defect or a stuck
// client, and either would hold the locks of a whole bay.
const (
	statementTimeout = 20 * time.Second
	lockTimeout      = 8 * time.Second
	idleTimeout      = 20 * time.Second
)

// Open connects to the database at url and answers when a connection stands.
// An unreachable database is Unavailable, an unusable url Invalid.
func Open(ctx context.Context, url string) (*Store, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fault.New(fault.Invalid, "DATABASE_URL", "the database address cannot be read: give a PostgreSQL connection string such as postgres://user@host/name").Because(err)
	}
	// By SET, not as start-up parameters: poolers in between refuse those.
	cfg.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		_, err := conn.Exec(ctx, fmt.Sprintf(
			"SET statement_timeout = %d; SET lock_timeout = %d; SET idle_in_transaction_session_timeout = %d; SET timezone = 'UTC'",
			statementTimeout.Milliseconds(), lockTimeout.Milliseconds(), idleTimeout.Milliseconds()))
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, asFault(ctx, err)
	}
	s := &Store{pool: pool}
	if err := s.Ping(ctx); err != nil {
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

// siteKey derives the number under which a site's rows lie from its slug, so
// that a site is found by its primary key alone. Should two slugs ever share
// one, the second is refused when it is made.
func siteKey(slug string) int64 {
	sum := sha256.Sum256([]byte(slug))
	return int64(binary.BigEndian.Uint64(sum[:8]) >> 1)
}
