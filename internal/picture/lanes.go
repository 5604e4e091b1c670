package picture

import "slices"

// lanes parts bars into lines in which none overlaps another, the earliest
// first. There is at least one.
func lanes(bars []Bar) [][]Bar {
	sorted := slices.Clone(bars)
	slices.SortStableFunc(sorted, func(a, b Bar) int { return a.During.Start.Compare(b.During.Start) })
	out := [][]Bar{nil}
next:
	for _, b := range sorted {
		for i, lane := range out {
			if len(lane) == 0 || !lane[len(lane)-1].During.End.After(b.During.Start) {
				out[i] = append(lane, b)
				continue next
			}
		}
		out = append(out, []Bar{b})
	}
	return out
}

// shown leaves out what an axis does not show.
func (a Axis) shown(bars []Bar) []Bar {
	var out []Bar
	for _, b := range bars {
		if b.During.Overlaps(a.During) {
			out = append(out, b)
		}
	}
	return out
}
