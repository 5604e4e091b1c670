package localpg

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"bayhold/internal/fault"
)

func nothing(string) string { return "" }

func TestJoinTakesPartInWhatAnotherRuns(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(place(t), "data")
	cmd, _ := program(t, "slow", dir, "said") // it has only begun to make its cluster
	found, err := Join(t.Context(), "", nothing, quick(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	if !found.Guest || found.Private != nil {
		t.Errorf("joined as %+v", found)
	}
	if got := one[string](t, found.URL, "SELECT current_database()"); got != Database {
		t.Errorf("joined the database %q", got)
	}
	if err := found.Stop(t.Context()); err != nil {
		t.Errorf("a guest stops nothing: %v", err)
	}
	if got := one[int](t, found.URL, "SELECT 1"); got != 1 {
		t.Error("the other's PostgreSQL ended")
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait() // it was killed

	again, err := Join(t.Context(), "", nothing, quick(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	if again.Guest || again.Private == nil {
		t.Errorf("with nobody there: %+v", again)
	}
	stop(t, again.Private)
}

func TestJoinGivesUp(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(place(t), "data")
	// Somebody holds the directory and never starts anything.
	h, err := openHome(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer h.close()
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err = Join(short, "", nothing, quick(t, dir))
	if fault.Fault(err) == nil {
		t.Errorf("it waited in vain and said %v", err)
	}
	found, err := Join(t.Context(), "postgres://elsewhere/", nothing, quick(t, dir))
	if err != nil || found.URL != "postgres://elsewhere/" || found.Guest {
		t.Errorf("a named database: %+v, %v", found, err)
	}
}
