package calibration_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bayhold/internal/calibration"
)

func fraction(t *rapid.T, label string) float64 {
	return rapid.Float64Range(0.0001, 0.5).Draw(t, label)
}

func TestLargerDeviationIsNeverBetter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		permissible, uncertainty := fraction(t, "permissible"), fraction(t, "uncertainty")
		near, more := rapid.Float64Range(-1, 1).Draw(t, "near"), rapid.Float64Range(0, 1).Draw(t, "more")
		far := math.Copysign(math.Abs(near)+more, rapid.SampledFrom([]float64{-1, 1}).Draw(t, "sign"))
		for _, rule := range calibration.Rules() {
			a, b := calibration.Judge(rule, near, permissible, uncertainty), calibration.Judge(rule, far, permissible, uncertainty)
			if a.Worse(b) {
				t.Fatalf("%s: %v is %s, %v is %s", rule, near, a, far, b)
			}
		}
		u := uncertainty / 2
		if p, q := calibration.Conformity(near, permissible, u), calibration.Conformity(far, permissible, u); p < q-1e-12 || p < 0 || p > 1 {
			t.Fatalf("%v conforms with %v, %v with %v", near, p, far, q)
		}
	})
}

func TestRulesAgree(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		deviation, permissible, uncertainty := rapid.Float64Range(-1, 1).Draw(t, "deviation"), fraction(t, "permissible"), fraction(t, "uncertainty")
		simple := calibration.Judge(calibration.SimpleAcceptance, deviation, permissible, uncertainty)
		guarded := calibration.Judge(calibration.GuardBand, deviation, permissible, uncertainty)
		four := calibration.Judge(calibration.FourWay, deviation, permissible, uncertainty)
		if guarded.Accepted() && !simple.Accepted() {
			t.Fatal("a guard band accepts what simple acceptance rejects")
		}
		if guarded.Accepted() != (four == calibration.Pass) || simple.Accepted() != four.Accepted() {
			t.Fatalf("simple %s, guarded %s, four-way %s", simple, guarded, four)
		}
	})
}

func TestDeliveredTurnsDeviationAbout(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		nominal, reading := rapid.Float64Range(0.1, 3000).Draw(t, "nominal"), rapid.Float64Range(0.1, 3000).Draw(t, "reading")
		if got := calibration.Delivered(nominal, calibration.Deviation(nominal, reading)); math.Abs(got-reading) > 1e-9*reading {
			t.Fatalf("%v, want %v", got, reading)
		}
	})
}

// moment draws an instant of two years.
func moment(t *rapid.T, label string) time.Time {
	return local("2025-01-01").Add(time.Duration(rapid.IntRange(0, 2*365*24).Draw(t, label)) * time.Hour)
}

func anyUse(t *rapid.T) calibration.Use {
	return calibration.Use{At: moment(t, "use"), Cycles: rapid.IntRange(1, 3000).Draw(t, "cycles")}
}

func anyEvent(t *rapid.T) calibration.Event {
	return calibration.Event{
		At: moment(t, "event"), Kind: rapid.SampledFrom(calibration.EventKinds()).Draw(t, "kind"),
		Torque: rapid.Float64Range(0, 400).Draw(t, "torque"),
	}
}

func anyHistory(t *rapid.T) calibration.History {
	return calibration.History{
		Calibrations: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) calibration.Calibration {
			return calibration.Calibration{At: moment(t, "calibration"), Accepted: rapid.IntRange(0, 3).Draw(t, "accepted") > 0}
		}), 0, 4).Draw(t, "calibrations"),
		Uses:   rapid.SliceOfN(rapid.Custom(anyUse), 0, 8).Draw(t, "uses"),
		Events: rapid.SliceOfN(rapid.Custom(anyEvent), 0, 2).Draw(t, "events"),
	}
}

func TestDueIsNeverLaterForMoreEvents(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due
	rapid.Check(t, func(t *rapid.T) {
		policy := policy
		policy.FromFirstUse = rapid.Bool().Draw(t, "from first use")
		h, now := anyHistory(t), moment(t, "now")
		before := calibration.DueAt(h, wrench, policy, amsterdam, now)
		h.Events = append(h.Events, anyEvent(t))
		middle := calibration.DueAt(h, wrench, policy, amsterdam, now)
		h.Uses = append(h.Uses, anyUse(t))
		after := calibration.DueAt(h, wrench, policy, amsterdam, now)
		if middle.At.After(before.At) || after.At.After(middle.At) {
			t.Fatalf("due %v, after an event %v, after a use %v", before.At, middle.At, after.At)
		}
	})
}

func TestPeriodsAgreeWithDueAndGaps(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Due
	rapid.Check(t, func(t *rapid.T) {
		h, now := anyHistory(t), moment(t, "now")
		periods := calibration.Periods(h, wrench, policy, amsterdam, now)
		inside := false
		for i, p := range periods {
			if p.During.Empty() || i > 0 && p.During.Start.Before(periods[i-1].During.End) {
				t.Fatalf("not in order: %v", periods)
			}
			inside = inside || p.During.Has(now)
		}
		if due := calibration.DueAt(h, wrench, policy, amsterdam, now); now.Before(due.At) != inside {
			t.Fatalf("due %v, now %v, periods %v", due.At, now, periods)
		}
		outside := 0
		for _, u := range h.Uses {
			has := false
			for _, p := range periods {
				has = has || p.During.Has(u.At)
			}
			if !has && !u.At.After(now) {
				outside++
			}
		}
		all := calibration.Gaps(h, wrench, policy, amsterdam, anyTime, now)
		for _, g := range all {
			outside -= len(g.Uses)
			if g.Reason == "" || g.Reason == calibration.Superseded {
				t.Fatalf("no reason: %+v", g)
			}
		}
		if outside != 0 {
			t.Fatalf("%d uses too few in %v", outside, all)
		}
	})
}

func TestInterpolationKeepsBetweenNeighbours(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "points")
		f := calibration.Finding{At: local("2026-06-01"), Until: local("2026-06-01")}
		for i := range n {
			x := rapid.Float64Range(-0.3, 0.3).Draw(t, "deviation")
			spread := rapid.Float64Range(0, 0.1).Draw(t, "spread")
			f.Points = append(f.Points, calibration.PointResult{
				Nominal: float64(40 * (i + 1)), Direction: calibration.Clockwise, Least: x - spread, Mean: x, Greatest: x + spread,
			})
		}
		set := rapid.Float64Range(1, 250).Draw(t, "set")
		x := tightening("1", "2026-05-01", set, 0.1)
		all := calibration.Evidence{From: local("2026-04-01"), Covers: []calibration.Coverage{{Direction: calibration.Clockwise, High: 250}}}
		l := calibration.Trace(f, []calibration.Evidence{all}, []calibration.Tightening{x}).Lines[0]
		below, above := f.Points[0], f.Points[n-1]
		for _, p := range f.Points {
			if p.Nominal <= set {
				below = p
			}
		}
		for i := n - 1; i >= 0; i-- {
			if f.Points[i].Nominal >= set {
				above = f.Points[i]
			}
		}
		low, high := math.Min(below.Mean, above.Mean), math.Max(below.Mean, above.Mean)
		if l.Deviation < low || l.Deviation > high {
			t.Fatalf("%v at %v, between %v and %v", l.Deviation, set, low, high)
		}
		if l.Least > l.Torque || l.Torque > l.Greatest {
			t.Fatalf("least %v, %v, greatest %v", l.Least, l.Torque, l.Greatest)
		}
		if clamped := set < f.Points[0].Nominal || set > f.Points[n-1].Nominal; clamped != (len(l.Notes) == 1) {
			t.Fatalf("at %v: notes %v", set, l.Notes)
		}
	})
}

func TestReviewsKeepToTheirBounds(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Review
	rapid.Check(t, func(t *rapid.T) {
		present := rapid.Float64Range(10, 1000).Draw(t, "present")
		all := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) calibration.Result {
			return calibration.Result{
				Date:     today.AddDays(-rapid.IntRange(0, 9000).Draw(t, "ago")),
				Interval: present * rapid.Float64Range(0.6, 1.4).Draw(t, "interval"),
				Share:    rapid.Float64Range(0, 2).Draw(t, "share"),
			}
		}), 0, 30).Draw(t, "results")
		for _, review := range []func(float64, []calibration.Result, calibration.ReviewPolicy) (calibration.Proposal, error){
			calibration.ReviewStaircase, calibration.ReviewByTest, calibration.ReviewExponential,
		} {
			p, err := review(present, all, policy)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case p.Changes() && (p.Proposed > max(policy.Cap, present) || p.Proposed < min(policy.Floor, present)):
				t.Fatalf("beyond floor and cap: %+v", p)
			case p.Changes() && p.Results == 0:
				t.Fatalf("no evidence: %+v", p)
			case p.Confidence < 0 || p.Confidence > 1 || p.InTolerance > p.Results || len(p.Why) == 0:
				t.Fatalf("%+v", p)
			}
		}
	})
}
