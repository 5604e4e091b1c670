package cli

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

// goldenCase is a command line and what the fake does that it does not do of
// itself.
type goldenCase struct {
	name string
	args []string
	set  func(f *fake)
}

// refuse makes the fake refuse a check.
func refuse(f *fake) {
	f.reply["CheckJob"] = &bayholdv1.CheckJobResponse{
		Blockers: fixtureBlockers(), WaitingPlan: fixturePlan(8, false), AskedHandBackTime: ts(dec, 2, 11, 0),
	}
}

// failing makes the fake fail a method.
func failing(method string, code codes.Code, message string, details ...protoadapt.MessageV1) func(*fake) {
	return func(f *fake) {
		f.fail[method] = func() error {
			st, err := status.New(code, message).WithDetails(details...)
			if err != nil {
				return err
			}
			return st.Err()
		}
	}
}

// winners are the bookings that came first.
func winners() *bayholdv1.BookingConflict {
	return &bayholdv1.BookingConflict{Held: []*bayholdv1.Holding{
		{Booking: harbour + "/bookings/104", Resource: harbour + "/bays/bay-1", Job: harbour + "/jobs/19", Reference: "R-19", Start: ts(dec, 1, 8, 0), End: ts(dec, 1, 16, 0)},
		{Booking: harbour + "/bookings/105", Resource: harbour + "/tools/LK-01", Job: harbour + "/jobs/19", Reference: "R-19", Start: ts(dec, 1, 9, 0), End: ts(dec, 1, 15, 0)},
	}}
}

func goldenCases() []goldenCase {
	work := []string{"--procedure", "belt-orlo-20"}
	job := func(words ...string) []string { return append(append([]string{"job"}, words...), work...) }
	const requestID = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	badFile := &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "tools.yaml:14", Description: `tool type "lock-orlo-21" does not exist; did you mean lock-orlo-20?`},
		{Field: "procedures.yaml:88", Description: "the steps lock and pulley wait for each other"},
	}}
	return append(slices.Concat(recordCases(), procedureCases(), forecastCases(), trailCases(), arrangeCases(), calibrationCases(), accessCases(), toolCases(), boardCases()), []goldenCase{
		{"site-list", []string{"site", "list"}, nil},
		{"site-show", []string{"site", "show"}, nil},
		{"site-change", []string{"site", "change", "--name", "Harbour, new hall"}, nil},
		{"bay-list", []string{"bay", "list"}, nil},
		{"bay-show", []string{"bay", "show", "bay-1"}, nil},
		{"bay-change-reopen", []string{"bay", "change", "bay-1", "--reopen", "2026-11-27 10:00 .. 2026-11-27 14:00"}, nil},
		{"bay-reserve", []string{"bay", "reserve", "bay-3", "--reference", "floor paint", "--from", "thu 8:00", "--until", "fri"}, nil},
		{"technician-list", []string{"technician", "list"}, nil},
		{"technician-show", []string{"technician", "show", "anna"}, nil},
		{"technician-change", []string{"technician", "change", "anna", "--away", "2026-12-01 .. 2026-12-02", "--reason", "training", "--shift", "fri off", "--shift", "wed 07:00-12:00", "--day", "2026-12-05 08:00-12:00"}, nil},
		{"family-list", []string{"family", "list"}, nil},
		{"tooltype-list", []string{"tooltype", "list"}, nil},
		{"tooltype-show", []string{"tooltype", "show", "lock-orlo-20"}, nil},
		{"tool-list", []string{"tool", "list"}, nil},
		{"tool-list-free", []string{"tool", "list", "--free", "thu 8:00", "thu 16:00"}, nil},
		{"tool-list-free-none", []string{"tool", "list", "--free", "2026-11-26", "2026-11-27", "--type", "wrench-200"}, func(f *fake) { f.reply["ListTools"] = &bayholdv1.ListToolsResponse{} }},
		{"tool-list-calibration", []string{"tool", "list", "--calibration-until", "2026-12-31"}, nil},
		{"tool-show", []string{"tool", "show", "TW-03"}, nil},
		{"tool-change", []string{"tool", "change", "TW-04", "--condition", "quarantined", "--condition-until", "2026-12-04"}, nil},
		{"tool-reserve-tentative", []string{"tool", "reserve", "LK-01", "--reference", "R-22", "--from", "2026-11-26 8:00", "--until", "2026-11-26 16:00", "--tentative", "2d"}, nil},
		{"tool-reserve-lost", []string{"tool", "reserve", "LK-01", "--reference", "R-22", "--from", "2026-12-01 9:00", "--until", "2026-12-01 16:00"}, failing("Reserve", codes.Aborted, "LK-01 was booked meanwhile", winners())},
		{"preparation-list", []string{"preparation", "list"}, nil},
		{"preparation-show", []string{"preparation", "show", "cover-off"}, nil},
		{"procedure-list", []string{"procedure", "list"}, nil},
		{"procedure-show", []string{"procedure", "show", "belt-orlo-20"}, nil},
		{"job-check-yes", job("check", "--start", "tue 8:00"), nil},
		{"job-check-no", job("check", "--start", "2026-12-01 8:00", "--by", "2026-12-01"), refuse},
		{"job-check-no-json", job("check", "--start", "2026-12-01 8:00", "--output", "json"), refuse},
		{"job-find", job("find", "--from", "tomorrow", "--horizon", "2026-12-18"), nil},
		{"job-find-disturb", job("find", "--from", "2026-11-26 8:00", "--disturb"), func(f *fake) {
			more := fixtureFound()
			more.Options = more.Options[1:]
			more.Disturbing = []*bayholdv1.PlanOption{{Plan: fixturePlan(2, false), Disturbed: []*bayholdv1.DisturbedJob{{
				Job: harbour + "/jobs/17", Reference: "W-40", Planned: &bayholdv1.TimeRange{Start: ts(nov, 26, 8, 0), End: ts(nov, 27, 12, 0)},
				Plan: fixturePlan(3, false), PromiseTime: ts(nov, 27, 16, 0), PromiseMissed: true,
			}}}}
			f.reply["FindPlans"] = more
		}},
		{"job-find-one", job("find", "--from", "2026-11-26 8:00"), func(f *fake) {
			one := fixtureFound()
			one.Options = one.Options[:1]
			one.Options[0].Merits = append(one.Options[0].Merits, bayholdv1.PlanOption_MERIT_FEWEST_BAY_HOURS)
			f.reply["FindPlans"] = one
		}},
		{"job-find-impossible", job("find", "--from", "2026-11-26 8:00"), func(f *fake) {
			f.reply["FindPlans"] = &bayholdv1.FindPlansResponse{Outcome: bayholdv1.FindPlansResponse_OUTCOME_IMPOSSIBLE, Blockers: fixtureBlockers()[1:2]}
		}},
		{"job-find-not-found", job("find", "--from", "2026-11-26 8:00", "--bay", "bay-2"), func(f *fake) {
			f.reply["FindPlans"] = &bayholdv1.FindPlansResponse{Outcome: bayholdv1.FindPlansResponse_OUTCOME_NOT_FOUND}
		}},
		{"job-book", job("book", "--reference", "R-20", "--start", "tue 8:00", "--promise", "2026-12-02 10:00"), nil},
		{"job-book-tentative", job("book", "--reference", "R-20", "--from", "tomorrow", "--choose", "shortest", "--tentative", "2d"), nil},
		{"job-book-refused", job("book", "--reference", "R-20", "--start", "2026-12-01 8:00"), refuse},
		{"job-book-waiting", job("book", "--reference", "R-20", "--start", "2026-12-01 8:00", "--waiting"), refuse},
		{"job-book-lost", job("book", "--reference", "R-20", "--start", "2026-12-01 8:00"), failing("BookPlan", codes.Aborted, "the plan was overtaken: 2 bookings came first", winners())},
		{"job-book-lost-json", job("book", "--reference", "R-20", "--start", "2026-12-01 8:00", "--output", "json"), failing("BookPlan", codes.Aborted, "the plan was overtaken: 2 bookings came first", winners(), &errdetails.ErrorInfo{Reason: "BOOKED_MEANWHILE", Domain: "bayhold"})},
		{"job-book-stale", job("book", "--reference", "R-20", "--start", "2026-12-01 8:00"), failing("BookPlan", codes.FailedPrecondition, "TW-04 is no longer serviceable")},
		{"job-confirm", []string{"job", "confirm", "19"}, nil},
		{"job-cancel", []string{"job", "cancel", "jobs/19", "--reason", "called off"}, nil},
		{"job-show", []string{"job", "show", "17"}, nil},
		{"job-list", []string{"job", "list", "--from", "2026-11-23"}, nil},
		{"booking-list", []string{"booking", "list", "--from", "2026-11-23", "--until", "2026-11-29"}, nil},
		{"booking-show", []string{"booking", "show", "104"}, nil},
		{"week-show", []string{"week", "show"}, nil},
		{"week-show-sunday", []string{"week", "show", "--of", "2026-11-29"}, func(f *fake) {
			b := fixtureBookings()
			b[3].During.End = ts(nov, 29, 12, 0)
			f.reply["ListBookings"] = &bayholdv1.ListBookingsResponse{Bookings: b}
		}},
		{"week-show-json", []string{"week", "show", "-o", "json"}, nil},
		{"tool-list-csv", []string{"tool", "list", "-o", "csv"}, nil},
		{"tool-show-csv", []string{"tool", "show", "TW-03", "-o", "csv"}, nil},
		{"tool-show-yaml", []string{"tool", "show", "TW-03", "-o", "yaml"}, nil},
		{"booking-list-csv", []string{"booking", "list", "--from", "2026-11-23", "--until", "2026-11-29", "-o", "csv"}, nil},
		{"job-show-csv", []string{"job", "show", "17", "-o", "csv"}, nil},
		{"import", []string{"import", "testdata/workshop.yaml"}, nil},
		{"import-dry-run", []string{"import", "--dry-run", "testdata/workshop.yaml"}, nil},
		{"import-sheet-dry-run", []string{"import", "--dry-run", "testdata/shifts.csv", "--mapping", "testdata/shifts.map.yaml"}, nil},
		{"import-mapping-for-none", []string{"import", "testdata/shifts.csv", "--mapping", "jobs.csv=testdata/shifts.map.yaml"}, nil},
		{"import-mapping-template", []string{"import", "--mapping-template", "testdata/shifts.csv", "--rows", "shifts"}, nil},
		{"import-invalid", []string{"import", "testdata/workshop.yaml"}, failing("ImportWorkshop", codes.InvalidArgument, "the files have 2 faults; nothing was written", badFile)},
		{"error-not-found", []string{"tool", "show", "LK-99"}, nil},
		{"error-skipped-time", job("check", "--start", "2026-03-29 02:30"), nil},
		{"error-deadline", append(job("book", "--reference", "R-20", "--start", "tue 8:00", "--token", "secret"), "--request-id", requestID), failing("BookPlan", codes.DeadlineExceeded, "context deadline exceeded")},
		{"error-denied", []string{"bay", "list"}, failing("ListBays", codes.PermissionDenied, "your role may not read bays")},
		{"error-verb", []string{"tool", "lsit"}, nil},
		{"error-flag", []string{"job", "check", "--start", "now"}, nil},
	}...)
}

// TestGolden holds every printer to the text that was judged good by eye.
func TestGolden(t *testing.T) {
	for _, c := range goldenCases() {
		t.Run(c.name, func(t *testing.T) {
			f := newFake(t)
			if c.set != nil {
				c.set(f)
			}
			env := f.env(t)
			if c.name == "error-deadline" {
				env["BAYHOLD_SERVER"] = f.addr
			}
			r := runWith(t, env, "", c.args...)
			got := fmt.Sprintf("exit %d\n--- out\n%s--- err\n%s", r.code, r.out, r.err)
			got = strings.NewReplacer(f.addr, "SERVER", "\r\n", "\n").Replace(got)
			path := filepath.Join("testdata", c.name+".golden")
			if *update {
				if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatalf("%v (run the test with -update)", err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", path, diff)
			}
		})
	}
}

// TestGoldenWidth holds every table to 80 columns. Commands to copy and lines to
// keep may be longer: a line break would spoil them.
func TestGoldenWidth(t *testing.T) {
	paths, err := filepath.Glob("testdata/*.golden")
	if err != nil || len(paths) == 0 {
		t.Fatal("no golden files", err)
	}
	for _, path := range paths {
		body, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(path, "json") || strings.Contains(path, "-csv") || strings.Contains(path, "-yaml") || strings.HasSuffix(path, "-checkpoint.golden") {
			continue
		}
		_, out, _ := strings.Cut(string(body), "--- out\n")
		for line := range strings.SplitSeq(out, "\n") {
			if textWidth(line) > 80 && !strings.Contains(line, "bayhold ") {
				t.Errorf("%s: %d columns: %s", path, textWidth(line), line)
			}
		}
	}
}

// TestJSONEverywhere holds every command that answers to valid JSON, and
// nothing beside it.
func TestJSONEverywhere(t *testing.T) {
	for _, c := range goldenCases() {
		if strings.HasSuffix(c.name, "-csv") && c.args[len(c.args)-1] == "csv" || strings.HasSuffix(c.name, "-yaml") {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			f := newFake(t)
			if c.set != nil {
				c.set(f)
			}
			args := append([]string{}, c.args...)
			if !strings.Contains(strings.Join(args, " "), "json") {
				args = append(args, "--output", "json")
			}
			r := f.run(t, args...)
			stdout, stderr := r.out, r.err
			if r.code == exitDone || r.code == exitNo || r.code == exitUsage && strings.HasPrefix(c.name, "procedure-lint") {
				if !json.Valid([]byte(stdout)) || stderr != "" {
					t.Errorf("exit %d, stdout %q, stderr %q", r.code, stdout, stderr)
				}
				return
			}
			var p problemJSON
			if err := json.Unmarshal([]byte(stderr), &p); err != nil || stdout != "" {
				t.Fatalf("stdout %q, stderr %q: %v", stdout, stderr, err)
			}
			if p.Code == "" || p.Message == "" || p.ExitCode != r.code || p.Fields == nil || p.Held == nil || p.Try == nil {
				t.Errorf("exit %d, %+v", r.code, p)
			}
		})
	}
}
