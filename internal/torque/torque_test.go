package torque

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bayhold/internal/fault"
)

// near reports whether two figures agree to a relative tolerance.
func near(a, b, tolerance float64) bool {
	return math.Abs(a-b) <= tolerance*math.Max(math.Abs(a), math.Abs(b))
}

// Factors of NIST SP 811, appendix B.8/B.9: as printed to seven digits, and
// computed from 1 lbf = 4.4482216152605 N, 1 in = 0.0254 m, 1 kgf = 9.80665 N.
func TestUnits(t *testing.T) {
	cases := []struct {
		unit           Unit
		printed, exact float64
		inverse        float64 // computed
	}{
		{NewtonMetre, 1, 1, 1},
		{PoundForceFoot, 1.355818, 1.3558179483314004, 0.7375621492772654},
		{PoundForceInch, 0.1129848, 0.1129848290276167, 8.850745791327185},
		{KilogramForceMetre, 9.80665, 9.80665, 0.10197162129779283},
	}
	for _, c := range cases {
		if got := c.unit.NewtonMetres(1); !near(got, c.exact, 1e-15) || !near(got, c.printed, 4e-7) {
			t.Errorf("1 %s is %.17g N·m, want %.17g", c.unit, got, c.exact)
		}
		if got := c.unit.FromNewtonMetres(1); !near(got, c.inverse, 1e-15) {
			t.Errorf("1 N·m is %.17g %s, want %.17g", got, c.unit, c.inverse)
		}
	}
	if a, b := PoundForceInch.NewtonMetres(12), PoundForceFoot.NewtonMetres(1); !near(a, b, 1e-15) {
		t.Errorf("12 lbf·in are %v, 1 lbf·ft is %v", a, b)
	}
}

func TestParseUnit(t *testing.T) {
	for s, want := range map[string]Unit{
		"Nm": NewtonMetre, "N·m": NewtonMetre, "N.m": NewtonMetre, "N m": NewtonMetre, "n-m": NewtonMetre,
		"lbf·ft": PoundForceFoot, "ft-lb": PoundForceFoot, "ft lbf": PoundForceFoot, "lb.ft": PoundForceFoot,
		"in-lb": PoundForceInch, "lbf.in": PoundForceInch,
		"kgf·m": KilogramForceMetre, "mkg": KilogramForceMetre, "kg-m": KilogramForceMetre,
	} {
		if got, err := ParseUnit(s); err != nil || got != want {
			t.Errorf("ParseUnit(%q) = %v, %v, want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "N", "mNm", "mN", "lbf", "ft", "kg", "Nm2", "°"} {
		if u, err := ParseUnit(s); fault.KindOf(err) != fault.Invalid || err == nil {
			t.Errorf("ParseUnit(%q) = %v, %v, want a refusal", s, u, err)
		}
	}
	for _, u := range Units() {
		if got, err := ParseUnit(u.String()); err != nil || got != u {
			t.Errorf("%v reads as %v, %v", u, got, err)
		}
	}
}

func TestParse(t *testing.T) {
	cases := []struct {
		in   string
		want []Stage
		out  string
	}{
		{"100 Nm", []Stage{{Torque: 100}}, "100 N·m"},
		{"100 N·m + 90° + 90°", []Stage{{Torque: 100}, {Angle: 90}, {Angle: 90}}, "100 N·m + 90° + 90°"},
		{"30Nm+60.5 N.m+90deg", []Stage{{Torque: 30}, {Torque: 60.5}, {Angle: 90}}, "30 N·m + 60.5 N·m + 90°"},
		{"1 kgf·m", []Stage{{Torque: 9.80665}}, "9.80665 N·m"},
		{" 270 degrees ", []Stage{{Angle: 270}}, "270°"},
	}
	for _, c := range cases {
		got, err := Parse(c.in)
		if err != nil {
			t.Errorf("Parse(%q): %v", c.in, err)
			continue
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("Parse(%q) (-want +got):\n%s", c.in, diff)
		}
		if out := Format(got, NewtonMetre); out != c.out {
			t.Errorf("Format(Parse(%q)) = %q, want %q", c.in, out, c.out)
		}
	}
	for _, s := range []string{
		"", "100", "Nm", "-5 Nm", "0 Nm", "1e3 Nm", "12,5 Nm", "100 Nm +", "+ 90°", "1.2.3 Nm", "NaN Nm",
		"1000000 Nm", "99999°", "100 Nm 90°", "5 mNm",
		"1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°+1°",
	} {
		if got, err := Parse(s); fault.KindOf(err) != fault.Invalid || err == nil {
			t.Errorf("Parse(%q) = %v, %v, want a refusal", s, got, err)
		}
	}
	if got := Format([]Stage{{Torque: 100}, {Angle: 90}}, PoundForceFoot); got != "73.7562 lbf·ft + 90°" {
		t.Errorf("in lbf·ft: %q", got)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"100 Nm", "100 N·m + 90° + 90°", "75 lbf·ft", "1kgf.m+1deg", "0.000001 Nm", "+", "9e9 Nm"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		stages, err := Parse(s)
		if err != nil {
			if fault.KindOf(err) != fault.Invalid {
				t.Fatalf("%q: %v is no Invalid fault", s, err)
			}
			return
		}
		again, err := Parse(Format(stages, NewtonMetre))
		if err != nil {
			t.Fatalf("%q was written as %q: %v", s, Format(stages, NewtonMetre), err)
		}
		if diff := cmp.Diff(stages, again); diff != "" {
			t.Fatalf("%q changes when written and read (-first +second):\n%s", s, diff)
		}
	})
}

func TestUnitsGoBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(Units()).Draw(t, "unit")
		x := rapid.Float64Range(1e-6, 1e5).Draw(t, "amount")
		if back := u.FromNewtonMetres(u.NewtonMetres(x)); !near(back, x, 1e-15) {
			t.Fatalf("%v %s comes back as %v", x, u, back)
		}
	})
}
