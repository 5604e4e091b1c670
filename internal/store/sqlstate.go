package store

import (
	"context"
	"errors"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"bayhold/internal/fault"
)

// SQLSTATEs that the house tells apart (PostgreSQL manual, appendix A).
const (
	stateSerialization = "40001"
	stateDeadlock      = "40P01"
	stateLockTimeout   = "55P03"
	stateExclusion     = "23P01"
	stateUnique        = "23505"
	stateForeignKey    = "23503"
	stateCanceled      = "57014"
	stateDiskFull      = "53100"
	stateReadOnly      = "25006"
	stateBadText       = "22021"
	stateNoTable       = "42P01"
)

// sqlstate gives the SQLSTATE of err, or "" if it carries none.
func sqlstate(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}

// retryable tells whether the same transaction may be tried again: it lost
// against another one, or nothing of it reached the server. A unique violation
// counts, since keys that clash are read first: the row is there next time.
func retryable(err error) bool {
	switch sqlstate(err) {
	case stateSerialization, stateDeadlock, stateUnique:
		return true
	}
	return pgconn.SafeToRetry(err)
}

// asFault turns an error of the driver or the server into a fault. Faults and
// nil pass through; what is unknown becomes Internal with its cause for the log.
func asFault(ctx context.Context, err error) error {
	if err == nil || fault.Fault(err) != nil {
		return err
	}
	if f := contextFault(ctx, err); f != nil {
		return f
	}
	code := sqlstate(err)
	switch code {
	case stateSerialization, stateDeadlock, stateLockTimeout, stateUnique:
		return fault.New(fault.LostRace, "BUSY", "others are changing the same things right now: try again").Because(err)
	case stateExclusion:
		return fault.New(fault.LostRace, "BOOKED", "another booking came first: find again").Because(err)
	case stateForeignKey:
		return fault.New(fault.Precondition, "REFERENCED", "something that this refers to, or that refers to it, has changed: read it again").Because(err)
	case stateCanceled:
		return fault.New(fault.Deadline, "STATEMENT_TIMEOUT", "the database took too long: try again, or ask for less").Because(err)
	case stateDiskFull:
		return fault.New(fault.Unavailable, "DISK_FULL", "the database has no room left: free disk space on its machine; nothing was written").Because(err)
	case stateReadOnly:
		return fault.New(fault.Unavailable, "READ_ONLY", "the database takes no writes at the moment: nothing was written").Because(err)
	case stateBadText:
		return fault.New(fault.Invalid, "TEXT", "a text holds bytes that are not UTF-8").Because(err)
	case stateNoTable:
		return fault.New(fault.Unavailable, "SCHEMA", "the database has no bayhold schema: run the server's migrate command").Because(err)
	}
	if outage(code, err) {
		return fault.New(fault.Unavailable, "DATABASE", "the database cannot be reached right now: try again").Because(err)
	}
	return fault.New(fault.Internal, "INTERNAL", "internal error").Because(err)
}

func contextFault(ctx context.Context, err error) error {
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded), errors.Is(err, context.DeadlineExceeded):
		return fault.New(fault.Deadline, "DEADLINE", "the time allowed for this call ran out").Because(err)
	case errors.Is(ctx.Err(), context.Canceled), errors.Is(err, context.Canceled):
		return fault.New(fault.Canceled, "CANCELED", "the call was given up").Because(err)
	}
	return nil
}

// outage tells connection trouble from everything else: classes 08 (connection),
// 53 (resources) and 57P (operator), or no answer at all.
func outage(code string, err error) bool {
	if strings.HasPrefix(code, "08") || strings.HasPrefix(code, "53") || strings.HasPrefix(code, "57P") {
		return true
	}
	var connect *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connect) || errors.As(err, &network) ||
		errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) ||
		errors.Is(err, pgconn.ErrConnClosed) || errors.Is(err, pgx.ErrTxClosed)
}
