package calibration

import (
	"math"
	"slices"
	"sort"
)

// curve is the deviation of a tool in one direction over what it is set to.
type curve []PointResult // by nominal value

// curveOf takes the points of one direction.
func curveOf(points []PointResult, direction Direction) curve {
	c := slices.DeleteFunc(slices.Clone(points), func(p PointResult) bool { return p.Direction != direction })
	slices.SortFunc(c, func(a, b PointResult) int { return byNominal(Point{Nominal: a.Nominal}, Point{Nominal: b.Nominal}) })
	return c
}

// at interpolates the least, mean and greatest deviation at a setting on the
// straight line between its neighbours. Beyond the outermost points theirs
// hold, and beyond is true. The curve must have a point.
func (c curve) at(set float64) (least, mean, greatest float64, beyond bool) {
	i := sort.Search(len(c), func(i int) bool { return c[i].Nominal >= set })
	switch {
	case i == len(c):
		p := c[i-1]
		return p.Least, p.Mean, p.Greatest, set > p.Nominal*(1+rounding)
	case i == 0:
		p := c[0]
		return p.Least, p.Mean, p.Greatest, set < p.Nominal*(1-rounding)
	}
	a, b := c[i-1], c[i]
	share := (set - a.Nominal) / (b.Nominal - a.Nominal)
	return between(a.Least, b.Least, share), between(a.Mean, b.Mean, share), between(a.Greatest, b.Greatest, share), false
}

// between is a value on the way from a to b, never outside them for rounding.
func between(a, b, share float64) float64 {
	x := a + (b-a)*share
	return min(max(x, math.Min(a, b)), math.Max(a, b))
}
