package calibration_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

// paths lists the paths of a fault's fields.
func paths(err error) []string {
	var f *fault.Error
	if !errors.As(err, &f) {
		return nil
	}
	var all []string
	for _, field := range f.Fields {
		all = append(all, field.Path)
	}
	return all
}

func TestValidateTellsAllFaults(t *testing.T) {
	t.Parallel()
	five := []float64{100, 100, 100, 100, 100}
	for name, c := range map[string]struct {
		change func(*calibration.Certificate)
		want   []string
	}{
		"good":         {func(*calibration.Certificate) {}, nil},
		"today":        {func(c *calibration.Certificate) { c.Date = today }, nil},
		"tomorrow":     {func(c *calibration.Certificate) { c.Date = today.AddDays(1) }, []string{"date"}},
		"no day":       {func(c *calibration.Certificate) { c.Date = hours.Date{Year: 2026, Month: 2, Day: 30} }, []string{"date"}},
		"no names":     {func(c *calibration.Certificate) { c.Number, c.Laboratory = "", strings.Repeat("x", 201) }, []string{"number", "laboratory"}},
		"no rule":      {func(c *calibration.Certificate) { c.Rule = "BEST_OF_THREE" }, []string{"rule"}},
		"no points":    {func(c *calibration.Certificate) { c.Points = nil }, []string{"points"}},
		"many points":  {func(c *calibration.Certificate) { c.Points = make([]calibration.Point, 101) }, []string{"points"}},
		"below range":  {func(c *calibration.Certificate) { c.Points = []calibration.Point{point(39, 39)} }, []string{"points[0].nominal"}},
		"above range":  {func(c *calibration.Certificate) { c.Points = []calibration.Point{point(201, 201)} }, []string{"points[0].nominal"}},
		"no nominal":   {func(c *calibration.Certificate) { c.Points = []calibration.Point{point(math.NaN(), 100)} }, []string{"points[0].nominal"}},
		"no readings":  {func(c *calibration.Certificate) { c.Points = append(c.Points, point(120)) }, []string{"points[1]"}},
		"twice":        {func(c *calibration.Certificate) { c.Points = append(c.Points, point(100, five...)) }, []string{"points[1]"}},
		"wrong order":  {func(c *calibration.Certificate) { c.Points = append(c.Points, point(60, 60, 60, 60, 60, 60)) }, nil},
		"no direction": {func(c *calibration.Certificate) { c.Points[0].Direction = "UP" }, []string{"points[0].direction"}},
		"half adjusted": {func(c *calibration.Certificate) {
			c.Points = append(c.Points, calibration.Point{Nominal: 120, Direction: calibration.Clockwise, AsLeft: five})
		}, []string{"points"}},
		"odd readings": {func(c *calibration.Certificate) {
			c.Points[0].AsFound = []float64{100, math.NaN(), math.Inf(1), 0, -100}
		}, []string{"points[0].as_found[1]", "points[0].as_found[2]", "points[0].as_found[3]", "points[0].as_found[4]"}},
		// NIST SP 811, B.8: 100 N·m are 10.2 kgf·m and 885 lbf·in.
		"other units":    {func(c *calibration.Certificate) { c.Points[0].AsLeft = []float64{10.2, 885} }, []string{"points[0].as_left[0]", "points[0].as_left[1]"}},
		"no uncertainty": {func(c *calibration.Certificate) { c.Rule = calibration.GuardBand }, []string{"points[0].uncertainty"}},
		"no k":           {func(c *calibration.Certificate) { c.Points[0].Uncertainty.Amount = 1 }, []string{"points[0].uncertainty.k"}},
		"percent as a figure": {func(c *calibration.Certificate) {
			c.Points[0].Uncertainty = calibration.Uncertainty{Amount: 1, Relative: true, K: 2}
		}, []string{"points[0].uncertainty"}},
		"many readings": {func(c *calibration.Certificate) { c.Points[0].AsLeft = make([]float64, 101) }, []string{"points[0].as_left"}},
		"negative uncertainty": {func(c *calibration.Certificate) {
			c.Points[0].Uncertainty = calibration.Uncertainty{Amount: -1, K: 2}
		}, []string{"points[0].uncertainty"}},
		"odd air": {func(c *calibration.Certificate) {
			hot, wet := math.Inf(1), 45.0
			c.Environment = calibration.Environment{Temperature: &hot, Humidity: &wet}
		}, []string{"environment.temperature", "environment.humidity"}},
	} {
		cert := certificate(point(100, five...))
		c.change(&cert)
		_, err := cert.Validate(wrench, calibration.DefaultPolicy(), today)
		if d := cmp.Diff(c.want, paths(err)); d != "" {
			t.Errorf("%s: %v\n%s", name, err, d)
		}
		if f := fault.Fault(err); f != nil && (f.Kind != fault.Invalid || f.Reason != "BAD_CERTIFICATE") {
			t.Errorf("%s: %v %s", name, f.Kind, f.Reason)
		}
	}
}

func TestWarnings(t *testing.T) {
	t.Parallel()
	// ASME B107.300-2021, 6.3: 18 to 28 °C, at most 90 %.
	cold, damp := 17.9, 0.91
	cert := certificate(
		calibration.Point{
			Nominal: 100, Direction: calibration.Clockwise,
			AsFound: []float64{100, 100, 100, 100, 101}, AsLeft: []float64{100, 100, 100, 100, 98},
		},
		// NIST SP 811, B.8: 120 N·m are 88.5 lbf·ft.
		calibration.Point{Nominal: 120, Direction: calibration.Clockwise, AsFound: []float64{88.5, 88, 89, 88.5, 88.5}, AsLeft: []float64{120, 120, 120, 120}},
	)
	cert.Environment = calibration.Environment{Temperature: &cold, Humidity: &damp}
	got, err := cert.Validate(wrench, calibration.DefaultPolicy(), today)
	if err != nil {
		t.Fatal(err)
	}
	want := []calibration.Warning{
		{Path: "environment.temperature", Code: calibration.UnusualAir, Message: "17.9 °C is outside 18 to 28 °C"},
		{Path: "environment.humidity", Code: calibration.UnusualAir, Message: "91 % is above 90 %"},
		{Path: "points[0]", Code: calibration.WorseAsLeft, Message: "left at +2.04 % after it was found at +0.99 %"},
		{Path: "points[1]", Code: calibration.FewReadings, Message: "4 readings at 120 N·m, type II class A asks for 5"},
		{Path: "points[1]", Code: calibration.LikeOtherUnit, Message: "the readings at 120 N·m look like lbf·ft"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestPolicyValidate(t *testing.T) {
	t.Parallel()
	if err := calibration.DefaultPolicy().Validate(); err != nil {
		t.Fatal(err)
	}
	p := calibration.DefaultPolicy()
	p.Classes.Split = -1
	p.Classes.Classes[0].Small = 6
	p.Classes.Classes[1].Readings = 0
	p.Classes.Classes[3] = p.Classes.Classes[2]
	p.Due = calibration.DuePolicy{Cycles: -1, ShelfMonths: -1, Overload: 0.5, Early: []calibration.EventKind{"RAIN", calibration.Load}}
	p.Check = calibration.CheckPolicy{TesterRatio: 0.5, Reach: 1}
	p.Review = calibration.ReviewPolicy{}
	want := []string{
		"classes.split", "classes[0]", "classes[1]", "classes[3]",
		"due.months", "due.cycles", "due.shelf_months", "due.overload", "due.early[0]", "due.early[1]",
		"check.readings", "check.tester_ratio", "check.reach",
		"review.floor", "review.least_factor", "review.greatest_factor", "review.grow_within", "review.grow", "review.shrink",
		"review.target", "review.least_results",
	}
	if d := cmp.Diff(want, paths(p.Validate())); d != "" {
		t.Error(d)
	}
}
