package cli

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestSheetFile holds that a sheet goes to a file word for word, over an older
// one, and that the answer then says where it is.
func TestSheetFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sheet.html")
	if err := os.WriteFile(path, []byte(strings.Repeat("an older and longer sheet ", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	r := newFake(t).run(t, "job", "sheet", "21", "--html", "--to", path)
	if r.code != exitDone || r.out != "The sheet of job 21 is in "+path+".\n" {
		t.Fatalf("exit %d, out %q, err %q", r.code, r.out, r.err)
	}
	got, err := os.ReadFile(path)
	if want := "<!doctype html>\n<title>R-21</title>\n"; err != nil || string(got) != want {
		t.Errorf("%q, %v; want %q", got, err, want)
	}
}

// TestSheetFileKept holds that a sheet which cannot be had leaves an older
// file alone.
func TestSheetFileKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sheet.txt")
	if err := os.WriteFile(path, []byte("older"), 0o600); err != nil {
		t.Fatal(err)
	}
	f := newFake(t)
	failing("GetJobSheet", codes.FailedPrecondition, "job 21 is a reservation: it has no steps and no sheet")(f)
	if r := f.run(t, "job", "sheet", "21", "--to", path); r.code != exitAtOdds {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != "older" {
		t.Errorf("%q, %v", got, err)
	}
}

// TestRepeatPart holds that a mark whose outcome is not known is sent again
// word for word, with the time that was meant first.
func TestRepeatPart(t *testing.T) {
	f := newFake(t)
	f.fail["UpdateJobPart"] = once(codes.DeadlineExceeded)
	env := f.env(t)
	args := []string{"job", "part", "21", "belt-20", "--expected", "+2d"}
	r := runWith(t, env, "", args...)
	found := repeatLine.FindStringSubmatch(r.err)
	if r.code != exitNoServer || found == nil {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	first := proto.Clone(last[*bayholdv1.UpdateJobPartRequest](t, f))
	r = runWith(t, env, "", append(args, "--request-id", found[1])...)
	if r.code != exitDone || !strings.Contains(r.out, "Timing belt (belt-20) is now expected") {
		t.Fatalf("exit %d, %q, %q", r.code, r.out, r.err)
	}
	if diff := cmp.Diff(first, proto.Message(last[*bayholdv1.UpdateJobPartRequest](t, f)), protocmp.Transform()); diff != "" {
		t.Errorf("the repeat differs (-first +second):\n%s", diff)
	}
}

// TestFindAgainParts holds that a lost booking is looked for again with the
// parts that it waited for.
func TestFindAgainParts(t *testing.T) {
	f := newFake(t)
	plan := fixturePlan(7, true)
	plan.PartArrivals = fixtureArrivals()
	f.reply["CheckJob"] = &bayholdv1.CheckJobResponse{Possible: true, Plan: plan}
	failing("BookPlan", codes.Aborted, "the plan was overtaken", winners())(f)
	r := f.run(t, "job", "book", "--reference", "R-20", "-p", "belt-orlo-20", "--start", "2026-12-01 8:00", "--part", "belt-20=2026-12-01 11:00")
	want := `bayhold job find --procedure belt-orlo-20 --part "belt-20=2026-12-01 11:00" --part "gasket-20=2026-12-02 00:00" --from "2026-12-01 08:00"`
	if r.code != exitLostRace || !strings.Contains(r.err, want) {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
}

// TestRebook holds that the commands for booking a job anew keep what was told
// to the customer, what lapses and what was noted.
func TestRebook(t *testing.T) {
	f := newFake(t)
	job := fixtureJobWithParts()
	job.State, job.ExpireTime, job.Note = tentative, ts(nov, 27, 8, 30), `call first, "no" is fine`
	f.reply["UpdateJobPart"] = &bayholdv1.UpdateJobPartResponse{Job: job, AffectedSteps: job.GetSteps()[1:2]}
	r := f.run(t, "job", "part", "21", "belt-20", "--expected", "2026-12-01 11:00")
	// From Wednesday 09:12 to Friday 08:30 are 47 hours and 18 minutes.
	for _, want := range []string{`--promise "2026-12-02 16:00"`, "--tentative 48h", "--note"} {
		if r.code != exitDone || !strings.Contains(r.out, want) {
			t.Errorf("no %s: exit %d, %q", want, r.code, r.out)
		}
	}
}

// TestBestAlong holds what is put forward: what keeps the promise, else what
// has room, else what can go along.
func TestBestAlong(t *testing.T) {
	job := fixtureJobWithParts()
	for _, tt := range []struct {
		name string
		job  *bayholdv1.Job
		list []*bayholdv1.WhileOpen
		want string
	}{
		{"keeps the promise", job, fixtureInSlot(), "idlers-orlo-20"},
		{"misses it, but fits", job, fixtureInSlot()[:1], "phasers-orlo-20"},
		{"no promise", &bayholdv1.Job{}, fixtureInSlot(), "phasers-orlo-20"},
		{"no room", job, noRoom(fixtureInSlot()), "phasers-orlo-20"},
		{"not booked", nil, fixtureWhileOpen(), "phasers-orlo-20"},
		{"refused", nil, fixtureWhileOpen()[4:], ""},
		{"none", nil, nil, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := id((openAnswer{job: tt.job, list: tt.list}).best().GetProcedure()); got != tt.want {
				t.Errorf("%q, want %q", got, tt.want)
			}
		})
	}
}
