package calibration_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

var today = hours.Date{Year: 2026, Month: 11, Day: 25}

// wrench is the common click wrench.
var wrench = calibration.Tool{Tag: "TW-200-1", Kind: calibration.Setting, Class: "A", Min: 40, Max: 200}

// point has as-found readings.
func point(nominal float64, readings ...float64) calibration.Point {
	return calibration.Point{Nominal: nominal, Direction: calibration.Clockwise, AsFound: readings}
}

func certificate(points ...calibration.Point) calibration.Certificate {
	return calibration.Certificate{
		Number: "4711", Laboratory: "a laboratory", Date: hours.Date{Year: 2026, Month: 11, Day: 2},
		Rule: calibration.SimpleAcceptance, Points: points,
	}
}

func assess(t *testing.T, c calibration.Certificate) calibration.Assessment {
	t.Helper()
	a, err := calibration.Assess(c, wrench, calibration.DefaultPolicy())
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// The formula and its denominator: ISO 6789-1:2017, 7, from memory; the figures
// are computed from it. The naive formula would pass the first row.
func TestDeviation(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		set, measured, percent float64
		want                   calibration.Verdict
	}{
		{100, 96.0, 4.1667, calibration.Fail},
		{100, 96.2, 3.9501, calibration.Pass},
		{100, 104.0, -3.8462, calibration.Pass},
		{100, 96.153846, 4.0000, calibration.Fail},  // a hair above the limit,
		{100, 100 / 1.04, 4.0000, calibration.Pass}, // exactly at it
	} {
		a := assess(t, certificate(point(c.set, c.measured)))
		got := a.AsFound.Points[0].Readings[0]
		if math.Abs(got.Deviation*100-c.percent) > 5e-5 || got.Verdict != c.want {
			t.Errorf("set %v, measured %v: %.4f %% %s, want %.4f %% %s", c.set, c.measured, got.Deviation*100, got.Verdict, c.percent, c.want)
		}
	}
}

// ILAC-G8:09/2019, 4.2: a limit of 4 %, U = 1 %, w = U. The probabilities are
// computed from the normal distribution.
func TestFourWay(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		percent    float64
		want       calibration.Verdict
		conformity float64
	}{
		{2.9, calibration.Pass, 0.98610},
		{3.0, calibration.Pass, 0.97725},
		{3.2, calibration.ConditionalPass, 0.94520},
		{3.5, calibration.ConditionalPass, 0.84134},
		{3.9, calibration.ConditionalPass, 0.57926},
		{4.2, calibration.ConditionalFail, 0.34458},
		{5.1, calibration.Fail, 0.01390},
	} {
		for _, sign := range []float64{1, -1} {
			x := sign * c.percent / 100
			if got := calibration.Judge(calibration.FourWay, x, 0.04, 0.01); got != c.want {
				t.Errorf("%v %%: %s, want %s", x*100, got, c.want)
			}
			if got := calibration.Conformity(x, 0.04, 0.005); math.Abs(got-c.conformity) > 5e-6 {
				t.Errorf("%v %%: conforms with %.5f, want %.5f", x*100, got, c.conformity)
			}
		}
	}
}

// The risk of a false acceptance at the acceptance limit for a guard band of
// some times U = 2u: ILAC-G8:09/2019, table 1, from memory; the figures are
// computed from the normal distribution.
func TestRiskAtTheAcceptanceLimit(t *testing.T) {
	t.Parallel()
	const limit, u = 0.04, 0.0025
	for _, c := range []struct{ times, percent float64 }{
		{1.5, 0.13499}, {1, 2.27501}, {0.83, 4.84572}, {0.5, 15.8655}, {0, 50},
	} {
		if got := 100 * (1 - calibration.Conformity(limit-c.times*2*u, limit, u)); math.Abs(got-c.percent) > 1e-4 {
			t.Errorf("w = %v U: %.5f %%, want %.5f %%", c.times, got, c.percent)
		}
	}
}

func TestJudgeBinaryRules(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		rule    calibration.Rule
		percent float64
		want    calibration.Verdict
	}{
		{calibration.SimpleAcceptance, 4, calibration.Pass},
		{calibration.SimpleAcceptance, 4.01, calibration.Fail},
		{calibration.GuardBand, 3, calibration.Pass},
		{calibration.GuardBand, 3.01, calibration.Fail},
		{calibration.GuardBand, -3.01, calibration.Fail},
		{"", 0, calibration.Fail},
	} {
		if got := calibration.Judge(c.rule, c.percent/100, 0.04, 0.01); got != c.want {
			t.Errorf("%s at %v %%: %s, want %s", c.rule, c.percent, got, c.want)
		}
	}
}

// The class table is from memory of ISO 6789-1:2017. Class II A and that the
// split is on the tool's maximum are stated also in a review of 2007 of the
// edition of 2003.
func TestPermissible(t *testing.T) {
	t.Parallel()
	table := calibration.DefaultClasses()
	for _, c := range []struct {
		tool    calibration.Tool
		percent float64
	}{
		{calibration.Tool{Kind: calibration.Setting, Class: "A", Max: 200}, 4},
		{calibration.Tool{Kind: calibration.Setting, Class: "A", Max: 10}, 6},
		{calibration.Tool{Kind: calibration.Setting, Class: "A", Max: 10.1}, 4},
		{calibration.Tool{Kind: calibration.Setting, Class: "G", Max: 200}, 6},
		{calibration.Tool{Kind: calibration.Indicating, Class: "A", Max: 200}, 6},
		{calibration.Tool{Kind: calibration.Indicating, Class: "C", Max: 200}, 4},
		{calibration.Tool{Kind: calibration.Indicating, Class: "C", Max: 200, Permissible: 0.01}, 1},
		{calibration.Tool{Max: 200, Permissible: 0.03}, 3},
	} {
		if got, err := table.Permissible(c.tool); err != nil || got != c.percent/100 {
			t.Errorf("%+v: %v, %v, want %v %%", c.tool, got, err, c.percent)
		}
	}
	_, err := table.Permissible(calibration.Tool{Kind: calibration.Setting, Class: "Z"})
	if f := fault.Fault(err); f == nil || f.Reason != "NO_PERMISSIBLE_DEVIATION" || f.Kind != fault.Precondition {
		t.Errorf("an unknown class: %v", err)
	}
}

// Every reading counts, not the mean: a laboratory's summary of ISO 6789:2003.
func TestAssess(t *testing.T) {
	t.Parallel()
	c := certificate(
		calibration.Point{Nominal: 200, Direction: calibration.Counterclockwise, AsFound: []float64{200}, AsLeft: []float64{200}},
		calibration.Point{
			Nominal: 120, Direction: calibration.Clockwise, AsFound: []float64{114, 126}, AsLeft: []float64{120, 121},
			Uncertainty: calibration.Uncertainty{Amount: 1.2, K: 2},
		},
		calibration.Point{Nominal: 40, Direction: calibration.Clockwise, AsFound: []float64{40}, AsLeft: []float64{40}},
	)
	got := assess(t, c)
	p := func(x float64) *float64 { return &x }
	reading := func(x float64) calibration.ReadingResult {
		return calibration.ReadingResult{Measured: x, Verdict: calibration.Pass}
	}
	clean := func(n float64, d calibration.Direction) calibration.PointResult {
		return calibration.PointResult{Nominal: n, Direction: d, Verdict: calibration.Pass, Readings: []calibration.ReadingResult{reading(n)}}
	}
	// 120/114 - 1 = 5.263 %, 120/126 - 1 = -4.762 %.
	want := calibration.Assessment{
		Permissible: 0.04, Source: calibration.DefaultClasses().Source, Rule: calibration.SimpleAcceptance,
		AsFound: calibration.Side{
			Verdict: calibration.Fail, Worst: 0.0526316,
			Directions: []calibration.DirectionResult{
				{Direction: calibration.Clockwise, Verdict: calibration.Fail, Worst: 0.0526316},
				{Direction: calibration.Counterclockwise, Verdict: calibration.Pass},
			},
			Points: []calibration.PointResult{
				clean(40, calibration.Clockwise),
				{
					Nominal: 120, Direction: calibration.Clockwise, Verdict: calibration.Fail,
					Least: -0.0476190, Mean: 0.0025063, Greatest: 0.0526316,
					Readings: []calibration.ReadingResult{
						{Measured: 114, Deviation: 0.0526316, Uncertainty: 0.0105263, Verdict: calibration.Fail, Conformity: p(0.0082)},
						{Measured: 126, Deviation: -0.0476190, Uncertainty: 0.0095238, Verdict: calibration.Fail, Conformity: p(0.0548)},
					},
				},
				clean(200, calibration.Counterclockwise),
			},
		},
		AsLeft: calibration.Side{
			Verdict: calibration.Pass, Worst: -0.0082645,
			Directions: []calibration.DirectionResult{
				{Direction: calibration.Clockwise, Verdict: calibration.Pass, Worst: -0.0082645},
				{Direction: calibration.Counterclockwise, Verdict: calibration.Pass},
			},
			Points: []calibration.PointResult{
				clean(40, calibration.Clockwise),
				{
					Nominal: 120, Direction: calibration.Clockwise, Verdict: calibration.Pass, Least: -0.0082645, Mean: -0.0041322,
					Readings: []calibration.ReadingResult{
						{Measured: 120, Uncertainty: 0.01, Verdict: calibration.Pass, Conformity: p(1)},
						{Measured: 121, Deviation: -0.0082645, Uncertainty: 0.0099174, Verdict: calibration.Pass, Conformity: p(1)},
					},
				},
				clean(200, calibration.Counterclockwise),
			},
		},
	}
	if d := cmp.Diff(want, got, cmpopts.EquateApprox(0, 5e-5)); d != "" {
		t.Error(d)
	}
	if got.Overall() != calibration.Pass {
		t.Errorf("overall %s: an adjusted tool is judged as it was left", got.Overall())
	}
	for i := range c.Points {
		c.Points[i].AsLeft = nil
	}
	if got := assess(t, c).Overall(); got != calibration.Fail {
		t.Errorf("overall %s: a tool that was not adjusted is judged as it was found", got)
	}
}

func TestVerdictOrder(t *testing.T) {
	t.Parallel()
	order := []calibration.Verdict{"", calibration.Pass, calibration.ConditionalPass, calibration.ConditionalFail, calibration.Fail}
	for i, v := range order {
		for j, w := range order {
			if v.Worse(w) != (i > j) {
				t.Errorf("%q worse than %q: %v", v, w, v.Worse(w))
			}
		}
		if v.Accepted() != (i == 1 || i == 2) {
			t.Errorf("%q accepted: %v", v, v.Accepted())
		}
	}
}
