package calibration_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

func tightening(id, at string, wanted, tolerance float64) calibration.Tightening {
	return calibration.Tightening{
		ID: id, At: local(at), Job: "W-1", Step: "head", Joint: "cylinder head", Fastener: "bolt " + id, Stage: 1,
		Wanted: wanted, Set: wanted, Tolerance: tolerance,
	}
}

// found is what a certificate of 2 November 2026 found.
func found(t *testing.T, points ...calibration.Point) calibration.Finding {
	t.Helper()
	c := certificate(points...)
	f, ok := calibration.FindingOf(c, assess(t, c), amsterdam)
	if !ok {
		t.Fatal("nothing found")
	}
	return f
}

// good is the evidence of a certificate of some earlier day.
func good(t *testing.T, date hours.Date) calibration.Evidence {
	t.Helper()
	c := certificate(point(40, 40), point(120, 120), point(200, 200))
	c.Number, c.Date = "before", date
	e, ok := calibration.EvidenceOf(c, assess(t, c), wrench, amsterdam)
	if !ok {
		t.Fatal("no evidence")
	}
	return e
}

// A wrench of 200 N·m that gave 114 N·m at 120 gave 5 % too little. A joint at
// 120 N·m ±10 % may stand at 108, one at ±4 % not below 115.2: computed.
func TestTraceWorkedCase(t *testing.T) {
	t.Parallel()
	before := good(t, hours.Date{Year: 2026, Month: 3, Day: 1})
	r := calibration.Trace(found(t, point(120, 114)), []calibration.Evidence{before}, []calibration.Tightening{
		tightening("3", "2026-11-03 00:00", 120, 0.04), // after the day of the finding
		tightening("2", "2026-11-02 10:00", 120, 0.04),
		tightening("1", "2026-05-01 10:00", 120, 0.10),
		tightening("0", "2026-02-28 10:00", 120, 0.04), // before the evidence
	})
	if d := cmp.Diff(hours.Range{Start: local("2026-03-01"), End: local("2026-11-03")}, r.Window); d != "" {
		t.Error(d)
	}
	if len(r.Lines) != 2 || r.Lines[0].ID != "1" || r.Lines[1].ID != "2" || len(r.Cleared) != 0 {
		t.Fatalf("%+v", r)
	}
	for i, want := range []calibration.Impact{calibration.Inside, calibration.Outside} {
		l := r.Lines[i]
		if math.Abs(l.Torque-114) > 1e-9 || math.Abs(l.Deviation-0.05263) > 5e-6 || l.Impact != want || l.Since.Source != "certificate before" || l.Notes != nil {
			t.Errorf("%+v, want %s", l, want)
		}
	}
	if r.Count(calibration.Inside) != 1 || r.Count(calibration.Doubtful) != 0 {
		t.Error("miscounted")
	}
}

func TestTraceLines(t *testing.T) {
	t.Parallel()
	f := found(t,
		calibration.Point{Nominal: 200, Direction: calibration.Clockwise, AsFound: []float64{200}},
		calibration.Point{Nominal: 100, Direction: calibration.Clockwise, AsFound: []float64{90, 94}},
		calibration.Point{Nominal: 100, Direction: calibration.Counterclockwise, AsFound: []float64{110}},
	)
	whole := good(t, hours.Date{Year: 2026, Month: 3, Day: 1})
	whole.Covers = append(whole.Covers, calibration.Coverage{Direction: calibration.Counterclockwise, Low: 40, High: 200, Whole: true})
	with := func(change func(*calibration.Tightening)) calibration.Tightening {
		x := tightening("x", "2026-05-01 10:00", 100, 0.08)
		change(&x)
		return x
	}
	for name, c := range map[string]struct {
		tightening              calibration.Tightening
		torque, least, greatest float64
		impact                  calibration.Impact
		note                    string
	}{
		// 100/90 - 1 = 11.11 %, 100/94 - 1 = 6.38 %: at the mean of 8.75 %, 91.96.
		"out at the mean":  {with(func(*calibration.Tightening) {}), 91.957, 90, 94, calibration.Outside, ""},
		"out at a reading": {with(func(x *calibration.Tightening) { x.Tolerance = 0.09 }), 91.957, 90, 94, calibration.Doubtful, ""},
		// Wanted 85: 93.5 at most.
		"too much at a reading": {with(func(x *calibration.Tightening) { x.Wanted, x.Tolerance = 85, 0.10 }), 91.957, 90, 94, calibration.Doubtful, ""},
		"in at every":           {with(func(x *calibration.Tightening) { x.Tolerance = 0.10 }), 91.957, 90, 94, calibration.Inside, ""},
		// Half way to a point without deviation: 5.556, 4.373, 3.191 %.
		"between points":   {with(func(x *calibration.Tightening) { x.Wanted, x.Set = 150, 150 }), 143.715, 142.105, 145.361, calibration.Inside, ""},
		"below the points": {with(func(x *calibration.Tightening) { x.Wanted, x.Set = 50, 50 }), 45.978, 45, 47, calibration.Outside, "nearest point"},
		"sign kept":        {with(func(x *calibration.Tightening) { x.Direction = calibration.Counterclockwise }), 110, 110, 110, calibration.Outside, ""},
		// An adapter that gives the joint 1.25 times what the wrench is set to.
		"adapter":      {with(func(x *calibration.Tightening) { x.Set, x.Ratio, x.Wanted = 100, 1.25, 125 }), 114.946, 112.5, 117.5, calibration.Outside, ""},
		"angle":        {with(func(x *calibration.Tightening) { x.Wanted, x.Set, x.Angle = 0, 0, 90 }), 0, 0, 0, calibration.NotJudged, "angle"},
		"no set value": {with(func(x *calibration.Tightening) { x.Set = 0 }), 91.957, 90, 94, calibration.Outside, "set to 100 N·m"},
		"no figures":   {with(func(x *calibration.Tightening) { x.Wanted, x.Set = 0, 0 }), 0, 0, 0, calibration.NotJudged, "not recorded"},
		"no tolerance": {with(func(x *calibration.Tightening) { x.Tolerance = 0 }), 91.957, 90, 94, calibration.NotJudged, "tolerance"},
	} {
		r := calibration.Trace(f, []calibration.Evidence{whole}, []calibration.Tightening{c.tightening})
		if len(r.Lines) != 1 || !r.Window.Start.Equal(whole.From) {
			t.Fatalf("%s: %+v", name, r)
		}
		l := r.Lines[0]
		for _, x := range [][2]float64{{l.Torque, c.torque}, {l.Least, c.least}, {l.Greatest, c.greatest}} {
			if math.Abs(x[0]-x[1]) > 5e-4 {
				t.Errorf("%s: %.3f N·m, want %.3f", name, x[0], x[1])
			}
		}
		notes := strings.Join(l.Notes, "; ")
		if l.Impact != c.impact || (c.note == "") != (notes == "") || !strings.Contains(notes, c.note) {
			t.Errorf("%s: %s (%s), want %s (%s)", name, l.Impact, notes, c.impact, c.note)
		}
	}
	oneWay := calibration.Trace(found(t, point(100, 90)), nil, []calibration.Tightening{with(func(x *calibration.Tightening) { x.Direction = calibration.Counterclockwise })})
	if l := oneWay.Lines[0]; l.Impact != calibration.NotJudged || len(l.Notes) != 1 || !oneWay.Window.Start.IsZero() {
		t.Errorf("a direction that was not read: %+v", l)
	}
}

// tester is four times better than the wrench: ISO 6789:2017.
var tester = calibration.Tester{Tag: "TT-1", Permissible: 0.01, CalibratedUntil: local("2027-01-01")}

func check(at string, points ...calibration.Point) calibration.Check {
	return calibration.Check{ID: "12", At: local(at), Tester: tester, Points: points}
}

func TestJudgeCheck(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change       func(*calibration.Check)
		good, failed bool
		doubts       int
	}{
		"good":                  {func(*calibration.Check) {}, true, false, 0},
		"too few":               {func(c *calibration.Check) { c.Points[0].AsFound = []float64{100, 100} }, false, false, 1},
		"tester not calibrated": {func(c *calibration.Check) { c.At = tester.CalibratedUntil }, false, false, 1},
		"tester too coarse":     {func(c *calibration.Check) { c.Tester.Permissible = 0.011 }, false, false, 1},
		// 100/97 - 1 is 3.09 %: within 4 %, but not within 4 % less the tester's 1 %.
		"proves nothing": {func(c *calibration.Check) { c.Points[0].AsFound[1] = 97 }, false, false, 1},
		// 100/95 - 1 is 5.26 %.
		"found bad":               {func(c *calibration.Check) { c.Points[0].AsFound[1] = 95 }, false, true, 1},
		"bad, tester in no order": {func(c *calibration.Check) { c.Points[0].AsFound[1] = 95; c.At = tester.CalibratedUntil }, false, false, 2},
	} {
		k := check("2026-06-01 08:00", point(100, 100, 101, 99))
		c.change(&k)
		r, err := calibration.DefaultPolicy().Judge(k, wrench)
		if err != nil || r.Good != c.good || r.Failed != c.failed || len(r.Doubts) != c.doubts {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
		_, isEvidence := calibration.DefaultPolicy().EvidenceOfCheck(k, r)
		f, isFinding := calibration.FindingOfCheck(k, r)
		if isEvidence != c.good || isFinding != c.failed {
			t.Errorf("%s: evidence %v, finding %v", name, isEvidence, isFinding)
		}
		if isFinding && (!f.Until.Equal(k.At) || f.Source != "check 12" || f.Permissible != 0.04 || len(f.Points) != 1) {
			t.Errorf("%s: %+v", name, f)
		}
	}
	bad := check("2026-06-01 08:00", calibration.Point{Nominal: 300, Direction: calibration.Clockwise, AsFound: []float64{300}, AsLeft: []float64{1}})
	bad.Tester.Permissible = 1
	_, err := calibration.DefaultPolicy().Judge(bad, wrench)
	if d := cmp.Diff([]string{"tester.permissible", "points[0].as_left"}, paths(err)); d != "" {
		t.Error(d)
	}
	_, err = calibration.DefaultPolicy().Judge(check("2026-06-01 08:00", point(300, 300)), wrench)
	if d := cmp.Diff([]string{"points[0].nominal"}, paths(err)); d != "" {
		t.Error(d)
	}
}

// A check on one value clears the use at about that value, and no other.
func TestCheckClearsWhatItSpeaksFor(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy()
	k := check("2026-06-01 08:00", point(120, 120, 120, 120), point(100, 100, 100, 100))
	r, err := policy.Judge(k, wrench)
	if err != nil {
		t.Fatal(err)
	}
	quick, ok := policy.EvidenceOfCheck(k, r)
	want := calibration.Evidence{From: k.At, Source: "check 12", Covers: []calibration.Coverage{{Direction: calibration.Clockwise, Low: 90, High: 132}}}
	if d := cmp.Diff(want, quick, cmpopts.EquateApprox(1e-12, 0)); d != "" || !ok {
		t.Fatal(d)
	}
	otherWay := tightening("other way", "2026-05-01 10:00", 100, 0.1)
	otherWay.Direction = calibration.Counterclockwise
	// The check says nothing of a stage that has no setting; a certificate does.
	angle := tightening("angle", "2026-04-01 10:00", 0, 0)
	angle.Angle = 90
	earlier := angle
	earlier.ID, earlier.At = "earlier angle", local("2026-02-01 11:00")
	report := calibration.Trace(found(t, point(120, 114)), []calibration.Evidence{quick, good(t, hours.Date{Year: 2026, Month: 3, Day: 1})}, []calibration.Tightening{
		tightening("covered, after", "2026-06-01 10:00", 100, 0.1),
		tightening("at the check", "2026-06-01 08:00", 100, 0.1),
		tightening("overloaded", "2026-01-01 10:00", 210, 0.1),
		tightening("covered, before", "2026-05-02 10:00", 132, 0.1),
		tightening("higher, before", "2026-05-01 10:00", 133, 0.1),
		tightening("long ago", "2026-02-01 10:00", 100, 0.1),
		angle,
		earlier,
		otherWay,
	})
	var lines, cleared []string
	for _, l := range report.Lines {
		lines = append(lines, l.ID)
	}
	for _, c := range report.Cleared {
		cleared = append(cleared, c.ID+" by "+c.By.Source)
	}
	// The certificate covers one direction only: the other way everything is in doubt.
	if d := cmp.Diff([]string{"overloaded", "angle", "higher, before", "other way", "at the check", "covered, after"}, lines); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]string{"long ago by check 12", "earlier angle by certificate before", "covered, before by check 12"}, cleared); d != "" {
		t.Error(d)
	}
}

// What a certificate itself left in order is no evidence about what it found.
func TestFindingIsNotClearedByItsOwnAsLeft(t *testing.T) {
	t.Parallel()
	p := point(120, 114)
	p.AsLeft = []float64{120}
	c := certificate(p)
	a := assess(t, c)
	own, ok := calibration.EvidenceOf(c, a, wrench, amsterdam)
	if !ok || !own.From.Equal(local("2026-11-02")) {
		t.Fatalf("%+v", own)
	}
	r := calibration.Trace(found(t, p), []calibration.Evidence{own}, []calibration.Tightening{tightening("1", "2026-05-01 10:00", 120, 0.1)})
	if len(r.Lines) != 1 || r.Lines[0].Since != nil || len(r.Lines[0].Notes) != 1 {
		t.Errorf("%+v", r)
	}
	if _, ok := calibration.EvidenceOf(certificate(point(120, 114)), assess(t, certificate(point(120, 114))), wrench, amsterdam); ok {
		t.Error("a bad tool is evidence of a good one")
	}
	if _, ok := calibration.FindingOf(certificate(point(120, 120)), assess(t, certificate(point(120, 120))), amsterdam); ok {
		t.Error("a good tool is a finding")
	}
}

func TestTraceWithoutTightenings(t *testing.T) {
	t.Parallel()
	r := calibration.Trace(found(t, point(120, 114)), []calibration.Evidence{
		good(t, hours.Date{Year: 2026, Month: 3, Day: 1}), good(t, hours.Date{Year: 2025, Month: 3, Day: 1}), good(t, hours.Date{Year: 2026, Month: 11, Day: 3}),
	}, nil)
	if !r.Window.Start.Equal(local("2026-03-01")) || r.Lines != nil {
		t.Errorf("%+v", r)
	}
}

func TestTighteningValidate(t *testing.T) {
	t.Parallel()
	if err := tightening("1", "2026-05-01 10:00", 120, 0.1).Validate(); err != nil {
		t.Error(err)
	}
	bad := calibration.Tightening{At: time.Time{}, Wanted: 10, Angle: 90, Set: math.NaN(), Ratio: -1, Tolerance: 4, Direction: "UP"}
	if d := cmp.Diff([]string{"at", "stage", "set", "ratio", "wanted", "tolerance", "direction"}, paths(bad.Validate())); d != "" {
		t.Error(d)
	}
}
