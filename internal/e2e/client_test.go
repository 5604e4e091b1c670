package e2e

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayhold/internal/pgtest"
)

// tuesday is eight o'clock on Tuesday of next week, when the demo workshop's
// only Orlo locking set is promised to W-2110.
func tuesday(t *testing.T) string {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Amsterdam")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now().In(zone)
	return now.AddDate(0, 0, 8-(int(now.Weekday())+6)%7).Format("2006-01-02") + " 08:00"
}

func demoFiles(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../../testdata/demo/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("the demo workshop: %v, %v", files, err)
	}
	return files
}

// TestMainJobFromTheShell does what a service manager, a technician and an
// administrator do on a day, each command a process of its own.
func TestMainJobFromTheShell(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := serve(t, db, "127.0.0.1:0")
	s.client(t, "site", "list").want(t, 8, "server user add")
	s.enrol(t, db, "quillgate")
	at := tuesday(t)

	s.client(t, append([]string{"import"}, demoFiles(t)...)...).want(t, 0, "standing booking")
	s.client(t, append([]string{"import"}, demoFiles(t)...)...).want(t, 0)

	s.client(t, "job", "check", "--procedure", "orlo-chain-kit", "--start", at).want(t, 3, "LS-ORLO-1", "W-2110")
	found := s.client(t, "job", "find", "--procedure", "orlo-chain-kit", "--from", at, "--output", "json")
	found.want(t, 0)
	var options struct{ Options []json.RawMessage }
	if err := json.Unmarshal([]byte(found.out), &options); err != nil || len(options.Options) == 0 {
		t.Errorf("find --output json: %v, %d options", err, len(options.Options))
	}
	kept := filepath.Join(t.TempDir(), "plan.json")
	if err := os.WriteFile(kept, []byte(found.out), 0o600); err != nil {
		t.Fatal(err)
	}
	booked := s.client(t, "job", "book", "--reference", "W-1", "--plan", kept, "--output", "json")
	booked.want(t, 0, "W-1", "LS-ORLO-1")
	s.client(t, "job", "book", "--reference", "W-2", "--plan", kept).want(t, 5, "W-1", "LS-ORLO-1", "job find")
	s.client(t, "job", "book", "--reference", "W-3", "--procedure", "orlo-chain-kit", "--from", at, "--tentative", "2d").want(t, 0, "W-3")
	s.client(t, "week", "show", "--of", at).want(t, 0, "bay-1", "W-1")

	s.client(t, "tool", "reserve", "LS-VELDE-2", "--reference", "R-1", "--from", "+20d", "--until", "+21d").want(t, 0, "R-1")
	s.client(t, "tool", "reserve", "LS-VELDE-2", "--reference", "R-2", "--from", "+20d", "--until", "+21d").want(t, 5, "R-1")
	s.client(t, "tool", "list", "--free", "+20d", "+21d").want(t, 0, "TP-1")
	s.client(t, "tool", "list", "--calibration-until", "+60d").want(t, 0, "TW-")
	s.client(t, "tool", "show", "NO-SUCH").want(t, 4)
	s.client(t, "job", "check").want(t, 2)
	s.aroundAJob(t, booked, at)
}

// aroundAJob does what follows a booking: the sheet, what else is worth doing,
// a part that is late, an outage and its repair.
func (s *server) aroundAJob(t *testing.T, booked answer, at string) {
	t.Helper()
	var made struct {
		Job struct {
			Name    string
			Planned struct{ Start, End time.Time }
		}
	}
	if err := json.Unmarshal([]byte(booked.out), &made); err != nil || made.Job.Name == "" {
		t.Fatalf("job book --output json: %v\n%s", err, booked.out)
	}
	id := filepath.Base(made.Job.Name)
	s.client(t, "job", "sheet", id).want(t, 0, "LS-ORLO-1", "WARNING", "HOLD POINT", "orlo-crank-bolt")
	page := filepath.Join(t.TempDir(), "sheet.html")
	s.client(t, "job", "sheet", id, "--html", "--to", page).want(t, 0)
	if html, err := os.ReadFile(page); err != nil || !strings.HasPrefix(string(html), "<!DOCTYPE html>") {
		t.Errorf("the sheet as a page: %v", err)
	}
	s.client(t, "job", "parts", id).want(t, 0, "orlo-chain")
	s.client(t, "job", "part", id, "orlo-chain", "--expected", made.Job.Planned.End.Format(time.RFC3339)).want(t, 0, "--instead-of "+id)
	s.client(t, "job", "while-open", id).want(t, 0, "orlo-oil-pump-chain")
	s.client(t, "job", "explain", "--procedure", "orlo-chain-kit", "--from", at).want(t, 0, "Locking set")
	mended := filepath.Join(t.TempDir(), "repair.json")
	s.client(t, "job", "repair", "--out", "LS-ORLO-1", "--from", made.Job.Planned.Start.Format(time.RFC3339),
		"--until", made.Job.Planned.End.Add(24*time.Hour).Format(time.RFC3339), "--to", mended).want(t, 0, "W-1")
	s.client(t, "job", "move", "--arrangement", mended, "--reason", "locks out").want(t, 0, "W-1")
	s.client(t, "procedure", "lint", "../../testdata/demo/orlo.yaml").want(t, 0)
	s.client(t, "procedure", "show", "orlo-chain-kit").want(t, 0, "WARNING")
}

func TestNobodyAnswers(t *testing.T) {
	t.Parallel()
	s := &server{addr: "127.0.0.1:1"}
	s.client(t, "site", "list", "--timeout", "2s").want(t, 7, "127.0.0.1:1")
}
