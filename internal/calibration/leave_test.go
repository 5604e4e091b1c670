package calibration_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

func leave(start string, h calibration.Harm) calibration.Leave {
	return calibration.Leave{During: hours.Range{Start: local(start), End: local(start).AddDate(0, 0, 5)}, Harm: h}
}

func TestLeavesAreRanked(t *testing.T) {
	t.Parallel()
	due := local("2026-06-10")
	want := []calibration.Leave{ // each better than the next
		leave("2026-06-09", calibration.Harm{}),
		leave("2026-06-12", calibration.Harm{}),                        // farther from the end of its calibration
		leave("2026-06-01", calibration.Harm{}),                        // farther still
		leave("2026-06-10", calibration.Harm{Swapped: 1}),              // another tool serves as well
		leave("2026-06-10", calibration.Harm{Moved: 1, Minutes: 30}),   // one booking
		leave("2026-06-10", calibration.Harm{Moved: 1, Minutes: 60}),   // by more minutes
		leave("2026-06-10", calibration.Harm{Moved: 1, Promises: 1}),   // a promise outweighs minutes
		leave("2026-06-10", calibration.Harm{Unserved: 1}),             // no substitute at all
		leave("2026-06-10", calibration.Harm{Moved: 2}),                // two bookings
		leave("2026-06-10", calibration.Harm{Moved: 2, Promises: 100}), // promises never make up for a booking
	}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortStableFunc(got, calibration.CompareLeaves(due))
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("place %d: %+v, want %+v", i, got[i], want[i])
		}
	}
}

func anyHarm(t *rapid.T) calibration.Harm {
	few := rapid.IntRange(0, 2)
	return calibration.Harm{
		Unserved: few.Draw(t, "unserved"), Moved: few.Draw(t, "moved"), Promises: few.Draw(t, "promises"),
		Minutes: int64(few.Draw(t, "minutes")), Swapped: few.Draw(t, "swapped"),
	}
}

func TestHarmIsAnOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := anyHarm(t), anyHarm(t), anyHarm(t)
		if a.Compare(b) != -b.Compare(a) || (a.Compare(b) == 0) != (a == b) {
			t.Fatalf("%+v and %+v: %d, %d", a, b, a.Compare(b), b.Compare(a))
		}
		if a.Compare(b) <= 0 && b.Compare(c) <= 0 && a.Compare(c) > 0 {
			t.Fatalf("%+v, %+v, %+v", a, b, c)
		}
		more := a
		more.Moved++
		if a.Compare(more) >= 0 || !(calibration.Harm{}).None() || more.None() {
			t.Fatalf("one booking more is no worse: %+v", a)
		}
	})
}

func TestLeavesBeginOnOpenDays(t *testing.T) {
	t.Parallel()
	weekdays := func(d hours.Date) bool {
		day := d.At(12*60, time.UTC).Weekday()
		return day != time.Saturday && day != time.Sunday
	}
	// Clocks went forward on Sunday 29 March 2026 (Directive 2000/84/EC).
	from, until := hours.Date{Year: 2026, Month: 3, Day: 26}, hours.Date{Year: 2026, Month: 3, Day: 30}
	got := calibration.Leaves(from, until, 4, amsterdam, local("2026-03-26 10:30"), weekdays)
	want := []hours.Range{
		{Start: local("2026-03-26 10:30"), End: local("2026-03-30")}, // now, not this morning
		{Start: local("2026-03-27"), End: local("2026-03-31")},
		{Start: local("2026-03-30"), End: local("2026-04-03")},
	}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i := range want {
		if !got[i].During.Start.Equal(want[i].Start) || !got[i].During.End.Equal(want[i].End) {
			t.Errorf("leave %d: %v, want %v", i, got[i].During, want[i])
		}
	}
}

func TestMissing(t *testing.T) {
	t.Parallel()
	l := leave("2026-06-10", calibration.Harm{})
	for due, want := range map[string]string{"2026-06-20": "2026-06-10", "2026-06-05": "2026-06-05", "2026-05-01": "2026-06-02"} {
		if got := l.Missing(local(due), local("2026-06-02")); !got.Start.Equal(local(want)) || !got.End.Equal(l.During.End) {
			t.Errorf("due %s: %v, want from %s", due, got, want)
		}
	}
}

func TestDecisionsCloseLines(t *testing.T) {
	t.Parallel()
	report := calibration.Report{Lines: []calibration.Line{
		{Tightening: tightening("1", "2026-05-01", 120, 0.04)}, {Tightening: tightening("2", "2026-05-01", 120, 0.04)},
	}}
	first := calibration.Decision{Line: "1", Answer: calibration.Accepted, Note: "as it is", Person: "otto", At: local("2026-06-01")}
	second := first
	second.Answer, second.At = calibration.Corrected, local("2026-06-02")
	if open := report.Decide([]calibration.Decision{second, first}); open != 1 || report.Lines[0].Decision.Answer != calibration.Corrected || report.Lines[1].Decision != nil {
		t.Errorf("open %d, %+v", open, report.Lines)
	}
	if open := report.Decide(nil); open != 2 || report.Lines[0].Decision != nil {
		t.Errorf("open %d without decisions", open)
	}
	for _, d := range []calibration.Decision{{Answer: "FINE", Note: "well"}, {Answer: calibration.Accepted}} {
		if d.Validate() == nil {
			t.Errorf("%+v is taken", d)
		}
	}
	if err := first.Validate(); err != nil {
		t.Error(err)
	}
}
