package store

import (
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/fault"
	"bayhold/internal/measure"
)

// Retries of a transaction that lost against another one.
const (
	maxTries   = 8
	firstPause = 10 * time.Millisecond
	undoTime   = 5 * time.Second
)

// Tx is one transaction on one site. Its time is fixed, so that all it writes
// carries the same instant.
type Tx struct {
	Reader
	now    time.Time
	actor  string // the user who acts
	events []Event
}

// Request names a mutating call, so that a repeat of it does nothing.
type Request struct {
	Site    string
	ID      uuid.UUID
	Method  string
	Content [32]byte // SHA-256 of what was asked
	Actor   string   // name of the user
	Token   string   // name of the token that they showed; empty for none
	Now     time.Time
	// NewSite lets the call make the site if there is none.
	NewSite bool
}

// Now is the transaction's time.
func (t *Tx) Now() time.Time { return t.now }

// Act runs a mutating call as one transaction: all of it or nothing. The first
// answer to a request id is kept and given again to a repeat, which does
// nothing; the same id with other content is refused. fn may run several times
// and must assign, not append, to what it captures.
//
// A transaction that loses to another is tried again within ctx. When COMMIT
// gets no answer, the request id tells whether it went through.
func Act[T any](ctx context.Context, s *Store, req Request, fn func(context.Context, *Tx) (T, error)) (T, error) {
	var answer T
	err := s.retry(ctx, func() error {
		var fresh T
		answer = fresh
		return s.once(ctx, req, func(ctx context.Context, tx *Tx) (json.RawMessage, error) {
			var err error
			if answer, err = fn(ctx, tx); err != nil {
				return nil, err
			}
			return json.Marshal(answer)
		}, func(stored json.RawMessage) error {
			var first T
			answer = first
			return json.Unmarshal(stored, &answer)
		})
	})
	if err != nil {
		var none T
		return none, asFault(ctx, err)
	}
	return answer, nil
}

// retry runs try until it succeeds, fails for good, or ctx ends.
func (s *Store) retry(ctx context.Context, try func() error) error {
	pause := firstPause
	for n := 1; ; n++ {
		err := try()
		if err == nil || n == maxTries || !retryable(err) {
			return err
		}
		measure.Add(ctx, measure.Retries, 1, "")
		jittered := pause/2 + rand.N(pause)
		pause *= 2
		select {
		case <-ctx.Done():
			return err
		case <-time.After(jittered):
		}
	}
}

// once is a single try of Act.
func (s *Store) once(ctx context.Context, req Request,
	do func(context.Context, *Tx) (json.RawMessage, error), repeat func(json.RawMessage) error,
) error {
	pgtx, err := s.pool.Begin(ctx)
	if err != nil {
		return err
	}
	// The rollback must reach the server even if the caller is gone; after a
	// commit it does nothing.
	defer func() {
		undo, cancel := context.WithTimeout(context.WithoutCancel(ctx), undoTime)
		defer cancel()
		_ = pgtx.Rollback(undo)
	}()

	tx := &Tx{Reader: Reader{tx: pgtx, siteID: siteKey(req.Site)}, now: req.Now, actor: req.Actor}
	stored, err := tx.claimRequest(ctx, req)
	if err != nil {
		return err
	}
	if stored != nil {
		return repeat(stored)
	}
	answer, err := do(ctx, tx)
	if err != nil {
		return err
	}
	if err := tx.finish(ctx, req, answer); err != nil {
		return err
	}
	if err := pgtx.Commit(ctx); err != nil {
		if err := s.settle(ctx, req, err); err != nil {
			return err
		}
	}
	for _, e := range tx.events {
		measure.Add(ctx, measure.Events, 1, e.Kind)
	}
	return nil
}

// settle decides what became of a transaction whose COMMIT failed. With a
// SQLSTATE the server has said no. Without one nobody knows: the request id
// tells, on another connection.
func (s *Store) settle(ctx context.Context, req Request, commitErr error) error {
	if sqlstate(commitErr) != "" || errors.Is(commitErr, pgx.ErrTxCommitRollback) {
		return commitErr
	}
	look, cancel := context.WithTimeout(context.WithoutCancel(ctx), undoTime)
	defer cancel()
	var there bool
	err := s.pool.QueryRow(look,
		"SELECT EXISTS (SELECT FROM request WHERE site_id = $1 AND request_id = $2)",
		siteKey(req.Site), req.ID).Scan(&there)
	switch {
	case err == nil && there:
		return nil
	case err == nil:
		return fault.New(fault.Unavailable, "NOT_WRITTEN",
			"the connection to the database broke; nothing was written: repeat with the same request id").Because(commitErr)
	}
	return fault.New(fault.Unavailable, "UNKNOWN",
		"the connection to the database broke before it answered: repeat with the same request id to learn what became of it").Because(commitErr)
}

// claimRequest lets one call at a time go on under a request id, and gives the
// stored answer if there is one.
func (t *Tx) claimRequest(ctx context.Context, req Request) (json.RawMessage, error) {
	var batch pgx.Batch
	// Advisory, for this transaction only: the second of two equal calls must
	// see the first one's answer, not its bookings.
	batch.Queue("SELECT pg_advisory_xact_lock(hashtextextended($1, $2))", req.ID.String(), t.siteID)
	batch.Queue("SELECT slug FROM site WHERE site_id = $1", t.siteID)
	batch.Queue("SELECT method, content, answer FROM request WHERE site_id = $1 AND request_id = $2", t.siteID, req.ID)
	results := t.tx.SendBatch(ctx, &batch)
	defer func() { _ = results.Close() }()

	if _, err := results.Exec(); err != nil {
		return nil, err
	}
	var slug string
	switch err := results.QueryRow().Scan(&slug); {
	case errors.Is(err, pgx.ErrNoRows) && req.NewSite:
	case errors.Is(err, pgx.ErrNoRows):
		return nil, noSite(req.Site)
	case err != nil:
		return nil, err
	case slug != req.Site:
		return nil, fault.New(fault.Exists, "SITE_KEY", "the id %q cannot be used for a site here: choose another", req.Site)
	}
	var method string
	var content []byte
	var answer json.RawMessage
	switch err := results.QueryRow().Scan(&method, &content, &answer); {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, results.Close()
	case err != nil:
		return nil, err
	case method != req.Method || [32]byte(content) != req.Content:
		return nil, fault.New(fault.Invalid, "REQUEST_ID_REUSED",
			"request id %s was used for something else: take a new one for each act", req.ID)
	}
	return answer, results.Close()
}

// finish writes the answer and the events.
func (t *Tx) finish(ctx context.Context, req Request, answer json.RawMessage) error {
	var batch pgx.Batch
	batch.Queue("INSERT INTO request (site_id, request_id, method, content, answer, at) VALUES ($1, $2, $3, $4, $5, $6)",
		t.siteID, req.ID, req.Method, req.Content[:], answer, t.now)
	if err := t.logEvents(&batch, req); err != nil {
		return err
	}
	return t.tx.SendBatch(ctx, &batch).Close()
}

func noSite(slug string) error {
	return fault.New(fault.NotFound, "SITE", "there is no site %q: import a workshop file first, or ask for the list of sites", slug)
}
