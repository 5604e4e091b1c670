package workshop

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// engine is a booked job in the small workshop, and its clock.
type engine struct {
	*Workshop
	t   *testing.T
	job site.Job
	at  time.Time
}

// newEngine books the chain for Monday, eight o'clock, and draws its tools.
func newEngine(t *testing.T) *engine {
	t.Helper()
	w := small(t)
	p := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(12, 8, 0), Bay: "bay-2"})[0].Plan
	o := order("W-901", p)
	o.Promise = local(12, 17, 0)
	booked, err := w.Book(t.Context(), act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	e := &engine{Workshop: w, t: t, job: booked.Job, at: local(12, 8, 0)}
	w.now = func() time.Time { return e.at }
	for _, b := range booked.Bookings {
		if b.Kind == site.KindTool {
			e.draw(b.Resource)
		}
	}
	return e
}

// draw issues a tool to Ada for the job, unless it is with her already.
func (e *engine) draw(tag string) {
	e.t.Helper()
	_, err := store.Act(e.t.Context(), e.store, e.request(act("issue")), func(ctx context.Context, tx *store.Tx) (int, error) {
		if _, out, err := tx.OpenIssue(ctx, tag); err != nil || out {
			return 0, err
		}
		if err := tx.Lock(ctx, []Ref{{Kind: site.KindTool, ID: tag}, {Kind: site.KindTechnician, ID: "ada"}}); err != nil {
			return 0, err
		}
		_, err := tx.AddIssue(ctx, site.Issue{Tool: tag, Technician: "ada", Job: e.job.ID, OutSince: tx.Now(), IssuedAt: tx.Now(), DueAt: tx.Now().Add(48 * time.Hour)})
		return 0, err
	})
	if err != nil {
		e.t.Fatal(err)
	}
}

// giveBack returns every tool of the job.
func (e *engine) giveBack() {
	e.t.Helper()
	_, err := store.Act(e.t.Context(), e.store, e.request(act("return")), func(ctx context.Context, tx *store.Tx) (int, error) {
		list, err := tx.Issues(ctx, store.IssueFilter{Job: e.job.ID, Open: true})
		for _, i := range list {
			i.Outcome = site.Returned
			_, closeErr := tx.CloseIssue(ctx, i)
			err = errors.Join(err, closeErr)
		}
		return 0, err
	})
	if err != nil {
		e.t.Fatal(err)
	}
}

func (e *engine) told(step, who string) StepRecord {
	return StepRecord{Job: e.job.ID, Step: step, Told: Told{Technician: who}}
}

func (e *engine) start(step, who string) error {
	_, err := e.StartStep(e.t.Context(), act("start"), e.told(step, who))
	return err
}

func (e *engine) finish(step, who string) (Recorded, error) {
	return e.FinishStep(e.t.Context(), act("finish"), e.told(step, who))
}

// do begins and finishes a step, so many minutes later.
func (e *engine) do(step, who string, minutes int) Recorded {
	e.t.Helper()
	if err := e.start(step, who); err != nil {
		e.t.Fatal(err)
	}
	e.at = e.at.Add(time.Duration(minutes) * time.Minute)
	out, err := e.finish(step, who)
	if err != nil {
		e.t.Fatal(err)
	}
	return out
}

func (e *engine) measure(step string, list ...running.Measured) (Readings, error) {
	return e.RecordReadings(e.t.Context(), act("read"), e.told(step, "ada"), list)
}

func (e *engine) tick(step, part string) {
	e.t.Helper()
	if _, err := e.TickPart(e.t.Context(), act("tick"), e.told(step, "ada"), running.PartUsed{Part: part, Quantity: 1}); err != nil {
		e.t.Fatal(err)
	}
}

// bolt tightens the crank bolt with the multiplier, and both sign.
func (e *engine) bolt() {
	e.t.Helper()
	e.tick("crank-bolt", "crank-bolt")
	if _, err := e.measure("crank-bolt",
		running.Measured{Fastener: 1, Stage: 1, Value: 101, Tool: "MU-1"}, running.Measured{Fastener: 1, Stage: 2, Value: 270, Tool: "MU-1"}); err != nil {
		e.t.Fatal(err)
	}
	for _, who := range []string{"ada", "ben"} {
		if _, err := e.SignStep(e.t.Context(), act("sign"), e.told("crank-bolt", who)); err != nil {
			e.t.Fatal(err)
		}
	}
}

// TestTheSiteSaysHowNearATighteningMustCome records the same torque before and
// after the policy was narrowed: what was judged stays judged.
func TestTheSiteSaysHowNearATighteningMustCome(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	e.do("remove", "ada", 10)
	e.do("fit-locks", "ada", 10)
	if err := e.start("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	e.tick("renew", "chain-kit")
	if _, err := e.finish("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	if err := e.start("crank-bolt", "ada"); err != nil {
		t.Fatal(err)
	}
	read := func() running.Reading {
		got, err := e.measure("crank-bolt", running.Measured{Fastener: 1, Stage: 1, Value: 103, Tool: "MU-1"})
		if err != nil {
			t.Fatal(err)
		}
		return got.Readings[0]
	}
	if first := read(); first.Outside() {
		t.Errorf("3 %% too much is outside of 4 %%: %s", first.Words())
	}
	p := calibration.DefaultPolicy()
	p.Joint.Torque = 0.02
	if _, err := e.SetCalibrationPolicy(t.Context(), act("policy"), p, time.Time{}); err != nil {
		t.Fatal(err)
	}
	if second := read(); !second.Outside() {
		t.Errorf("3 %% too much is inside of 2 %%: %s", second.Words())
	}
	list, err := store.Act(t.Context(), e.store, e.request(act("look")), func(ctx context.Context, tx *store.Tx) ([]running.Reading, error) {
		return tx.Readings(ctx, store.ReadingFilter{Job: e.job.ID})
	})
	if err != nil || len(list) != 2 || list[0].Outside() == list[1].Outside() {
		t.Errorf("%v, %v", list, err)
	}
}

// reasons are the kinds that a refusal names.
func reasons(err error) []string {
	f := fault.Fault(err)
	if f == nil {
		return nil
	}
	var out []string
	for _, v := range f.Fields {
		out = append(out, v.Path)
	}
	return out
}

func TestAJobIsRunToItsEnd(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	if err := e.start("refit", "ada"); !slices.Equal(reasons(err), []string{"BEFORE"}) {
		t.Errorf("out of order: %v", err)
	}
	e.do("remove", "ada", 50)
	out := e.do("fit-locks", "ada", 30)
	if out.Late >= 0 || out.Job.Steps[1].During.End != e.at {
		t.Errorf("finished %d minutes late, placed to %v", out.Late, out.Job.Steps[1].During.End)
	}
	if err := e.start("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	if _, err := e.finish("renew", "ada"); !slices.Equal(reasons(err), []string{"PARTS"}) {
		t.Errorf("without its part: %v", err)
	}
	e.tick("renew", "chain-kit")
	e.at = e.at.Add(80 * time.Minute)
	if _, err := e.finish("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	if err := e.start("crank-bolt", "ada"); err != nil {
		t.Fatal(err)
	}
	e.bolt()
	e.at = e.at.Add(30 * time.Minute)
	if _, err := e.finish("crank-bolt", "ada"); err != nil {
		t.Fatal(err)
	}
	e.do("take-locks-off", "ada", 10)
	last := e.do("refit", "cem", 40)
	if len(last.Next) != 0 || last.State != running.Finished {
		t.Errorf("the end: %+v", last)
	}
	_, err := e.CloseJob(t.Context(), act("close"), e.job.ID, Told{})
	if !slices.Contains(reasons(err), "TOOL_OUT") {
		t.Errorf("closed with tools out: %v", err)
	}
	e.giveBack()
	closed, err := e.CloseJob(t.Context(), act("close"), e.job.ID, Told{Note: "handed over"})
	if err != nil {
		t.Fatal(err)
	}
	if !closed.Job.Planned.End.Equal(e.at) {
		t.Errorf("handed back at %v, planned to %v", e.at, closed.Job.Planned.End)
	}
	e.nothingHeld()
	e.answersForIt()
}

// nothingHeld wants no booking of the job to reach beyond now.
func (e *engine) nothingHeld() {
	e.t.Helper()
	held, err := read(e.t.Context(), e.Workshop, "quay", func(ctx context.Context, r store.Reader) ([]site.Booking, error) {
		return r.Bookings(ctx, store.BookingFilter{Job: e.job.ID, Now: e.at})
	})
	if err != nil || len(held) == 0 {
		e.t.Fatalf("%d bookings: %v", len(held), err)
	}
	for _, b := range held {
		if b.During.End.After(e.at) {
			e.t.Errorf("%s is held to %v, and it is %v", b.Resource, b.During.End, e.at)
		}
	}
}

// answersForIt reads the record as somebody would years later.
func (e *engine) answersForIt() {
	e.t.Helper()
	e.at = e.at.AddDate(2, 0, 0)
	rec, err := e.JobRecord(e.t.Context(), "quay", e.job.ID)
	if err != nil {
		e.t.Fatal(err)
	}
	if rec.Closing == nil || rec.Closing.Note != "handed over" || rec.Done != len(rec.Lines) {
		e.t.Errorf("closing %+v, %d of %d done", rec.Closing, rec.Done, len(rec.Lines))
	}
	bolt := rec.Steps[slices.IndexFunc(rec.Steps, func(s StepRecorded) bool { return s.ID == "chain/crank-bolt" })]
	if len(bolt.Readings) != 2 || bolt.Readings[0].Set != 20 || bolt.Readings[0].Ratio != 5 || len(bolt.SignOffs) != 2 || len(bolt.Parts) != 1 {
		e.t.Errorf("the crank bolt: %+v", bolt)
	}
	if len(rec.Tools) != 2 || rec.Tools[1].Tag != "MU-1" || rec.Tools[1].Uses[0].CalibratedUntil.IsZero() || len(rec.Tools[0].Issues) != 1 {
		e.t.Errorf("tools: %+v", rec.Tools)
	}
}

func TestAnOverrideIsAManagersAndIsRecorded(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	q := e.told("fit-locks", "ada")
	q.Override = "cover was off already"
	as := act("start")
	as.Caller = access.Caller{Site: "quay", User: "ada", Technician: "ada", Roles: []access.Role{access.Technician}}
	_, err := e.StartStep(t.Context(), as, q)
	wantKind(t, err, fault.Forbidden, "ROLE")
	out, err := e.StartStep(t.Context(), act("start"), q)
	if err != nil || len(out.Overridden) != 1 {
		t.Fatalf("%+v, %v", out, err)
	}
	rec, err := e.JobRecord(t.Context(), "quay", e.job.ID)
	if err != nil {
		t.Fatal(err)
	}
	s := rec.Steps[slices.IndexFunc(rec.Steps, func(s StepRecorded) bool { return s.ID == "locked/fit-locks" })]
	if len(s.Overrides) != 1 || s.Overrides[0].Note != q.Override || s.Overrides[0].Against[0].Kind != running.Before {
		t.Errorf("%+v", s.Overrides)
	}
}

func TestWhoRecordsAndWhen(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	as := act("start")
	as.Caller = access.Caller{Site: "quay", User: "ada", Technician: "ada", Roles: []access.Role{access.Technician}}
	_, err := e.StartStep(t.Context(), as, e.told("remove", "ben"))
	wantKind(t, err, fault.Forbidden, "OWN_NAME")
	if out, err := e.StartStep(t.Context(), as, e.told("remove", "")); err != nil || out.State != running.Running {
		t.Fatalf("%+v, %v", out, err)
	}
	day, err := e.Day(t.Context(), "quay", "ada", hours.Date{})
	if err != nil || len(day.Steps) == 0 || day.Steps[0].State != running.Running {
		t.Errorf("%+v, %v", day, err)
	}
	for name, at := range map[string]time.Time{"ahead": e.at.Add(time.Hour), "long ago": e.at.AddDate(0, 0, -15)} {
		q := e.told("remove", "ada")
		q.At = at
		_, err := e.PauseStep(t.Context(), act("pause"), q)
		if fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
	q := e.told("remove", "ada")
	q.At = e.at.Add(-time.Minute)
	_, err = e.PauseStep(t.Context(), act("pause"), q)
	wantKind(t, err, fault.Precondition, "OUT_OF_ORDER")
	// Sent later, with its own time: both are kept.
	q.At = e.at.Add(10 * time.Minute)
	e.at = e.at.Add(3 * time.Hour)
	if _, err := e.PauseStep(t.Context(), act("pause"), q); err != nil {
		t.Fatal(err)
	}
	rec, err := e.JobRecord(t.Context(), "quay", e.job.ID)
	if err != nil {
		t.Fatal(err)
	}
	paused := rec.Steps[0].Events[1]
	if !paused.At.Equal(q.At) || !paused.RecordedAt.Equal(e.at) {
		t.Errorf("at %v, recorded %v", paused.At, paused.RecordedAt)
	}
}

func TestStepsAreQuickToName(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	name := func(word string) (string, error) {
		v, err := e.Step(t.Context(), "quay", e.job.ID, word, "ada")
		return v.Line.ID, err
	}
	for word, want := range map[string]string{"ren": "chain/renew", "locked/f": "locked/fit-locks", "chain/crank-bolt": "chain/crank-bolt", "refit": "cover-off/refit"} {
		if got, err := name(word); got != want || err != nil {
			t.Errorf("%s: %q, %v", word, got, err)
		}
	}
	_, err := name("re") // remove, renew, refit
	wantKind(t, err, fault.Invalid, "STEP")
	_, err = name("")
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
	_, err = name("wheels")
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
}

func TestEarlyEndsFreeAtOnce(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	if err := e.start("remove", "ada"); err != nil {
		t.Fatal(err)
	}
	e.at = e.at.Add(20 * time.Minute) // of sixty
	out, err := e.finish("remove", "ada")
	if err != nil {
		t.Fatal(err)
	}
	who := 0
	for _, b := range out.Freed {
		if b.Kind == site.KindTechnician {
			who++
		}
	}
	if who != 1 || out.Late != -40 {
		t.Fatalf("freed %+v, %d minutes late", out.Freed, out.Late)
	}
	// The freed minutes can be had at once.
	p := Reservation{Reference: "R-1", Refs: []Ref{{Kind: site.KindTechnician, ID: out.Freed[0].Resource}},
		During: hours.Range{Start: e.at, End: out.Freed[0].During.End}, State: site.Confirmed}
	if _, err := e.Reserve(t.Context(), act("reserve"), p); err != nil {
		t.Error(err)
	}
}
