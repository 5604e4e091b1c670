package plan

import "sort"

// seg is a range of possible starts, both ends included, from each of which
// the step ends shift minutes later. The segments of a step and its crew are
// sorted by start and, as a later start never ends earlier, by end too.
type seg struct{ lo, hi, shift Time }

// segments lists where a step of d working minutes can stand on the pieces of
// working time. Within a group it may pause between pieces unless unbroken.
func segments(groups [][]Window, d Time, unbroken bool, horizon Time) []seg {
	if d == 0 {
		return []seg{{0, horizon, 0}}
	}
	many := 0
	for _, ps := range groups {
		many += len(ps)
	}
	out := make([]seg, 0, 2*many)
	for _, ps := range groups {
		for a := range ps {
			mid := Time(0) // working minutes between piece a and piece b
			for b := a; b < len(ps); b++ {
				lo, shift := ps[a].Start, d
				if b > a {
					shift = ps[b].Start + d - ps[a].End - mid
					lo = max(lo, ps[a].End+mid-d+1)
					mid += ps[b].End - ps[b].Start
				}
				hi := min(ps[a].End-1, ps[b].End-shift)
				if lo <= hi {
					out = append(out, seg{lo, hi, shift})
				}
				if unbroken || ps[a].End-1 <= ps[b].End-shift {
					break
				}
			}
		}
	}
	return out
}

// pinSegs keeps only the start at t.
func pinSegs(segs []seg, t Time) []seg {
	for _, g := range segs {
		if g.lo <= t && t <= g.hi {
			return []seg{{t, t, g.shift}}
		}
	}
	return nil
}

// reaches tells that some start in the segment is not before s and ends not
// before e.
func (g *seg) reaches(s, e Time) bool { return g.hi >= s && g.hi+g.shift >= e }

// from is the earliest start in a segment that reaches so far, and its end.
func (g *seg) from(s, e Time) (Time, Time) {
	at := max(g.lo, s, e-g.shift)
	return at, at + g.shift
}

// firstPlace gives the earliest start not before s whose end is not before e,
// and its end. The third result is false if there is none.
func firstPlace(segs []seg, s, e Time) (Time, Time, bool) {
	lo, hi := 0, len(segs)
	for lo < hi {
		m := int(uint(lo+hi) / 2)
		if segs[m].reaches(s, e) {
			hi = m
		} else {
			lo = m + 1
		}
	}
	if lo == len(segs) {
		return 0, 0, false
	}
	at, end := segs[lo].from(s, e)
	return at, end, true
}

// nextPlace is firstPlace where the segment is likely to be near the one at
// spot; it leaves there the one that it is.
func nextPlace(segs []seg, spot *int, s, e Time) (Time, Time, bool) {
	i := min(*spot, len(segs))
	for i > 0 && segs[i-1].reaches(s, e) {
		i--
	}
	for i < len(segs) && !segs[i].reaches(s, e) {
		i++
	}
	if *spot = i; i == len(segs) {
		return 0, 0, false
	}
	at, end := segs[i].from(s, e)
	return at, end, true
}

// lastPlace gives the latest start not after s whose end is not after e.
func lastPlace(segs []seg, s, e Time) (Time, Time, bool) {
	k := sort.Search(len(segs), func(i int) bool {
		g := &segs[i]
		return g.lo > s || g.lo+g.shift > e
	})
	if k == 0 {
		return 0, 0, false
	}
	g := &segs[k-1]
	at := min(g.hi, s, e-g.shift)
	return at, at + g.shift, true
}

// slackAt tells how many minutes past s the end keeps growing with the start
// at the same distance: the room to the end of the segment that holds s.
func slackAt(segs []seg, s Time) Time {
	k := sort.Search(len(segs), func(i int) bool { return segs[i].hi >= s })
	if k == len(segs) || segs[k].lo > s {
		return 0
	}
	return segs[k].hi - s
}
