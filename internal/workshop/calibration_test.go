package workshop

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// day is one of May 2031.
func day(d int) hours.Date { return hours.Date{Year: 2031, Month: 5, Day: d} }

// certified records a certificate of a wrench from 40 to 200 N·m that was read
// so at both ends.
func certified(t *testing.T, w *Workshop, tag, number string, date hours.Date, at40, at200 float64) RecordedCertificate {
	t.Helper()
	point := func(nominal, reading float64) calibration.Point {
		return calibration.Point{Nominal: nominal, Direction: calibration.Clockwise, AsFound: slices.Repeat([]float64{reading}, 5)}
	}
	out, err := w.RecordCertificate(t.Context(), act("certify"), tag, calibration.Certificate{
		Number: number, Laboratory: "Harbour Metrology", Date: date, Rule: calibration.SimpleAcceptance,
		Points: []calibration.Point{point(40, at40), point(200, at200)},
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// stands tells how a tool stands.
func stands(t *testing.T, w *Workshop, tag string) ToolCalibration {
	t.Helper()
	list, err := w.Due(t.Context(), "quay", time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	at := slices.IndexFunc(list, func(c ToolCalibration) bool { return c.Tool.Tag == tag })
	if at < 0 {
		t.Fatalf("%s is not listed", tag)
	}
	return list[at]
}

func taken(tag, source string, at time.Time, wanted, tolerance float64) TighteningRecord {
	return TighteningRecord{Tool: tag, Source: source, Person: "ada", Tightening: calibration.Tightening{
		At: at, Job: "W-" + source, Joint: "wheel", Fastener: "nut 1", Stage: 1, Wanted: wanted, Tolerance: tolerance, Direction: calibration.Clockwise,
	}}
}

// A wrench that gives 38 N·m at 40 and 190 at 200 gives 5 % too little
// everywhere: (X_a - X_r) / X_r is 5.263 %.
func TestTraceFollowsReadingsOfJobs(t *testing.T) {
	t.Parallel()
	w := small(t)
	if got := certified(t, w, "TW-1", "C-1", day(8), 40, 200); got.Trace != nil {
		t.Errorf("nothing was found: %+v", got.Trace)
	}
	p := find(t, w, FindQuestion{Procedures: []string{"cam-bolts"}, Earliest: local(12, 8, 0)})[0].Plan
	booked, err := book(t, w, "W-905", p)
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
	e.draw("TW-1")
	e.do("remove", "ada", 60)
	e.do("fit-locks", "ada", 30)
	if err := e.start("tighten", "ada"); err != nil {
		t.Fatal(err)
	}
	for bolt := 1; bolt <= 3; bolt++ {
		if _, err := e.measure("tighten", running.Measured{Fastener: bolt, Stage: 1, Value: 60, Tool: "TW-1"}); err != nil {
			t.Fatal(err)
		}
	}
	if due := stands(t, w, "TW-1").Due; due.CyclesUsed != 3 || due.CyclesLeft != 4997 {
		t.Errorf("%d cycles used, %d left", due.CyclesUsed, due.CyclesLeft)
	}
	e.at = local(14, 8, 0)
	got := certified(t, w, "TW-1", "C-2", day(13), 38, 190)
	if got.Trace == nil || got.Trace.Lines != 3 || got.Trace.Open != 3 || got.Standing.Due.Reason != calibration.NotAccepted {
		t.Fatalf("trace %+v, due %+v", got.Trace, got.Standing.Due)
	}
	trace, err := w.Trace(t.Context(), "quay", "TW-1", "")
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range trace.Lines {
		if math.Abs(l.Torque-57) > 1e-9 || l.Job != "W-905" || l.Person != "ada" || l.Since.Source != "certificate C-1" {
			t.Errorf("%+v", l)
		}
	}
}

func TestTakenInTightenings(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	certified(t, w, "TW-1", "C-1", day(1), 40, 200)
	list := []TighteningRecord{
		taken("TW-1", "p-0", local(1, 0, 0).Add(-time.Hour), 120, 0.04), // before the certificate
		taken("TW-1", "p-1", local(2, 10, 0), 120, 0.04),
		taken("TW-1", "p-2", local(3, 10, 0), 120, 0.10),
	}
	got, err := w.ImportTightenings(ctx, act("import"), list)
	if err != nil || got.New != 3 || got.Known != 0 || len(got.Touched) != 0 {
		t.Fatalf("%+v, %v", got, err)
	}
	if got, err := w.ImportTightenings(ctx, act("import"), list); err != nil || got.New != 0 || got.Known != 3 {
		t.Errorf("once more: %+v, %v", got, err)
	}
	other := slices.Clone(list)
	other[1].Tightening.Wanted = 130
	_, err = w.ImportTightenings(ctx, act("import"), other)
	wantKind(t, err, fault.Exists, "TIGHTENINGS")
	found := certified(t, w, "TW-1", "C-2", day(10), 38, 190)
	if s := found.Trace; s == nil || s.Lines != 2 || s.Outside != 1 || s.Inside != 1 || s.Open != 2 {
		t.Fatalf("%+v", s)
	}
	// One that comes in late is a line of the finding too.
	late, err := w.ImportTightenings(ctx, act("import"), []TighteningRecord{taken("TW-1", "p-3", local(4, 9, 0), 100, 0.04)})
	if err != nil || len(late.Touched) != 1 || late.Touched[0].Summary.Lines != 3 {
		t.Errorf("%+v, %v", late, err)
	}
	trace, err := w.Trace(ctx, "quay", "TW-1", "C-2")
	if err != nil || len(trace.Lines) != 3 {
		t.Fatalf("%+v, %v", trace, err)
	}
	first := trace.Lines[0].ID
	decision := calibration.Decision{Answer: calibration.Rechecked, Note: "121 N·m at the vehicle"}
	_, err = w.CloseLines(ctx, act("close"), "TW-1", "C-2", []string{first, "tightenings/999"}, decision)
	wantKind(t, err, fault.NotFound, "NO_LINE")
	closed, err := w.CloseLines(ctx, act("close"), "TW-1", "", []string{first}, decision)
	if err != nil || closed.Summary.Open != 2 || closed.Lines[0].Decision.Person != "test" || !closed.Lines[0].Decision.At.Equal(monday) {
		t.Fatalf("%+v, %v", closed, err)
	}
	audit, err := w.AuditCalibration(ctx, "quay", hours.Range{Start: local(1, 0, 0), End: local(12, 7, 0)})
	if err != nil {
		t.Fatal(err)
	}
	at := slices.IndexFunc(audit.Tools, func(a AuditedTool) bool { return a.Tool.Tag == "TW-1" })
	if a := audit.Tools[at]; len(a.Traces) != 1 || len(a.Open) != 2 || len(a.Gaps) != 0 {
		t.Errorf("audited: %+v", a)
	}
	_, err = w.Trace(ctx, "quay", "TW-2", "")
	wantKind(t, err, fault.NotFound, "NO_FINDING")
}

// More than 25 % above the greatest torque ends a calibration: calibration
// laboratories.
func TestAnOverloadThatWasRecordedEndsACalibration(t *testing.T) {
	t.Parallel()
	w := small(t)
	certified(t, w, "TW-1", "C-1", day(1), 40, 200)
	x := taken("TW-1", "p-1", local(5, 10, 0), 251, 0)
	got, err := w.ImportTightenings(t.Context(), act("import"), []TighteningRecord{x})
	if err != nil || !slices.Equal(got.Earlier, []string{"TW-1"}) {
		t.Fatalf("%+v, %v", got, err)
	}
	if s := stands(t, w, "TW-1"); s.Due.Reason != calibration.ByOverload || !s.Tool.CalibratedUntil.Equal(local(5, 10, 0)) {
		t.Errorf("%+v", s.Due)
	}
}

func TestPolicyOfASite(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	certified(t, w, "TW-1", "C-1", day(1), 40, 200)
	certified(t, w, "TW-1", "C-2", day(8), 40, 200)
	p := calibration.DefaultPolicy()
	p.Due.Months = 0
	_, err := w.SetCalibrationPolicy(ctx, act("policy"), p, time.Time{})
	wantKind(t, err, fault.Invalid, "BAD_CALIBRATION_POLICY")
	p.Due.Days = 3
	got, err := w.SetCalibrationPolicy(ctx, act("policy"), p, time.Time{})
	if err != nil || len(got.Changed) != 1 || got.Changed[0].Tool.Tag != "TW-1" {
		t.Fatalf("%+v, %v", got, err)
	}
	// From the first use, which may be today: three days and the day itself.
	if s := stands(t, w, "TW-1"); !s.Tool.CalibratedUntil.Equal(local(16, 0, 0)) {
		t.Errorf("in calibration until %v", s.Tool.CalibratedUntil)
	}
	_, err = w.SetCalibrationPolicy(ctx, act("policy"), p, time.Time{})
	wantKind(t, err, fault.Precondition, "POLICY_CHANGED")
	now, err := w.CalibrationPolicy(ctx, "quay")
	if err != nil || now.Person != "test" || now.Policy.Due.Days != 3 {
		t.Fatalf("%+v, %v", now, err)
	}
}

// A site that has decided before it records its old certificates is not held to
// the program's own twelve months for the time before.
func TestTheFirstPolicySpeaksForOldCertificates(t *testing.T) {
	t.Parallel()
	w := small(t)
	p := calibration.DefaultPolicy()
	p.Due.Months, p.Due.FromFirstUse = 24, false
	if _, err := w.SetCalibrationPolicy(t.Context(), act("policy"), p, time.Time{}); err != nil {
		t.Fatal(err)
	}
	certified(t, w, "TW-2", "C-1", hours.Date{Year: 2030, Month: 2, Day: 1}, 40, 200)
	if got, want := stands(t, w, "TW-2").Tool.CalibratedUntil, time.Date(2032, 2, 2, 0, 0, 0, 0, time.UTC); !got.Equal(want) {
		t.Errorf("in calibration until %v, want %v", got, want)
	}
}

func TestTheIntervalThatAReviewProposes(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	for year := 2026; year <= 2031; year++ {
		certified(t, w, "TW-1", hours.Date{Year: year, Month: 5, Day: 8}.String(), hours.Date{Year: year, Month: 5, Day: 8}, 40, 201)
	}
	_, err := w.ApplyInterval(ctx, act("apply"), "TW-1", calibration.IntervalTest, 365)
	wantKind(t, err, fault.Precondition, "NO_CHANGE") // five results are no evidence against 365 days
	_, err = w.ApplyInterval(ctx, act("apply"), "TW-1", calibration.Staircase, 500)
	wantKind(t, err, fault.Precondition, "PROPOSAL_CHANGED")
	_, err = w.ApplyInterval(ctx, act("apply"), "TW-1", calibration.Exponential, 365)
	wantKind(t, err, fault.Precondition, "NO_CHANGE")
	before := stands(t, w, "TW-1").Tool.CalibratedUntil
	got, err := w.ApplyInterval(ctx, act("apply"), "TW-1", calibration.Staircase, 547) // 365 and half of it
	if err != nil || got.Days != 547 {
		t.Fatalf("%+v, %v", got, err)
	}
	if after := stands(t, w, "TW-1").Tool.CalibratedUntil; after.Sub(before).Hours()/24 < 180 {
		t.Errorf("in calibration until %v, then %v", before, after)
	}
	made, err := w.ReviewInterval(ctx, "quay", "TW-1", 0)
	if err != nil || made.Proposals[0].Present != 547 || made.Source != "decided by test on 2031-05-12, from the staircase" {
		t.Errorf("%+v, %v", made, err)
	}
}

// Of the chain, the multiplier is the only tool that bears the crank bolt.
func TestALeaveMovesWhatIsInTheWay(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := t.Context()
	first, _ := twoChains(t, w)
	all, err := w.FindLeaves(ctx, "quay", LeaveQuestion{Tag: "MU-1", Days: 1, From: day(12), Until: day(23)})
	if err != nil || len(all.Options) != 5 || !all.Options[0].Harm.None() || all.Starts != 10 { // two weeks of five days
		t.Fatalf("%+v, %v", all, err)
	}
	// The nearest to the end of its calibration, which is far ahead.
	if got := all.Options[0].During.Start; !got.Equal(local(23, 0, 0)) {
		t.Errorf("the best leaves %v", got)
	}
	today, err := w.FindLeaves(ctx, "quay", LeaveQuestion{Tag: "MU-1", Days: 1, From: day(12), Until: day(12)})
	if err != nil || len(today.Options) != 1 {
		t.Fatalf("%+v, %v", today, err)
	}
	o := today.Options[0]
	if o.Harm.Unserved != 0 || o.Harm.Moved == 0 || o.Harm.Minutes == 0 || len(o.Hit) != 1 || o.Hit[0].Job != first.Job.ID {
		t.Fatalf("%+v", o)
	}
	booked, err := w.BookLeave(ctx, act("leave"), "MU-1", o.During, o.Jobs, "to Harbour Metrology")
	if err != nil || !slices.ContainsFunc(booked.Moved, func(b Booked) bool { return b.Job.ID == first.Job.ID }) {
		t.Fatalf("%+v, %v", booked, err)
	}
	held, err := read(ctx, w, "quay", func(ctx context.Context, r store.Reader) ([]site.Booking, error) {
		return r.Bookings(ctx, store.BookingFilter{Now: monday, During: o.During, Refs: []Ref{{Kind: site.KindTool, ID: "MU-1"}}})
	})
	if err != nil || len(held) != 1 || held[0].ID != booked.Booking.ID {
		t.Errorf("%+v, %v", held, err)
	}
	again, err := w.FindLeaves(ctx, "quay", LeaveQuestion{Tag: "MU-1", Days: 1, From: day(12), Until: day(12)})
	if err != nil || again.Options[0].Harm.Unserved != 1 {
		t.Errorf("once more: %+v, %v", again, err)
	}
	_, err = w.BookLeave(ctx, act("leave"), "MU-1", o.During, nil, "")
	wantKind(t, err, fault.LostRace, "BOOKED")
	_, err = w.FindLeaves(ctx, "quay", LeaveQuestion{Tag: "LK-1", Days: 1})
	wantKind(t, err, fault.Precondition, "NOT_CALIBRATED")
}

// The leave itself ends after the calibration, and is no booking that loses its
// tool.
func TestALeaveMayEndAfterTheCalibration(t *testing.T) {
	t.Parallel()
	w := small(t)
	during := hours.Range{Start: local(22, 0, 0), End: local(27, 0, 0)} // TW-1 lapses on the 22nd
	if _, err := w.BookLeave(t.Context(), act("leave"), "TW-1", during, nil, ""); err != nil {
		t.Fatal(err)
	}
	if s := stands(t, w, "TW-1"); len(s.Affected) != 0 {
		t.Errorf("hit: %+v", s.Affected)
	}
}

// The planner's expiry and the rule that booking and issuing go by are one.
func TestPlannerAndBookingAgreeOnCalibration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		epoch := local(12, 8, 0)
		until := epoch.Add(time.Duration(rapid.IntRange(-600, 3000).Draw(t, "until")) * time.Minute)
		y, err := newYard(store.State{
			Site: site.Site{TimeZone: "Europe/Lisbon"}, Now: epoch,
			ToolTypes: []site.ToolType{{ID: "w", Purpose: site.Torque, Calibrated: true}},
			Tools:     []site.Tool{{Tag: "T", Type: "w", Condition: site.Serviceable, CalibratedUntil: until}},
		}, epoch, epoch.Add(2400*time.Minute))
		if err != nil {
			t.Fatal(err)
		}
		start := plan.Time(rapid.IntRange(0, 2300).Draw(t, "start"))
		w := plan.Window{Start: start, End: start + plan.Time(rapid.IntRange(1, 100).Draw(t, "length"))}
		covered := calibration.Covers(until, y.rangeOf(w))
		if planned := y.units[0].Expiry >= w.End; planned != covered || (len(y.holdable(0, w)) == 0) != covered {
			t.Fatalf("until %v, %v: planned %v, covered %v, against %v", until, y.rangeOf(w), planned, covered, y.holdable(0, w))
		}
	})
}
