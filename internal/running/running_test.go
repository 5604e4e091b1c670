package running

import (
	"math"
	"slices"
	"testing"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

// want fails unless the reasons are of exactly these kinds.
func want(t *testing.T, got []Blocker, kinds ...BlockerKind) {
	t.Helper()
	var have []BlockerKind
	for _, b := range got {
		have = append(have, b.Kind)
		if b.Message == "" {
			t.Errorf("%s says nothing", b.Kind)
		}
	}
	if !slices.Equal(have, kinds) {
		t.Errorf("got %v, want %v: %+v", have, kinds, got)
	}
}

func wantFault(t *testing.T, err error, reason string) {
	t.Helper()
	if f := fault.Fault(err); f == nil || f.Reason != reason {
		t.Errorf("got %v, want %s", err, reason)
	}
}

func yes(v bool) *bool { return &v }

func torqueOf(f, stage int, value float64) Measured {
	return Measured{Fastener: f, Stage: stage, Value: value, Tool: "TW-1"}
}

// must begins or ends what nothing stands against.
func must(t *testing.T, against []Blocker) {
	t.Helper()
	want(t, against)
}

// upTo does the job as it should be done, up to and without a step.
func (b *bench) upTo(t *testing.T, step string) {
	t.Helper()
	for _, s := range b.Network.Steps {
		if s.ID == step {
			return
		}
		must(t, b.start(s.ID, "ada", false))
		b.fill(t, s)
		must(t, b.finish(s.ID, "ada", false))
		for n, who := range []string{"ada", "ben"} {
			if n < Signers(s.Step) {
				must(t, b.sign(s.ID, who))
			}
		}
		if s.Step.WaitAfter > 0 {
			b.now = b.now.Add(2 * 60 * 60e9)
		}
	}
}

// fill records all that a step wants recorded, as it should be.
func (b *bench) fill(t *testing.T, s procedure.NetStep) {
	t.Helper()
	for _, p := range s.Step.Parts {
		if err := b.tick(s.ID, p.ID, p.Quantity); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range s.Step.Checks {
		m := Measured{Check: c.ID, Unit: c.Unit}
		if c.Unit == "" {
			m.Yes = yes(true)
		} else {
			m.Value = *c.Max
		}
		if err := b.measure(s.ID, m); err != nil {
			t.Fatal(err)
		}
	}
	if s.Step.Torque != nil {
		for stage, st := range s.Step.Torque.Stages {
			for f := range s.Step.Torque.Fasteners {
				if err := b.measure(s.ID, torqueOf(f+1, stage+1, st.Torque+st.Angle)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

func TestAJobFromBeginToEnd(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "")
	want(t, b.close(), ToolOut, ToolOut)
	b.give("LK-1", false)
	b.give("TW-1", false)
	must(t, b.close())
	want(t, b.start("w/cover-off", "ada", true), JobClosed)
	want(t, b.close(), JobClosed)
	if p := b.Progress(); p.Done != p.Steps || !p.Closed || len(p.Running) > 0 {
		t.Errorf("progress: %+v", p)
	}
}

func TestEveryReasonIsNamed(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.give("LK-1", false)
	lock := b.scene.Tools["LK-1"]
	lock.Condition, lock.Missing = site.Quarantined, []site.Piece{{Name: "pin", Count: 1}}
	b.scene.Tools["LK-1"] = lock
	b.scene.Elsewhere["cem"] = "3/x/y"
	want(t, b.start("w/locks-in", "cem", false), Before, ToolNotIssued, ToolCondition, ToolCondition, NoSkill, Busy)
	delete(b.scene.Elsewhere, "cem")

	b = newBench()
	wrench := b.scene.Tools["TW-1"]
	wrench.CalibratedUntil, wrench.Issue = noon.AddDate(0, 0, -1), &site.Issue{Technician: "ben", Job: 9}
	b.scene.Tools["TW-1"] = wrench
	b.upTo(t, "w/bolts")
	want(t, b.start("w/bolts", "ada", false), ToolElsewhere, ToolLapsed)
	wrench.CalibratedUntil, wrench.Issue = noon.AddDate(1, 0, 0), &site.Issue{Technician: "ben", Bay: "bay-1"}
	b.scene.Tools["TW-1"] = wrench
	must(t, b.MayStart("w/bolts", "ada", b.now, b.scene)) // drawn for the bay, not for the job
	b.scene.Booked["w/bolts"] = nil
	want(t, b.start("w/bolts", "ada", false), ToolNotBooked)
	b.Firm = false
	want(t, b.start("w/bolts", "ada", true), JobNotFirm)
}

func TestOneThingAtATime(t *testing.T) {
	t.Parallel()
	b := newBench()
	must(t, b.start("w/cover-off", "ada", false))
	want(t, b.start("w/cover-off", "ben", true), StepState)
	want(t, b.MayStart("w/locks-in", "ada", b.now, b.scene), Before, Busy)
	want(t, b.finish("w/locks-in", "ada", true), StepState)
	must(t, b.pause("w/cover-off", "ada"))
	want(t, b.pause("w/cover-off", "ada"), StepState)
	want(t, b.finish("w/cover-off", "ada", true), StepState)
	must(t, b.start("w/cover-off", "ben", false))
	must(t, b.finish("w/cover-off", "ben", false))
	c := b.Course("w/cover-off")
	if len(c.Worked) != 2 || c.Technician != "ada" || c.Finish.IsZero() {
		t.Errorf("course: %+v", c)
	}
	want(t, b.start("w/cover-off", "ada", false), DoneAlready)
	must(t, b.start("w/cover-off", "ada", true))
	if b.Run("w/cover-off") != 2 || b.State("w/cover-off") != Running {
		t.Error("a manager may have it done once more")
	}
	want(t, b.MayStart("w/locks-in", "ben", b.now, b.scene), Before)
}

func TestTwoPeopleSign(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/bolts")
	must(t, b.start("w/bolts", "ada", false))
	want(t, b.sign("w/bolts", "ada"), PartsMissing, ReadingMissing, ReadingMissing)
	b.fill(t, b.Network.Steps[2])
	must(t, b.sign("w/bolts", "ada"))
	want(t, b.sign("w/bolts", "ada"), SignedAlready)
	must(t, b.finish("w/bolts", "ada", false))
	want(t, b.start("w/locks-out", "ada", false), Unsigned)
	must(t, b.sign("w/bolts", "ben"))
	must(t, b.start("w/locks-out", "ada", false))
	want(t, b.sign("w/cover-off", "ada"), StepState) // one person's step takes none
	// A reading that is corrected after the signature takes it back.
	old := b.Record.Readings[len(b.Record.Readings)-1]
	r, err := b.Correct(old, Measured{Value: 91}, b.scene)
	if err != nil {
		t.Fatal(err)
	}
	r.Entry.ID = 9999
	b.Record.Readings = append(b.Record.Readings, r)
	if b.Unsigned("w/bolts") != 2 {
		t.Errorf("%d signatures are lacking after a correction", b.Unsigned("w/bolts"))
	}
}

func TestAHoldPointHoldsWhatIsFarBehindIt(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/turns")
	must(t, b.start("w/turns", "ada", false))
	if err := b.measure("w/turns", Measured{Check: "free", Yes: yes(false)}); err != nil {
		t.Fatal(err)
	}
	if err := b.measure("w/turns", Measured{Check: "gap", Value: 0.31, Unit: "mm"}); err != nil {
		t.Fatal(err)
	}
	want(t, b.finish("w/turns", "ada", false), ReadingOutside, ReadingOutside)
	// Past it by a manager's word, twice: the hold point still holds.
	must(t, b.start("w/cover-on", "ben", true))
	must(t, b.finish("w/cover-on", "ben", false))
	against := b.MayStart("w/cure", "", b.now.AddDate(0, 0, 1), b.scene)
	want(t, against, Unsigned)
	if against[0].Step != "w/turns" {
		t.Errorf("it names %s", against[0].Step)
	}
	// What was outside stays in the record, and is put right by a new reading.
	for _, m := range []Measured{{Check: "free", Yes: yes(true)}, {Check: "gap", Value: 0.3, Unit: "mm"}} {
		if err := b.measure("w/turns", m); err != nil {
			t.Fatal(err)
		}
	}
	must(t, b.finish("w/turns", "ada", false))
	must(t, b.sign("w/turns", "ada"))
	must(t, b.MayStart("w/cure", "", b.now.AddDate(0, 0, 1), b.scene))
	outside := 0
	for _, r := range b.Record.Readings {
		if r.Outside() {
			outside++
		}
	}
	if outside != 2 {
		t.Errorf("%d readings outside are kept, want 2", outside)
	}
}

func TestNobodyTurnsALockedEngine(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/locks-out")
	// Everything in between is waived: the locks are still on.
	for _, id := range []string{"w/turns", "w/cover-on", "w/cure"} {
		must(t, b.waive(id))
	}
	against := b.start("w/start", "ada", true)
	want(t, against, Before, Locked) // and a manager's word does not help
	if !against[1].Final() || against[1].Tool != "LK-1" || against[1].Step != "w/locks-out" {
		t.Errorf("%+v", against[1])
	}
	must(t, b.waive("w/locks-out")) // takes nothing off the engine
	want(t, b.start("w/start", "ada", true), Locked)
	b.give("LK-1", false) // returned and counted
	want(t, b.MayStart("w/start", "ada", b.now, b.scene))
}

func TestACureIsWaitedFor(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/cover-on")
	must(t, b.start("w/cover-on", "ada", false))
	must(t, b.finish("w/cover-on", "ada", false))
	against := b.MayStart("w/cure", "", b.now, b.scene)
	want(t, against, Waiting)
	want(t, b.MayStart("w/cure", "", against[0].Until, b.scene))
}

func TestAnInterruptedSequenceWantsNewBolts(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/bolts")
	must(t, b.start("w/bolts", "ada", false))
	if err := b.tick("w/bolts", "bolt", 2); err != nil {
		t.Fatal(err)
	}
	wantFault(t, b.measure("w/bolts", torqueOf(1, 2, 90)), string(ReadingMissing)) // the torque comes first
	for _, m := range []Measured{torqueOf(1, 1, 50), torqueOf(1, 2, 90), torqueOf(2, 1, 50)} {
		if err := b.measure("w/bolts", m); err != nil {
			t.Fatal(err)
		}
	}
	wantFault(t, b.tick("w/bolts", "bolt", 1, 2), "READING") // nothing was interrupted yet
	must(t, b.pause("w/bolts", "ada"))
	if got := b.Interrupted("w/bolts"); !slices.Equal(got, []int{2}) {
		t.Fatalf("interrupted: %v", got)
	}
	must(t, b.start("w/bolts", "ada", false))
	wantFault(t, b.measure("w/bolts", torqueOf(2, 2, 90)), string(NewFasteners))
	want(t, b.finish("w/bolts", "ada", false), NewFasteners, ReadingMissing)
	wantFault(t, b.tick("w/bolts", "oil", 1, 2), "READING")
	wantFault(t, b.tick("w/bolts", "bolt", 1, 1), "READING")
	if err := b.tick("w/bolts", "bolt", 1, 2); err != nil {
		t.Fatal(err)
	}
	for _, m := range []Measured{torqueOf(2, 1, 50), torqueOf(2, 2, 90)} {
		if err := b.measure("w/bolts", m); err != nil {
			t.Fatal(err)
		}
	}
	must(t, b.finish("w/bolts", "ada", false))
	if b.Attempt("w/bolts", 2) != 2 || b.Attempt("w/bolts", 1) != 1 {
		t.Error("the second bolt is in the second place")
	}
}

func TestReadingsAreJudged(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/bolts")
	must(t, b.start("w/bolts", "ada", false))
	if err := b.measure("w/bolts", torqueOf(1, 1, 52.5)); err != nil { // 50 ± 5 %
		t.Fatal(err)
	}
	if r := b.Record.Readings[0]; r.Outside() || *r.Wanted != 50 || r.Set != 50 || r.Unit != "N·m" {
		t.Errorf("%+v", r)
	}
	if err := b.measure("w/bolts", torqueOf(1, 1, 52.6)); err != nil {
		t.Fatal(err)
	}
	if r := b.Record.Readings[1]; !r.Outside() || r.Words() != "52.6 N·m (47.5 to 52.5 N·m)" {
		t.Errorf("%v", r.Words())
	}
	for reason, m := range map[string]Measured{
		"READING":          {Fastener: 3, Stage: 1, Value: 50, Tool: "TW-1"},
		"NOT_FOUND":        {Fastener: 1, Stage: 1, Value: 50, Tool: "TW-77"},
		"TOOL_UNFIT":       {Fastener: 1, Stage: 1, Value: 50, Tool: "AG-1"},
		"TOOL_CALIBRATION": {Fastener: 1, Stage: 1, Value: 50, Tool: "TW-9"},
	} {
		wantFault(t, b.measure("w/bolts", m), reason)
	}
	for _, m := range []Measured{
		{Fastener: 1, Stage: 1, Value: math.NaN(), Tool: "TW-1"}, {Fastener: 1, Stage: 1, Value: math.Inf(1), Tool: "TW-1"},
		{Fastener: 1, Stage: 3, Value: 1, Tool: "TW-1"}, {Fastener: 1, Stage: 1, Value: -1, Tool: "TW-1"},
		{Fastener: 1, Stage: 1, Value: 50}, {Check: "none", Value: 1},
	} {
		wantFault(t, b.measure("w/bolts", m), "READING")
	}
	b = newBench()
	b.upTo(t, "w/turns")
	must(t, b.start("w/turns", "ada", false))
	for _, m := range []Measured{
		{Check: "gap", Value: 0.2, Unit: "N·m"}, {Check: "gap", Value: 0.2}, {Check: "gap", Yes: yes(true), Unit: "mm"}, {Check: "free", Value: 1},
	} {
		wantFault(t, b.measure("w/turns", m), "READING")
	}
}

// TestSettingThroughAnAdapter holds the set value of a wrench of 400 mm behind a
// crow-foot of 50 mm straight on against T·L/(L+E), the formula of wrench
// makers' instruction sheets (common practice), worked out by hand.
func TestSettingThroughAnAdapter(t *testing.T) {
	t.Parallel()
	wrench := site.ToolType{ID: "w", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 100, Length: 400}
	joint := procedure.Torque{Fasteners: 1, Adapter: &torque.Adapter{Extension: 50}}
	set, ratio, err := Setting(joint, torque.Stage{Torque: 90}, wrench)
	if err != nil || math.Abs(set-80) > 1e-9 || math.Abs(ratio-1.125) > 1e-9 {
		t.Errorf("set to %g, ratio %g: %v", set, ratio, err)
	}
	set, ratio, err = Setting(procedure.Torque{}, torque.Stage{Torque: 500}, site.ToolType{ID: "m", Purpose: site.Torque, TorqueMin: 100, TorqueMax: 1000, Ratio: 5})
	if err != nil || set != 100 || ratio != 5 {
		t.Errorf("multiplier: set to %g, ratio %g: %v", set, ratio, err)
	}
	if _, _, err := Setting(joint, torque.Stage{Torque: 120}, wrench); err == nil {
		t.Error("120 through the adapter is more than the wrench gives")
	}
}

func TestCorrections(t *testing.T) {
	t.Parallel()
	b := newBench()
	b.upTo(t, "w/locks-out")
	old := b.Record.Readings[0]
	r, err := b.Correct(old, Measured{Value: 61, Note: "typed 16"}, b.scene)
	if err != nil || r.Corrects != old.ID || r.ID != 0 || !r.At.Equal(old.At) || !r.Outside() {
		t.Errorf("%+v: %v", r, err)
	}
	r.ID = 9999
	b.Record.Readings = append(b.Record.Readings, r)
	for name, m := range map[string]Measured{
		"unit": {Value: 3, Unit: "mm"}, "yes": {Yes: yes(true)}, "value": {Value: -3},
	} {
		if _, err := b.Correct(old, m, b.scene); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: taken", name)
		}
	}
	_, err = b.Correct(old, Measured{Value: 50, Tool: "AG-1"}, b.scene)
	wantFault(t, err, string(ToolUnfit))
	// Outside after all: the job does not close over it.
	b.rest(t)
	b.give("LK-1", false)
	b.give("TW-1", false)
	want(t, b.close(), Unsigned)
	want(t, b.sign("w/bolts", "ada"), ReadingOutside)
}

// rest does what is left of the job after its bolts.
func (b *bench) rest(t *testing.T) {
	t.Helper()
	for _, s := range b.Network.Steps[3:] {
		must(t, b.start(s.ID, "ada", true))
		b.fill(t, s)
		must(t, b.finish(s.ID, "ada", false))
		if Signers(s.Step) == 1 {
			must(t, b.sign(s.ID, "ada"))
		}
		b.now = b.now.Add(2 * 60 * 60e9)
	}
}

func TestKindsAreAllListed(t *testing.T) {
	t.Parallel()
	seen := map[BlockerKind]bool{}
	for _, k := range BlockerKinds() {
		if seen[k] {
			t.Errorf("%s is listed twice", k)
		}
		seen[k] = true
	}
	if len(seen) != 23 {
		t.Errorf("%d kinds", len(seen))
	}
}

func TestNumbers(t *testing.T) {
	t.Parallel()
	if got := numbers([]int{1, 2, 3, 5, 7, 8}); got != "1-3, 5, 7-8" {
		t.Error(got)
	}
}
