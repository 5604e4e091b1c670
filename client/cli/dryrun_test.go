package cli

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestEveryChangeHasADryRun wants --dry-run on every command that can repeat a
// request: those are the ones that change something.
func TestEveryChangeHasADryRun(t *testing.T) {
	changes := 0
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Flags().Lookup("request-id") != nil {
			changes++
			if c.Flags().Lookup("dry-run") == nil {
				t.Errorf("%s has no --dry-run", c.CommandPath())
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk((&app{}).root())
	if changes < 30 {
		t.Errorf("only %d commands change something", changes)
	}
}

// TestDryRun holds what is told of a dry run, and that nothing is asked of a
// server that would write all the same.
func TestDryRun(t *testing.T) {
	line := []string{"bay", "change", "bay-1", "--name", "New", "--dry-run"}
	f := newFake(t)
	f.knowsDryRuns = true
	r := f.run(t, line...)
	if r.code != exitDone || !strings.Contains(r.out, "A dry run") {
		t.Errorf("exit %d, %s%s", r.code, r.out, r.err)
	}
	last[*bayholdv1.UpdateBayRequest](t, f)

	old := newFake(t)
	r = old.run(t, line...)
	if r.code == exitDone || !strings.Contains(r.err, "does not know dry runs") {
		t.Errorf("exit %d, %s%s", r.code, r.out, r.err)
	}
	for _, c := range old.calls {
		if _, changed := c.(*bayholdv1.UpdateBayRequest); changed {
			t.Error("a server that knows no dry runs was asked to change something")
		}
	}
}
