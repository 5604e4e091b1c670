package torque

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"bayhold/internal/fault"
)

func TestAdapterPublished(t *testing.T) {
	cases := []struct {
		source        string
		want          float64
		length        float64
		a             Adapter
		set           float64
		tolerance     float64
		appliedByRule bool // the source gives the set value and prints the applied one
	}{
		{"US Army TM 9-2350-277-40&P p.44 and TM 9-2350-261-34 p.116", 40, 12, Adapter{Extension: 4}, 30, 1e-12, false},
		{"US Army TM 1-1500-204-23-9, 8-6, fig 8-16 (prints 214)", 300, 10, Adapter{Extension: 4}, 214.2857, 1e-6, false},
		{"US Navy NAVAIR training text, fig 3-44/45 (prints 66.7)", 100, 12, Adapter{Extension: 6}, 66.7, 1e-3, false},
		{"US Army TM 9-254, 4-1d, fig 4-5", 70, 12, Adapter{Extension: 2}, 60, 1e-12, true},
		{"US Army TM 5-3805-274-13&P WP 0051 (prints 17, exact 16.72)", 19, 22, Adapter{Extension: 3}, 16.72, 1e-12, false},
		{"rule of TM 55-2815-574-24 for one that points back, computed", 300, 10, Adapter{Extension: -4}, 500, 1e-12, false},
		{"the same by the angle", 300, 10, Adapter{Extension: 4, Angle: 180}, 500, 1e-12, false},
		{"US Navy 14008: square to the handle, no change", 100, 400, Adapter{Extension: 50, Angle: 90}, 100, 0, false},
		// By the rule of TM 9-254 fig 4-6, effective length L + E·cos α, computed.
		{"0°", 100, 400, Adapter{50, 0}, 88.8889, 1e-6, false},
		{"30°", 100, 400, Adapter{50, 30}, 90.2321, 1e-6, false},
		{"45°", 100, 400, Adapter{50, 45}, 91.8790, 1e-6, false},
		{"60°", 100, 400, Adapter{50, 60}, 94.1176, 1e-6, false},
		{"135°", 100, 400, Adapter{50, 135}, 109.6958, 1e-6, false},
		{"180°", 100, 400, Adapter{50, 180}, 114.2857, 1e-6, false},
	}
	for _, c := range cases {
		t.Run(c.source, func(t *testing.T) {
			set, err := c.a.Set(c.want, c.length)
			if err != nil || !near(set, c.set, c.tolerance) {
				t.Errorf("set to %v, %v, want %v", set, err, c.set)
			}
			if !c.appliedByRule {
				return
			}
			if got, err := c.a.Applied(c.set, c.length); err != nil || !near(got, c.want, c.tolerance) {
				t.Errorf("applied %v, %v, want %v", got, err, c.want)
			}
		})
	}
}

func TestAdapterRefused(t *testing.T) {
	for _, c := range []struct {
		name   string
		a      Adapter
		length float64
		reason string
	}{
		{"length unknown", Adapter{Extension: 50}, 0, "WRENCH_LENGTH"},
		{"length no number", Adapter{Extension: 50}, math.NaN(), "WRENCH_LENGTH"},
		{"length without end", Adapter{Extension: 50}, math.Inf(1), "WRENCH_LENGTH"},
		{"back to the grip", Adapter{Extension: -400}, 400, "ADAPTER_TOO_FAR_BACK"},
		{"back past the grip", Adapter{Extension: -500}, 400, "ADAPTER_TOO_FAR_BACK"},
		{"no number", Adapter{Extension: math.NaN()}, 400, "ADAPTER_TOO_FAR_BACK"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := c.a.Set(100, c.length)
			if f := fault.Fault(err); f == nil || f.Reason != c.reason {
				t.Errorf("got %v, want %s", err, c.reason)
			}
		})
	}
}

func TestAdapterGoesBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Adapter{
			Extension: rapid.Float64Range(-300, 1000).Draw(t, "extension"),
			Angle:     rapid.Float64Range(0, 180).Draw(t, "angle"),
		}
		length := rapid.Float64Range(100, 1500).Draw(t, "length")
		want := rapid.Float64Range(1, 1000).Draw(t, "want")
		set, err := a.Set(want, length)
		if err != nil {
			return
		}
		got, err := a.Applied(set, length)
		if err != nil || !near(got, want, 1e-12) {
			t.Fatalf("%v set, %v applied, %v wanted, %v", set, got, want, err)
		}
		if longer := a.Extension*math.Cos(a.Angle*math.Pi/180) > 1e-9; longer && set >= want {
			t.Fatalf("a longer lever needs less: set %v, want %v", set, want)
		}
	})
}
