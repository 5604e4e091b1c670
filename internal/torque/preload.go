package torque

import "math"

// UsualFriction is the coefficient taken where none is stated: lightly oiled
// steel, the middle of the range of 0.08 to 0.16 (common practice).
const UsualFriction = 0.12

// bearing is the ring on which a hexagon head turns, millimetres.
type bearing struct{ outer, hole float64 }

// heads holds the bearing faces of hexagon heads (d_w of ISO 4014, medium holes
// of ISO 273; from memory).
var heads = map[float64]bearing{
	6: {8.88, 6.6}, 8: {11.63, 9}, 10: {14.63, 11}, 12: {16.63, 13.5}, 14: {19.37, 15.5},
	16: {22.49, 17.5}, 18: {25.34, 20}, 20: {28.19, 22}, 22: {31.71, 24}, 24: {33.61, 26},
}

// bearingDiameter is D_Km, at which the friction under the head acts. Sizes
// that are not in the table get the usual proportions.
func (t Thread) bearingDiameter() float64 {
	b, ok := heads[t.Diameter]
	if !ok {
		b = bearing{1.42 * t.Diameter, 1.1 * t.Diameter}
	}
	return (b.outer + b.hole) / 2
}

// Assembly is what a bolt of a class bears when it is tightened by torque to
// 90 % of its yield, tension and twist together, by the relations of VDI 2230:
// the preload in newtons and the torque in newton metres. The coefficient of
// friction is taken for thread and head alike.
func Assembly(t Thread, c Class, friction float64) (preload, moment float64) {
	d2, d0 := t.PitchDiameter(), t.stressDiameter()
	// Tension times this is the twist's shear stress.
	twist := 1.5 * d2 / d0 * (t.Pitch/(math.Pi*d2) + 1.155*friction)
	preload = 0.9 * c.Yield(t) * t.StressArea() / math.Sqrt(1+3*twist*twist)
	arm := 0.16*t.Pitch + 0.58*d2*friction + t.bearingDiameter()/2*friction
	return preload, preload * arm / 1000
}
