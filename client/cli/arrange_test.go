package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// arrangeRun runs a search with a context, a clock and perhaps a terminal.
type arrangeRun struct {
	ctx      context.Context
	now      func() time.Time
	terminal bool
}

func (x arrangeRun) run(t *testing.T, f *fake, args ...string) result {
	t.Helper()
	if x.ctx == nil {
		x.ctx = t.Context()
	}
	if x.now == nil {
		x.now = func() time.Time { return testNow }
	}
	env := f.env(t)
	var out, errs bytes.Buffer
	code := Run(x.ctx, append([]string{"job", "arrange", "--job", "18"}, args...),
		Streams{In: strings.NewReader(""), Out: &out, Err: &errs, Terminal: x.terminal},
		func(k string) string { return env[k] }, x.now)
	return result{code, out.String(), errs.String()}
}

// untilGone lets the fake wait for the client to go when all is told.
func untilGone(stream context.Context) error {
	<-stream.Done()
	return stream.Err()
}

// cancelAfter gives a writer that cancels when a text has been written to it:
// what was told has then been read.
type cancelAfter struct {
	bytes.Buffer
	text   string
	cancel context.CancelFunc
}

func (c *cancelAfter) Write(p []byte) (int, error) {
	n, err := c.Buffer.Write(p)
	if strings.Contains(c.String(), c.text) {
		c.cancel()
	}
	return n, err
}

// TestInterrupt holds that Ctrl-C keeps the best so far: printed, kept in the
// file, and no error.
func TestInterrupt(t *testing.T) {
	f := newFake(t)
	f.search = search{told: fixtureSearch()[1:2], then: untilGone}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	path := filepath.Join(t.TempDir(), "plan.json")
	env := f.env(t)
	var out bytes.Buffer
	errs := &cancelAfter{text: "12,345 schedules", cancel: cancel}
	code := Run(ctx, []string{"job", "arrange", "--job", "18", "--to", path},
		Streams{In: strings.NewReader(""), Out: &out, Err: errs},
		func(k string) string { return env[k] }, func() time.Time { return testNow })
	for _, want := range []string{"The search was cut short", "R-18", "bayhold job move --arrangement " + path} {
		if code != exitDone || !strings.Contains(out.String(), want) {
			t.Errorf("exit %d, no %q in %q, %q", code, want, out.String(), errs.String())
		}
	}
	if want := "   0 s  12,345 schedules  1,725 min late, bound 1,260\n"; errs.String() != want {
		t.Errorf("progress %q, want %q", errs.String(), want)
	}
	body, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var kept bayholdv1.ArrangeJobsResponse
	if err := protojson.Unmarshal(body, &kept); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(fixtureSearch()[1], &kept, protocmp.Transform()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestInterruptEarly holds that without any answer being interrupted is one.
func TestInterruptEarly(t *testing.T) {
	f := newFake(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	f.search = search{told: []*bayholdv1.ArrangeJobsResponse{}, then: func(stream context.Context) error {
		cancel()
		return untilGone(stream)
	}}
	if r := (arrangeRun{ctx: ctx}).run(t, f); r.code != exitFailed || r.out != "" || r.err != "bayhold: interrupted\n" {
		t.Errorf("exit %d, %q, %q", r.code, r.out, r.err)
	}
}

// TestBrokenOff holds that what was found is told when a server goes away in a
// search, beside the error.
func TestBrokenOff(t *testing.T) {
	f := newFake(t)
	f.fail["ListBookings"] = func() error { return status.Error(codes.Unavailable, "the server stops") }
	f.search = search{told: fixtureSearch()[:2], then: func(context.Context) error {
		return status.Error(codes.Unavailable, "the server stops")
	}}
	path := filepath.Join(t.TempDir(), "plan.json")
	r := arrangeRun{}.run(t, f, "--to", path)
	if r.code != exitNoServer || !strings.Contains(r.out, "cut short") || !strings.Contains(r.err, "cannot reach the server") {
		t.Errorf("exit %d, %q, %q", r.code, r.out, r.err)
	}
	if _, err := os.Stat(path); err != nil {
		t.Error(err)
	}
}

// TestSilentServer holds that a server which falls silent is not waited for
// without end, and that what it said before is told.
func TestSilentServer(t *testing.T) {
	f := newFake(t)
	f.search = search{told: fixtureSearch()[1:2], then: untilGone}
	r := arrangeRun{}.run(t, f, "--search", "1ms", "--timeout", "300ms")
	if r.code != exitNoServer || !strings.Contains(r.out, "cut short") {
		t.Errorf("exit %d, %q, %q", r.code, r.out, r.err)
	}
}

// ticking is a clock that goes on by so much each time it is read.
func ticking(step time.Duration) func() time.Time {
	now := testNow
	return func() time.Time {
		now = now.Add(step)
		return now
	}
}

// TestProgress holds what is told of a search: on a terminal one line that is
// written over and taken away, elsewhere lines, one a second at most, and
// nothing beside JSON.
func TestProgress(t *testing.T) {
	first := "   0 s  2 schedules  2,900 min late, bound 1,260  1 without a place"
	second := "   0 s  12,345 schedules  1,725 min late, bound 1,260"
	third := "   0 s  48,210 schedules  1,380 min late, bound 1,260"
	blank := func(n int) string { return strings.Repeat(" ", n) }
	one := "\r   0 s  searching\r" + first + "\r" + second + blank(len(first)-len(second)) + "\r" + third + "\r" + blank(len(third)) + "\r"
	for _, tt := range []struct {
		name string
		run  arrangeRun
		args []string
		want string
	}{
		{"terminal", arrangeRun{terminal: true}, nil, one},
		{"terminal, json", arrangeRun{terminal: true}, []string{"--output", "json"}, one},
		{"lines", arrangeRun{}, nil, first + "\n"},
		{"json", arrangeRun{}, []string{"-o", "json"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if r := tt.run.run(t, newFake(t), tt.args...); r.code != exitDone || r.err != tt.want {
				t.Errorf("exit %d\ngot  %q\nwant %q", r.code, r.err, tt.want)
			}
		})
	}
	// Each improvement comes seconds after the one before.
	r := arrangeRun{now: ticking(900 * time.Millisecond)}.run(t, newFake(t))
	if lines := strings.Count(r.err, "\n"); lines != 3 || !strings.Contains(r.err, "48,210") {
		t.Errorf("%d lines: %q", lines, r.err)
	}
}

// TestArrangeJSON holds that the JSON of a search is its last answer alone.
func TestArrangeJSON(t *testing.T) {
	r := arrangeRun{}.run(t, newFake(t), "--output", "json")
	var got bayholdv1.ArrangeJobsResponse
	if err := protojson.Unmarshal([]byte(r.out), &got); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(fixtureSearch()[2], &got, protocmp.Transform()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestArrangeRequest holds what the flags and the file ask of the server.
func TestArrangeRequest(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new.yaml")
	body := `
- reference: R/51=a
  procedures: [belt-orlo-20, pump]
  earliest: 2026-12-01
  promise: 2026-12-02
  weight: 2.5
  parts:
    seal: 2026-12-02 10:00
    belt-20: tue 11:00
- {reference: R-52, procedures: [belt-orlo-20], earliest: 2026-12-01 08:00}
`
	if err := os.WriteFile(path, []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
	f := newFake(t)
	r := f.run(t, "job", "arrange", "--job", "19,18", "--job", "jobs/19", "--new", "R-50=belt-orlo-20, pump@2026-12-03/thu 16:00",
		"--new-file", path, "--search", "90s", "--schedules", "5000", "--seed", "7", "--horizon", "2026-12-18")
	if r.code != exitDone {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	belt, pump := harbour+"/procedures/belt-orlo-20", harbour+"/procedures/pump"
	want := &bayholdv1.ArrangeJobsRequest{
		Parent: harbour, Jobs: []string{harbour + "/jobs/18", harbour + "/jobs/19"},
		NewJobs: []*bayholdv1.NewJob{
			{Reference: "R-50", Procedures: []string{belt, pump}, EarliestTime: ts(dec, 3, 0, 0), PromiseTime: ts(dec, 3, 16, 0)},
			{
				Reference: "R/51=a", Procedures: []string{belt, pump}, EarliestTime: ts(dec, 1, 0, 0), PromiseTime: ts(dec, 3, 0, 0), Weight: 2.5,
				PartArrivals: []*bayholdv1.PartArrival{{Part: "belt-20", ExpectedTime: ts(dec, 1, 11, 0)}, {Part: "seal", ExpectedTime: ts(dec, 2, 10, 0)}},
			},
			{Reference: "R-52", Procedures: []string{belt}, EarliestTime: ts(dec, 1, 8, 0)},
		},
		SearchTime: durationpb.New(90 * time.Second), Schedules: 5000, Seed: 7, HorizonTime: ts(dec, 19, 0, 0),
	}
	if diff := cmp.Diff(want, last[*bayholdv1.ArrangeJobsRequest](t, f), protocmp.Transform()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestNewJobs holds what is said of new jobs that cannot be read.
func TestNewJobs(t *testing.T) {
	for _, tt := range []struct{ flag, text, want string }{
		{"--new", "belt-orlo-20@tomorrow", "write it like"},
		{"--new", "R-1=belt-orlo-20", "write it like"},
		{"--new", "=belt-orlo-20@tomorrow", "has no reference"},
		{"--new", "R-1=@tomorrow", `"" is no name in procedures`},
		{"--new", "R-1=belt-orlo-20@8:00", `--new R-1, earliest: "8:00": which day?`},
		{"--new", "R-1=belt-orlo-20@tomorrow/", "no promise after the /"},
		{"--new", "R-1=belt-orlo-20@tomorrow/fri 25:00", "--new R-1, promise:"},
		{"--new-file", "", "holds no job"},
		{"--new-file", "reference: R-1", "line 1"},
		{"--new-file", "- refrence: R-1", "refrence is nothing that a job has"},
		{"--new-file", "- procedures: [x]\n  earliest: tomorrow", "job 1 has no reference"},
		{"--new-file", "- reference: R-1\n  earliest: tomorrow", "R-1 has no procedures"},
		{"--new-file", "- {reference: R-1, procedures: [x]}", "R-1, earliest: no time given"},
		{"--new-file", "- {reference: R-1, procedures: [x], earliest: now, parts: {p: soon}}", "R-1, part p:"},
	} {
		t.Run(tt.text, func(t *testing.T) {
			text := tt.text
			if tt.flag == "--new-file" {
				text = "-"
			}
			f := newFake(t)
			r := runWith(t, f.env(t), tt.text, "job", "arrange", tt.flag, text)
			if said := strings.Join(strings.Fields(r.err), " "); r.code != exitUsage || !strings.Contains(said, tt.want) {
				t.Errorf("exit %d, %q; want %q", r.code, said, tt.want)
			}
		})
	}
}

// TestMove holds what is booked of an arrangement: what is new or changes, be it
// other people at the same time, as it was answered.
func TestMove(t *testing.T) {
	f := newFake(t)
	all := append(fixtureArranged(), replanned("R-17", "anna"))
	all[5].Plan.Bookings = all[5].Plan.Bookings[:2]
	f.search = search{told: []*bayholdv1.ArrangeJobsResponse{{Jobs: all, Done: true}}}
	path := filepath.Join(t.TempDir(), "plan.json")
	if r := (arrangeRun{}).run(t, f, "--to", path); r.code != exitNo {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	const requestID = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	r := f.run(t, "job", "move", "--arrangement", path, "--reason", "make room", "--request-id", requestID)
	if r.code != exitDone || !strings.Contains(r.out, "R-21 has no place and is left out.") {
		t.Fatalf("exit %d, %q, %q", r.code, r.out, r.err)
	}
	want := &bayholdv1.BookArrangementRequest{Parent: harbour, RequestId: requestID, Jobs: settled(), Reason: "make room"}
	if diff := cmp.Diff(want, last[*bayholdv1.BookArrangementRequest](t, f), protocmp.Transform()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestMoveFile holds what is said of a file that cannot be booked.
func TestMoveFile(t *testing.T) {
	elsewhere, err := protojson.Marshal(&bayholdv1.BookArrangementRequest{
		Parent: "sites/hill", Jobs: []*bayholdv1.ArrangedJob{{Job: "sites/hill/jobs/1", Reference: "R-1"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	still, err := messageJSON(&bayholdv1.ArrangeJobsResponse{Jobs: []*bayholdv1.ArrangedJob{replanned("R-19", "anna")}, Done: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ name, body, want string }{
		{"no JSON", "plan", "is no arrangement"},
		{"a plan", `{"steps":[]}`, "holds no arrangement"},
		{"a repair's answer", `{"broken":[],"jobs":[]}`, "holds the answer of job repair itself"},
		{"other site", string(elsewhere), "not one of sites/harbour"},
		{"nothing moves", string(still), "there is nothing to book"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			r := runWith(t, f.env(t), tt.body, "job", "move", "--arrangement", "-")
			if said := strings.Join(strings.Fields(r.err), " "); r.code != exitUsage || !strings.Contains(said, tt.want) {
				t.Errorf("exit %d, %q; want %q", r.code, said, tt.want)
			}
		})
	}
}

// TestUnwritable holds that an answer which cannot be kept is told all the same.
func TestUnwritable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "missing", "plan.json")
	r := arrangeRun{}.run(t, newFake(t), "--to", path)
	if r.code != exitUsage || !strings.Contains(r.out, "R-18") || strings.Contains(r.out, "--arrangement") || !strings.Contains(r.err, "cannot write") {
		t.Errorf("exit %d, %q, %q", r.code, r.out, r.err)
	}
}

// TestRepairKept holds that a repair is kept with what happened, and booked so,
// at once or from its file.
func TestRepairKept(t *testing.T) {
	const requestID = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	path := filepath.Join(t.TempDir(), "repair.json")
	repair := []string{"job", "repair", "--overrun", "21/change=+1h30m", "--reason", "bolt broke off"}
	want := &bayholdv1.BookArrangementRequest{
		Parent: harbour, RequestId: requestID, Jobs: fixtureRepair().GetJobs(), Reason: "bolt broke off",
		Overruns: []*bayholdv1.Overrun{{Job: harbour + "/jobs/21", Step: "belt/change", ExtraMinutes: 90}},
	}
	f := newFake(t)
	if r := f.run(t, append(repair, "--to", path)...); r.code != exitDone || !strings.Contains(r.out, "bayhold job move --arrangement "+path) {
		t.Fatalf("exit %d, %q, %q", r.code, r.out, r.err)
	}
	for _, args := range [][]string{
		{"job", "move", "--arrangement", path, "--request-id", requestID},
		append(repair, "--book", "--request-id", requestID),
	} {
		f := newFake(t)
		r := f.run(t, args...)
		if r.code != exitDone {
			t.Fatalf("exit %d, %q", r.code, r.err)
		}
		if diff := cmp.Diff(want, last[*bayholdv1.BookArrangementRequest](t, f), protocmp.Transform()); diff != "" {
			t.Errorf("%v (-want +got):\n%s", args, diff)
		}
	}
}

// TestRepeatRepair holds that a repair whose outcome is not known is sent again
// word for word, though another would be found by now.
func TestRepeatRepair(t *testing.T) {
	f := newFake(t)
	f.fail["BookArrangement"] = once(codes.DeadlineExceeded)
	env := f.env(t)
	args := []string{"job", "repair", "--out", "TW-04", "--until", "+2d", "--book"}
	r := runWith(t, env, "", args...)
	found := repeatLine.FindStringSubmatch(r.err)
	if r.code != exitNoServer || found == nil {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	first := proto.Clone(last[*bayholdv1.BookArrangementRequest](t, f))
	f.reply["ProposeRepair"] = &bayholdv1.ProposeRepairResponse{}
	r = runWith(t, env, "", append(args, "--request-id", found[1])...)
	if r.code != exitDone || !strings.Contains(r.out, "Booked, 3 jobs in one act") {
		t.Fatalf("exit %d, %q, %q", r.code, r.out, r.err)
	}
	if diff := cmp.Diff(first, proto.Message(last[*bayholdv1.BookArrangementRequest](t, f)), protocmp.Transform()); diff != "" {
		t.Errorf("the repeat differs (-first +second):\n%s", diff)
	}
}

// TestRepairEvents holds how what happened is read.
func TestRepairEvents(t *testing.T) {
	overrun := func(minutes int32) *bayholdv1.ProposeRepairRequest {
		return &bayholdv1.ProposeRepairRequest{Parent: harbour, Event: &bayholdv1.ProposeRepairRequest_Overrun{
			Overrun: &bayholdv1.Overrun{Job: harbour + "/jobs/21", Step: "belt/change", ExtraMinutes: minutes},
		}}
	}
	out := func(name string) *bayholdv1.ProposeRepairRequest {
		return &bayholdv1.ProposeRepairRequest{Parent: harbour, HorizonTime: ts(dec, 19, 0, 0), Event: &bayholdv1.ProposeRepairRequest_Outage{
			Outage: &bayholdv1.Outage{Resource: harbour + "/" + name, During: during(ts(nov, 26, 0, 0), ts(nov, 28, 0, 0))},
		}}
	}
	days := " --from 2026-11-26 --until fri --horizon 2026-12-18"
	for _, tt := range []struct {
		line string
		want *bayholdv1.ProposeRepairRequest // nil: refused
		say  string
	}{
		{"--overrun 21/belt/change=+90", overrun(90), ""},
		{"--overrun jobs/21/change=2h", overrun(120), ""},
		{"--overrun sites/harbour/jobs/21/change=+45", overrun(45), ""},
		{"--out TW-04" + days, out("tools/TW-04"), ""},
		{"--out anna" + days, out("technicians/anna"), ""},
		{"--out bays/bay-1" + days, out("bays/bay-1"), ""},
		{"--out sites/harbour/tools/TW-04" + days, out("tools/TW-04"), ""},
		{"--overrun 21/change", nil, "write job, step and minutes"},
		{"--overrun 21=+90", nil, "write job, step and minutes"},
		{"--overrun 21/change=0", nil, "write job, step and minutes"},
		{"--overrun 21/change=1d", nil, "write job, step and minutes"},
		{"--overrun 21/change=90 --until fri", nil, "go with --out only"},
		{"--overrun 21/change=90 --out TW-04", nil, "what happened?"},
		{"--out TW-04", nil, "until when"},
		{"--out gates/TW-04 --until fri", nil, "give the id of a bay"},
		{"--out TW-04 --until fri --request-id 4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d", nil, "goes with --book only"},
	} {
		t.Run(tt.line, func(t *testing.T) {
			f := newFake(t)
			r := f.run(t, append([]string{"job", "repair"}, words(tt.line)...)...)
			if tt.want == nil {
				if said := strings.Join(strings.Fields(r.err), " "); r.code != exitUsage || !strings.Contains(said, tt.say) {
					t.Errorf("exit %d, %q; want %q", r.code, said, tt.say)
				}
				return
			}
			if r.code != exitDone {
				t.Fatalf("exit %d, %q", r.code, r.err)
			}
			if diff := cmp.Diff(tt.want, last[*bayholdv1.ProposeRepairRequest](t, f), protocmp.Transform()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestBookedJSON holds that --book answers what was booked, or with nothing
// booked the repair.
func TestBookedJSON(t *testing.T) {
	for want, reply := range map[string]*bayholdv1.ProposeRepairResponse{
		"jobs": nil, "broken": {},
	} {
		f := newFake(t)
		if reply != nil {
			f.reply["ProposeRepair"] = reply
		}
		r := f.run(t, "job", "repair", "--out", "TW-04", "--until", "fri", "--book", "-o", "json")
		var keys map[string]json.RawMessage
		if err := json.Unmarshal([]byte(r.out), &keys); r.code != exitDone || err != nil || keys[want] == nil {
			t.Errorf("exit %d, %v, %q", r.code, err, r.out)
		}
	}
}
