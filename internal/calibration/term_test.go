package calibration_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

// term is a decision to let calibrations last so many days.
func term(at string, days int) calibration.Term {
	return calibration.Term{From: local(at), Policy: calibration.DefaultPolicy().Due.WithInterval(days)}
}

func TestDecisionsOnTheInterval(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due // twelve months
	policy.FromFirstUse = false
	for name, c := range map[string]struct {
		terms []calibration.Term
		now   string
		want  string
	}{
		"none":                              {nil, "2026-06-01", "2027-01-11"},
		"shorter, the end is still ahead":   {[]calibration.Term{term("2026-03-01", 182)}, "2026-06-01", "2026-07-12"},
		"shorter, the end has been":         {[]calibration.Term{term("2026-10-01", 90)}, "2026-11-01", "2026-10-01"},
		"longer":                            {[]calibration.Term{term("2026-10-01", 547)}, "2026-11-01", "2027-07-12"},
		"longer, after the calibration had": {[]calibration.Term{term("2027-03-01", 547)}, "2027-06-01", "2027-01-11"},
		"not decided yet":                   {[]calibration.Term{term("2026-10-01", 90)}, "2026-09-01", "2027-01-11"},
		"before the calibration":            {[]calibration.Term{term("2025-10-01", 90)}, "2026-03-01", "2026-04-11"},
		"shorter, then longer again in time": {
			[]calibration.Term{term("2026-03-01", 182), term("2026-04-01", 365)}, "2026-06-01", "2027-01-11",
		},
	} {
		for i := range c.terms {
			c.terms[i].Policy.FromFirstUse = false
		}
		h := calibration.History{Calibrations: calibrated("2026-01-10"), Terms: c.terms}
		if got := calibration.DueAt(h, wrench, policy, amsterdam, local(c.now)); !got.At.Equal(local(c.want)) {
			t.Errorf("%s: due %v, want %s", name, got.At, c.want)
		}
	}
}

func TestDecisionsOnCycles(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due
	h := calibration.History{
		Calibrations: calibrated("2026-01-10"),
		Uses:         []calibration.Use{{At: local("2026-02-01"), Cycles: 1200}, {At: local("2026-04-01"), Cycles: 1}},
	}
	fewer := policy
	fewer.Cycles = 1000
	h.Terms = []calibration.Term{{From: local("2026-03-01"), Policy: fewer}}
	got := calibration.DueAt(h, wrench, policy, amsterdam, local("2026-05-01"))
	if !got.At.Equal(local("2026-03-01")) || got.Reason != calibration.ByCycles || got.CyclesLeft != 0 {
		t.Errorf("due %v by %s, %d left", got.At, got.Reason, got.CyclesLeft)
	}
}

// A decision never changes what was in order before it.
func TestDecisionsDoNotReachBack(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due
	policy.FromFirstUse = false
	rapid.Check(t, func(t *rapid.T) {
		h, now := anyHistory(t), moment(t, "now")
		at := moment(t, "decision")
		later := policy.WithInterval(rapid.IntRange(1, 900).Draw(t, "days"))
		later.Cycles = rapid.SampledFrom([]int{0, 100, 5000}).Draw(t, "cycles")
		inside := func(periods []calibration.Period, t time.Time) bool {
			for _, p := range periods {
				if p.During.Has(t) {
					return true
				}
			}
			return false
		}
		before := calibration.Periods(h, wrench, policy, amsterdam, now)
		h.Terms = []calibration.Term{{From: at, Policy: later}}
		after := calibration.Periods(h, wrench, policy, amsterdam, now)
		for range 8 {
			when := moment(t, "when")
			if when.Before(at) && !when.After(now) && inside(before, when) != inside(after, when) {
				t.Fatalf("at %v: %v before the decision of %v, %v after it", when, inside(before, when), at, inside(after, when))
			}
		}
	})
}

func TestTheSameDecisionChangesNothing(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due
	rapid.Check(t, func(t *rapid.T) {
		h, now := anyHistory(t), moment(t, "now")
		before := calibration.DueAt(h, wrench, policy, amsterdam, now)
		h.Terms = []calibration.Term{{From: moment(t, "decision"), Policy: policy}}
		if after := calibration.DueAt(h, wrench, policy, amsterdam, now); !after.At.Equal(before.At) {
			t.Fatalf("due %v, then %v", before.At, after.At)
		}
	})
}

// What the policy begins with, where it comes from a source: 12 months or 5,000
// cycles (calibration laboratories on ISO 6789), more than 25 % above the
// maximum (the same), 18 to 28 °C and 90 % of humidity (ASME B107.300-2021,
// 6.3), a tester four times better (ISO 6789:2017), within 80 % (ILAC-G24:2007, 3).
func TestDefaultsFromSources(t *testing.T) {
	t.Parallel()
	p := calibration.DefaultPolicy()
	if p.Due.Months != 12 || p.Due.Days != 0 || p.Due.Cycles != 5000 || p.Due.IntervalDays() != 365 {
		t.Errorf("due: %+v", p.Due)
	}
	for torque, want := range map[float64]bool{250: false, 250.1: true} { // of a tool of 200 N·m
		if _, ends := p.Due.Ends(calibration.Event{Kind: calibration.Load, Torque: torque}, wrench); ends != want {
			t.Errorf("%v N·m ends it: %v", torque, ends)
		}
	}
	if (p.Air != calibration.Air{Coldest: 18, Warmest: 28, Humidity: 0.9}) || p.Check.TesterRatio != 4 || p.Review.GrowWithin != 0.8 {
		t.Errorf("%+v", p)
	}
}

func TestCovers(t *testing.T) {
	t.Parallel()
	until := local("2026-05-01 16:00")
	for end, want := range map[string]bool{"2026-05-01 15:59": true, "2026-05-01 16:00": true, "2026-05-01 16:01": false} {
		if got := calibration.Covers(until, hours.Range{Start: local("2026-04-30 08:00"), End: local(end)}); got != want {
			t.Errorf("to %s: %v", end, got)
		}
	}
}
