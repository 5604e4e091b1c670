package plan

import (
	"slices"
	"sort"
)

// mergeWindows gives the union of windows as a sorted list without touching
// or empty ones.
func mergeWindows(ws []Window) []Window {
	ws = slices.Clone(ws)
	slices.SortFunc(ws, func(a, b Window) int { return int(a.Start) - int(b.Start) })
	out := ws[:0]
	for _, w := range ws {
		if w.Start >= w.End {
			continue
		}
		if k := len(out) - 1; k >= 0 && w.Start <= out[k].End {
			out[k].End = max(out[k].End, w.End)
			continue
		}
		out = append(out, w)
	}
	return out
}

// ranges strips the reasons off blocked ranges and merges them.
func ranges(bs []Blocked) []Window {
	ws := make([]Window, len(bs))
	for i, b := range bs {
		ws[i] = b.Window
	}
	return mergeWindows(ws)
}

// subtract gives what is left of from without the ranges of away. Both are
// merged lists.
func subtract(from, away []Window) []Window {
	out := make([]Window, 0, len(from)+len(away))
	k := 0
	for _, w := range from {
		for k < len(away) && away[k].End <= w.Start {
			k++
		}
		at := w.Start
		for j := k; j < len(away) && away[j].Start < w.End; j++ {
			if away[j].Start > at {
				out = append(out, Window{at, away[j].Start})
			}
			at = max(at, away[j].End)
		}
		if at < w.End {
			out = append(out, Window{at, w.End})
		}
	}
	return out
}

// intersect gives what two merged lists have in common.
func intersect(a, b []Window) []Window {
	out := make([]Window, 0, max(len(a), len(b)))
	for i, j := 0, 0; i < len(a) && j < len(b); {
		lo, hi := max(a[i].Start, b[j].Start), min(a[i].End, b[j].End)
		if lo < hi {
			out = append(out, Window{lo, hi})
		}
		if a[i].End < b[j].End {
			i++
		} else {
			j++
		}
	}
	return out
}

// within gives the part of a merged list that lies in a range.
func within(ws []Window, in Window) []Window {
	if in.Start >= in.End {
		return nil
	}
	from := sort.Search(len(ws), func(i int) bool { return ws[i].End > in.Start })
	to := from + sort.Search(len(ws)-from, func(i int) bool { return ws[from+i].Start >= in.End })
	out := slices.Clone(ws[from:to])
	if k := len(out); k > 0 {
		out[0].Start, out[k-1].End = max(out[0].Start, in.Start), min(out[k-1].End, in.End)
	}
	return out
}

// openOf is when a unit is there at all: its open windows without absences,
// closures and conditions; bookings do not count.
func openOf(u *Unit) []Window {
	return subtract(mergeWindows(u.Open), ranges(u.Shut))
}

// until cuts a merged list at t.
func until(ws []Window, t Time) []Window { return within(ws, Window{0, t}) }
