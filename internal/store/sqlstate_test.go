package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"bayhold/internal/fault"
	"bayhold/internal/pgtest"
)

// TestEverySQLStateHasAKind wraps each error twice, as it may reach us. The
// codes are those of the PostgreSQL manual, appendix A.
func TestEverySQLStateHasAKind(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]fault.Kind{
		stateSerialization: fault.LostRace,
		stateDeadlock:      fault.LostRace,
		stateLockTimeout:   fault.LostRace,
		stateUnique:        fault.LostRace,
		stateExclusion:     fault.LostRace,
		stateForeignKey:    fault.Precondition,
		stateCanceled:      fault.Deadline,
		stateDiskFull:      fault.Unavailable,
		stateReadOnly:      fault.Unavailable,
		stateNoTable:       fault.Unavailable,
		stateBadText:       fault.Invalid,
		"08006":            fault.Unavailable, // connection_failure
		"53300":            fault.Unavailable, // too_many_connections
		"57P01":            fault.Unavailable, // admin_shutdown
		"42601":            fault.Internal,    // syntax_error: a defect of ours
		"XX000":            fault.Internal,
	} {
		err := fmt.Errorf("outer: %w", fmt.Errorf("inner: %w", &pgconn.PgError{Code: code, Message: "secret table"}))
		got := fault.Fault(asFault(t.Context(), err))
		if got == nil || got.Kind != want {
			t.Errorf("%s: %v, want %v", code, got, want)
			continue
		}
		if got.Cause == nil || got.Message == "" {
			t.Errorf("%s: cause %v, message %q", code, got.Cause, got.Message)
		}
	}
}

func TestOtherErrorsHaveAKind(t *testing.T) {
	t.Parallel()
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	// As the driver says it of a connection that broke before: one that was closed.
	conn, err := pgx.Connect(t.Context(), pgtest.New(t).URL)
	if err != nil {
		t.Fatal(err)
	}
	if err := conn.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	_, closed := conn.Exec(t.Context(), "SELECT 1")
	for name, c := range map[string]struct {
		ctx  context.Context
		err  error
		want fault.Kind
	}{
		"broken connection": {t.Context(), fmt.Errorf("reading: %w", io.ErrUnexpectedEOF), fault.Unavailable},
		"closed connection": {t.Context(), closed, fault.Unavailable},
		"caller gone":       {gone, errors.New("conn closed"), fault.Canceled},
		"out of time":       {t.Context(), context.DeadlineExceeded, fault.Deadline},
		"anything else":     {t.Context(), errors.New("?"), fault.Internal},
		"a fault":           {t.Context(), fault.New(fault.Forbidden, "X", "x"), fault.Forbidden},
	} {
		if got := fault.KindOf(asFault(c.ctx, c.err)); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
