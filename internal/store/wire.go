package store

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// wire is a connection within one transaction, sparing of round trips: what
// need not be answered at once waits for the next thing that is asked, and
// travels with it if that is a batch.
type wire struct {
	conn  link
	first *pgx.Batch // waits for what is asked next; nil: nothing does
	spoke bool       // something was sent
}

// link is what pgx carries queries on.
type link interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

// later is where to queue what need not be answered at once.
func (w *wire) later() *pgx.Batch {
	if w.first == nil {
		w.first = &pgx.Batch{}
	}
	return w.first
}

// together sends a batch, in which each query has its own reader, and whatever
// waited for it, in one round trip. Queries after one that failed are not
// carried out.
func (w *wire) together(ctx context.Context, b *pgx.Batch) error {
	if w.first != nil {
		b = &pgx.Batch{QueuedQueries: append(w.first.QueuedQueries, b.QueuedQueries...)}
		w.first = nil
	}
	w.spoke = true
	return w.conn.SendBatch(ctx, b).Close()
}

func (w *wire) flush(ctx context.Context) error {
	if w.first == nil {
		return nil
	}
	return w.together(ctx, &pgx.Batch{})
}

// Query asks for rows.
func (w *wire) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	if err := w.flush(ctx); err != nil {
		return nil, err
	}
	return w.conn.Query(ctx, sql, args...)
}

// QueryRow asks for one row.
func (w *wire) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	if err := w.flush(ctx); err != nil {
		return noRow{err}
	}
	return w.conn.QueryRow(ctx, sql, args...)
}

// Exec asks for something that answers no rows.
func (w *wire) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	if err := w.flush(ctx); err != nil {
		return pgconn.CommandTag{}, err
	}
	return w.conn.Exec(ctx, sql, args...)
}

// noRow is the row of a query that could not be asked.
type noRow struct{ err error }

// Scan tells why.
func (r noRow) Scan(...any) error { return r.err }

// begun tells whether a connection stands and is within a transaction.
func begun(conn *pgxpool.Conn) bool {
	return !conn.Conn().IsClosed() && conn.Conn().PgConn().TxStatus() != 'I'
}

// release gives a connection back with nothing begun on it. The rollback must
// reach the server even if the caller is gone; after a commit there is none.
func release(ctx context.Context, conn *pgxpool.Conn) {
	defer conn.Release()
	if !begun(conn) {
		return
	}
	undo, cancel := context.WithTimeout(context.WithoutCancel(ctx), undoTime)
	defer cancel()
	_, _ = conn.Exec(undo, "ROLLBACK")
}

// errRolledBack is what a COMMIT that did not commit fails with.
var errRolledBack = errors.New("the transaction was rolled back instead of committed")

// queueCommit adds the end of the transaction to a batch.
func queueCommit(b *pgx.Batch) {
	b.Queue("COMMIT").Exec(func(tag pgconn.CommandTag) error {
		if tag.String() != "COMMIT" {
			return errRolledBack
		}
		return nil
	})
}

// ask is a query with how its rows are read.
type ask[T any] struct {
	sql  string
	args []any
	row  pgx.RowToFunc[T]
}

// asking makes one.
func asking[T any](sql string, args []any, row pgx.RowToFunc[T]) ask[T] {
	return ask[T]{sql, args, row}
}

// all asks at once.
func (a ask[T]) all(ctx context.Context, w *wire) ([]T, error) {
	rows, err := w.Query(ctx, a.sql, a.args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, a.row)
}

// queue asks as part of a batch.
func (a ask[T]) queue(b *pgx.Batch, to *[]T) {
	a.then(b, func(list []T) error { *to = list; return nil })
}

// then asks as part of a batch, which fails if what is done with the answer does.
func (a ask[T]) then(b *pgx.Batch, do func([]T) error) {
	b.Queue(a.sql, a.args...).Query(func(rows pgx.Rows) error {
		list, err := pgx.CollectRows(rows, a.row)
		if err != nil {
			return err
		}
		return do(list)
	})
}
