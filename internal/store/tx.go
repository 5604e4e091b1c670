package store

import (
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

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
	actor  string        // the user who acts
	locked map[Ref]int64 // ids of the resources that were taken
	drawn  ids           // for rows that are yet to be written
	events []Event

	catalogues *catalogues
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
	// DryRun answers as the act would and writes nothing: every statement is
	// carried out, every constraint asked, and then all of it taken back.
	DryRun bool
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
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return err
	}
	defer release(ctx, conn)
	w := &wire{conn: conn}

	tx := &Tx{Reader: Reader{tx: w, siteID: siteKey(req.Site)}, now: req.Now, actor: req.Actor, locked: map[Ref]int64{}, catalogues: s.catalogues}
	w.later().Queue("BEGIN")
	tx.queueClaimOf(w.later(), req)
	answer, err := do(ctx, tx)
	if err == nil && !w.spoke { // whether the call may go on must be known before its end is sent
		err = w.flush(ctx)
	}
	var before *repeated
	if errors.As(err, &before) {
		if err := affirm(ctx, conn); err != nil {
			return err
		}
		return repeat(before.answer)
	}
	if err != nil {
		return err
	}
	var batch pgx.Batch
	if err := tx.queueEnd(&batch, req, answer); err != nil {
		return err
	}
	if err := w.together(ctx, &batch); err != nil {
		if begun(conn) {
			return err
		}
		err := s.settle(ctx, req, err)
		s.tellNews(tx, req) // it may have been written, even if nobody knows
		if err != nil {
			return err
		}
	}
	if req.DryRun {
		return nil
	}
	s.tellNews(tx, req)
	for _, e := range tx.events {
		measure.Add(ctx, measure.Events, 1, e.Kind)
	}
	return nil
}

// tellNews says that the log has grown by what a transaction may have written.
func (s *Store) tellNews(tx *Tx, req Request) {
	if len(tx.events) > 0 && !req.DryRun {
		s.news.add(tx.siteID)
	}
}

// settle decides what became of a transaction whose end failed. With a SQLSTATE
// the server has said no. Without one nobody knows: the request id tells, on
// another connection, once the transaction that holds it is over.
func (s *Store) settle(ctx context.Context, req Request, endErr error) error {
	if sqlstate(endErr) != "" || errors.Is(endErr, errRolledBack) {
		return endErr
	}
	look, cancel := context.WithTimeout(context.WithoutCancel(ctx), undoTime)
	defer cancel()
	var there bool
	var batch pgx.Batch
	batch.Queue("BEGIN")
	queueTurn(&batch, siteKey(req.Site), req)
	batch.Queue("SELECT EXISTS (SELECT FROM request WHERE site_id = $1 AND request_id = $2)",
		siteKey(req.Site), req.ID).QueryRow(func(row pgx.Row) error { return row.Scan(&there) })
	queueMark(&batch)
	batch.Queue("COMMIT")
	err := s.pool.SendBatch(look, &batch).Close()
	switch {
	case err == nil && there:
		return nil
	case err == nil:
		return fault.New(fault.Unavailable, "NOT_WRITTEN",
			"the connection to the database broke; nothing was written: repeat with the same request id").Because(endErr)
	}
	return fault.New(fault.Unavailable, "UNKNOWN",
		"the connection to the database broke before it answered: repeat with the same request id to learn what became of it").Because(endErr)
}

// queueMark has a transaction that only reads commit as one that writes: it waits
// for the disk, and for a synchronous standby. What it has seen is there by then
// too. It may not have been: an act whose caller went away while it waited for the
// standby can be seen, and a standby that is promoted has it not.
func queueMark(b *pgx.Batch) {
	b.Queue("SELECT pg_logical_emit_message(true, 'bayhold', '')")
}

// affirm ends a transaction that found the answer of an earlier one, so that the
// answer may be given again.
func affirm(ctx context.Context, conn *pgxpool.Conn) error {
	var batch pgx.Batch
	batch.Queue("ROLLBACK")
	batch.Queue("BEGIN")
	queueMark(&batch)
	batch.Queue("COMMIT")
	return conn.SendBatch(ctx, &batch).Close()
}

// repeated says that the act was done before, and what it answered.
type repeated struct{ answer json.RawMessage }

// Error is for nobody's eyes: once gives the answer.
func (*repeated) Error() string { return "the request was answered before" }

// queueTurn waits until nobody else acts under the request id: the second of two
// equal calls must see the first one's answer, not its bookings. The lock is
// advisory, and ends with the transaction.
func queueTurn(b *pgx.Batch, siteID int64, req Request) {
	b.Queue("SELECT pg_advisory_xact_lock(hashtextextended($1, $2))", req.ID.String(), siteID)
}

// queueClaimOf lets one call at a time go on under a request id. The batch fails
// with repeated if there is an answer to it already.
func (t *Tx) queueClaimOf(b *pgx.Batch, req Request) {
	queueTurn(b, t.siteID, req)
	b.Queue(`SELECT s.slug, r.method, r.content, r.answer
		FROM (SELECT) AS nothing
		LEFT JOIN site s ON s.site_id = $1
		LEFT JOIN request r ON r.site_id = $1 AND r.request_id = $2`, t.siteID, req.ID).QueryRow(func(row pgx.Row) error {
		var slug, method *string
		var content []byte
		var answer json.RawMessage
		if err := row.Scan(&slug, &method, &content, &answer); err != nil {
			return err
		}
		switch {
		case slug == nil && !req.NewSite:
			return noSite(req.Site)
		case slug != nil && *slug != req.Site:
			return fault.New(fault.Exists, "SITE_KEY", "the id %q cannot be used for a site here: choose another", req.Site)
		case method == nil:
			return nil
		case *method != req.Method || [32]byte(content) != req.Content:
			return fault.New(fault.Invalid, "REQUEST_ID_REUSED",
				"request id %s was used for something else: take a new one for each act", req.ID)
		}
		return &repeated{answer}
	})
}

// queueEnd writes the answer and the events, and commits; a dry run goes back instead.
func (t *Tx) queueEnd(b *pgx.Batch, req Request, answer json.RawMessage) error {
	b.Queue("INSERT INTO request (site_id, request_id, method, content, answer, at) VALUES ($1, $2, $3, $4, $5, $6)",
		t.siteID, req.ID, req.Method, req.Content[:], answer, t.now)
	if err := t.logEvents(b, req); err != nil {
		return err
	}
	if req.DryRun {
		b.Queue("SET CONSTRAINTS ALL IMMEDIATE")
		b.Queue("ROLLBACK")
		return nil
	}
	queueCommit(b)
	return nil
}

func noSite(slug string) error {
	return fault.New(fault.NotFound, "SITE", "there is no site %q: server user add makes one, with --time-zone", slug)
}
