package e2e

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/uuid"

	"bayhold/internal/pgtest"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestKilledServerLosesNothing ends a server without a word after an
// acknowledged import, and starts the next one on the same address.
func TestKilledServerLosesNothing(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := serve(t, db, "127.0.0.1:0")
	s.enrol(t, db, "arena")
	_, err := bayholdv1.NewSiteServiceClient(s.dial(t)).ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "arena.yaml", Content: []byte(arena)}}, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
	s.kill(t)
	again := serve(t, db, s.addr)
	again.token = s.token
	again.client(t, "tool", "show", "LK-6").want(t, 0, "LK-6")
}

func TestServeRefuses(t *testing.T) {
	t.Parallel()
	empty := pgtest.Empty(t)
	for name, c := range map[string]struct {
		url  string
		args []string
		says string
	}{
		"a database without schema":  {empty.URL, []string{"serve", "--listen", "127.0.0.1:0"}, "migrate"},
		"the open network":           {empty.URL, []string{"serve", "--listen", "0.0.0.0:0"}, "--insecure-plaintext"},
		"an address that is none":    {empty.URL, []string{"serve", "--listen", "nowhere"}, "127.0.0.1:7470"},
		"a database that is not one": {"postgres://127.0.0.1:1/none", []string{"serve"}, "database"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cmd := exec.Command(filepath.Join(bin, "server"), c.args...) // #nosec G204
			cmd.Env = append(os.Environ(), "DATABASE_URL="+c.url)
			out, err := cmd.CombinedOutput()
			if err == nil || !strings.Contains(string(out), c.says) {
				t.Errorf("%v, without a word of %q:\n%s", err, c.says, out)
			}
		})
	}
}

func TestMigrateBringsAnEmptyDatabaseUpToDate(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	for range 2 {
		cmd := exec.Command(filepath.Join(bin, "server"), "migrate") // #nosec G204
		cmd.Env = append(os.Environ(), "DATABASE_URL="+db.URL)
		if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), "up to date") {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	serve(t, db, "127.0.0.1:0")
}

// TestDemo runs the demo twice, on a private PostgreSQL of its own: as a first
// reader sees it, which is no more than they would read, and the whole of it.
func TestDemo(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(pgtest.Dir(t), "demo")
	for _, all := range []bool{false, true} {
		cmd := exec.Command(filepath.Join(bin, "server"), "demo", "--once", fmt.Sprintf("--all=%v", all), "--data-dir", dir, "--listen", "127.0.0.1:0") // #nosec G204
		for _, v := range os.Environ() {
			if !strings.HasPrefix(v, "DATABASE_URL=") {
				cmd.Env = append(cmd.Env, v)
			}
		}
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		for _, word := range []string{"W-2110", "earliest hand-back", "W-3001", "another booking came first", "mira is a technician", "bay-1"} {
			if !strings.Contains(string(out), word) {
				t.Errorf("no word of %q in:\n%s", word, out)
			}
		}
		lines := strings.Count(string(out), "\n")
		if !all && lines > 170 || all && (lines < 400 || !strings.Contains(string(out), "is closed: handed back")) {
			t.Errorf("%d lines, and all of it is %v:\n%s", lines, all, out)
		}
	}
}
