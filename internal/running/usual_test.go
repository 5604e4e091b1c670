package running

import (
	"math"
	"testing"

	"bayhold/internal/procedure"
)

// TestLimitsOfAStageThatStatesNone holds that a step's own tolerance comes before
// the site's, and that without one the site's decides what is outside.
func TestLimitsOfAStageThatStatesNone(t *testing.T) {
	t.Parallel()
	stages := []procedure.Stage{{Torque: 100}, {Angle: 90}}
	for _, x := range []struct {
		own       float64
		usual     Usual
		stage     int
		low, high float64
	}{
		{0, Usual{Torque: 0.04, Angle: 5}, 0, 96, 104},
		{0, Usual{Torque: 0.1, Angle: 5}, 0, 90, 110},
		{0.05, Usual{Torque: 0.1, Angle: 5}, 0, 95, 105},
		{0.05, Usual{Torque: 0.1, Angle: 5}, 1, 85, 95},
		{0, Usual{Torque: 0.1, Angle: 2}, 1, 88, 92},
	} {
		_, low, high := limits(procedure.Torque{Tolerance: x.own}, stages[x.stage], x.usual)
		if math.Abs(low-x.low) > 1e-9 || math.Abs(high-x.high) > 1e-9 {
			t.Errorf("%+v: %g to %g", x, low, high)
		}
	}
}
