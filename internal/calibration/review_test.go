package calibration_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
)

// results makes one result a year from marks: 1 in tolerance, 0 not.
func results(interval float64, marks ...int) []calibration.Result {
	var all []calibration.Result
	for i, m := range marks {
		share := 0.5
		if m == 0 {
			share = 1.5
		}
		all = append(all, calibration.Result{Date: hours.Date{Year: 2000 + i, Month: time.June, Day: 1}, Interval: interval, Share: share})
	}
	return all
}

// counted makes n results with k in tolerance.
func counted(interval float64, n, k int) []calibration.Result {
	marks := make([]int, n)
	for i := range k {
		marks[i] = 1
	}
	return results(interval, marks...)
}

// The published example of method A3: a tutorial at the NCSLI Symposium of
// 2019, as printed in a user manual of Sandia National Laboratories.
func TestPublishedIntervalTest(t *testing.T) {
	t.Parallel()
	pattern := results(365, 1, 1, 0, 1, 0, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1, 0)
	got, err := calibration.ReviewByTest(365, pattern, calibration.DefaultPolicy().Review)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.Proposed-230.84604619402594) > 1e-9 || got.Proposed != got.Raw {
		t.Errorf("%.17g days, want 230.84604619402594", got.Proposed)
	}
	if math.Abs(got.Confidence-0.9949) > 5e-5 {
		t.Errorf("confidence %.4f, want 0.9949", got.Confidence)
	}
	if got.Method != calibration.IntervalTest || got.Results != 20 || got.InTolerance != 15 || got.First.Year != 2000 || got.Last.Year != 2019 {
		t.Errorf("%+v", got)
	}
}

// Computed from the formula that reproduces the published example.
func TestTestInterval(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		n, k               int
		target, days, conf float64
	}{
		{12, 9, 0.90, 278.968, 0.77826},
		{10, 8, 0.95, 274.242, 0.82772},
		{20, 19, 0.95, 365, 0},
		{60, 60, 0.95, 405.215, 0.90786},
		{20, 20, 0.95, 377.089, 0.28303},
	} {
		days, conf, err := calibration.TestInterval(365, c.target, c.n, c.k)
		if err != nil || math.Abs(days-c.days) > 5e-4 || math.Abs(conf-c.conf) > 5e-6 {
			t.Errorf("%d of %d at %v: %.3f days, %.5f, %v, want %.3f, %.5f", c.k, c.n, c.target, days, conf, err, c.days, c.conf)
		}
	}
	for _, bad := range []struct{ present, target float64 }{{0, 0.9}, {math.NaN(), 0.9}, {365, 0}, {365, 1}} {
		if _, _, err := calibration.TestInterval(bad.present, bad.target, 3, 2); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
	if _, _, err := calibration.TestInterval(365, 0.9, 2, 3); err == nil {
		t.Error("3 of 2 are taken")
	}
}

func TestReviewByTestKeepsToPolicy(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Review
	for name, c := range map[string]struct {
		results  []calibration.Result
		change   func(*calibration.ReviewPolicy)
		proposed float64
	}{
		"no results":                  {nil, nil, 365},
		"too few":                     {counted(365, 4, 0), nil, 365},
		"other intervals":             {counted(180, 20, 5), nil, 365},
		"interval not known":          {counted(0, 20, 5), nil, 365},
		"within a quarter":            {counted(400, 12, 9), func(p *calibration.ReviewPolicy) { p.Target = 0.90 }, 278.968},
		"no reason":                   {counted(365, 20, 20), nil, 365},
		"on target, any confidence":   {counted(365, 20, 19), func(p *calibration.ReviewPolicy) { p.Confidence = 0 }, 365},
		"longer":                      {counted(365, 60, 60), nil, 405.215},
		"longer than the cap":         {counted(365, 60, 60), func(p *calibration.ReviewPolicy) { p.Cap = 400 }, 400},
		"the cap is no reason to cut": {counted(365, 60, 60), func(p *calibration.ReviewPolicy) { p.Cap = 300 }, 365},
		"no more than a step down":    {counted(365, 20, 5), nil, 182.5},
		"the floor":                   {counted(365, 20, 5), func(p *calibration.ReviewPolicy) { p.Floor = 200 }, 200},
		"no more than a step up":      {counted(365, 60, 60), func(p *calibration.ReviewPolicy) { p.GreatestFactor = 1.1 }, 401.5},
	} {
		p := policy
		if c.change != nil {
			c.change(&p)
		}
		got, err := calibration.ReviewByTest(365, c.results, p)
		if err != nil || math.Abs(got.Proposed-c.proposed) > 5e-4 || got.Changes() != (c.proposed != 365) || len(got.Why) == 0 {
			t.Errorf("%s: %+v, %v, want %v", name, got, err, c.proposed)
		}
	}
}

// The steps follow ILAC-G24:2007, 3; factors and bounds are an example of ours.
func TestStaircase(t *testing.T) {
	t.Parallel()
	policy := calibration.DefaultPolicy().Review
	policy.Floor, policy.Cap = 3, 24
	for _, c := range []struct{ present, share, want float64 }{
		{12, 0.50, 18}, {12, 0.80, 18}, {12, 0.90, 12}, {12, 1.00, 12}, {12, 1.01, 6},
		{18, 0.10, 24}, {24, 0.10, 24}, {4, 1.5, 3}, {3, 1.5, 3}, {30, 0.1, 30}, {2, 1.5, 2},
	} {
		older := calibration.Result{Date: hours.Date{Year: 2024, Month: 1, Day: 1}, Share: 9}
		latest := calibration.Result{Date: hours.Date{Year: 2025, Month: 1, Day: 1}, Share: c.share}
		got, err := calibration.ReviewStaircase(c.present, []calibration.Result{latest, older}, policy)
		if err != nil || got.Proposed != c.want || got.Results != 1 || got.Last.Year != 2025 {
			t.Errorf("%v months at %v: %+v, %v, want %v", c.present, c.share, got, err, c.want)
		}
	}
	got, err := calibration.ReviewStaircase(12, nil, policy)
	if err != nil || got.Changes() || len(got.Why) == 0 {
		t.Errorf("without evidence: %+v, %v", got, err)
	}
	_, err = calibration.ReviewStaircase(math.Inf(1), []calibration.Result{{Share: math.NaN()}}, calibration.ReviewPolicy{})
	if got := paths(err); len(got) < 3 || got[0] != "present" || got[1] != "results[0]" {
		t.Errorf("bad figures: %v", err)
	}
}

// R(t) = exp(-λt), from memory; computed.
func TestExponential(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ present, observed, target, want float64 }{
		{12, 0.85, 0.95, 3.7874}, {12, 0.98, 0.95, 30.467}, {365, 0.75, 0.95, 65.079}, {12, 0.90, 0.85, 18.510},
	} {
		if got := calibration.ExponentialInterval(c.present, c.target, c.observed); math.Abs(got-c.want) > 5e-4 {
			t.Errorf("%+v: %.4f", c, got)
		}
	}
	policy := calibration.DefaultPolicy().Review
	for _, c := range []struct {
		n, k int
		want float64
	}{{20, 15, 65.079}, {20, 20, 0}, {20, 0, 0}, {4, 3, 0}} {
		got, err := calibration.ReviewExponential(365, counted(365, c.n, c.k), policy)
		if err != nil || math.Abs(got.Raw-c.want) > 5e-4 || got.Changes() || len(got.Why) != 1 {
			t.Errorf("%d of %d: %+v, %v", c.k, c.n, got, err)
		}
	}
}

// The balance of method A1 is from memory; computed.
func TestShrinkFor(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ grow, target, reduction float64 }{
		{1.10, 0.90, 0.5759}, {1.10, 0.95, 0.8365}, {1.05, 0.90, 0.3554},
	} {
		shrink := calibration.ShrinkFor(c.grow, c.target)
		if math.Abs(1-shrink-c.reduction) > 5e-5 || math.Abs(calibration.TargetOf(c.grow, shrink)-c.target) > 1e-12 {
			t.Errorf("%+v: %.4f", c, 1-shrink)
		}
	}
	if got := calibration.TargetOf(1.10, 0.45); math.Abs(got-0.8934) > 5e-5 {
		t.Errorf("%.4f, want 0.8934", got)
	}
}

func TestResultOf(t *testing.T) {
	t.Parallel()
	c := certificate(point(100, 104, 101))
	got, ok := calibration.ResultOf(c, assess(t, c), 365)
	// 100/104 - 1 is 0.038462, of 0.04.
	if want := 0.038462 / 0.04; !ok || math.Abs(got.Share-want) > 5e-5 || !got.InTolerance() || got.Interval != 365 || got.Date != c.Date {
		t.Errorf("%+v, %v, want %v", got, ok, want)
	}
	c.Points[0].AsFound, c.Points[0].AsLeft = nil, []float64{100}
	if got, ok := calibration.ResultOf(c, assess(t, c), 365); ok {
		t.Errorf("a result without readings as found: %v", cmp.Diff(calibration.Result{}, got))
	}
}
