package hours

import (
	"slices"
	"sort"
	"time"
)

// Empty reports whether no instant lies in the range.
func (r Range) Empty() bool { return !r.Start.Before(r.End) }

// Length is the elapsed time from start to end; 0 for an empty range.
func (r Range) Length() time.Duration {
	if r.Empty() {
		return 0
	}
	return r.End.Sub(r.Start)
}

// Has reports whether the instant lies in the range.
func (r Range) Has(t time.Time) bool { return !t.Before(r.Start) && t.Before(r.End) }

// Overlaps reports whether some instant lies in both ranges. Ranges that only
// touch do not overlap.
func (r Range) Overlaps(s Range) bool { return !r.Intersect(s).Empty() }

// Intersect is what lies in both ranges; empty if nothing does.
func (r Range) Intersect(s Range) Range {
	if r.Start.Before(s.Start) {
		r.Start = s.Start
	}
	if s.End.Before(r.End) {
		r.End = s.End
	}
	return r
}

// Normalize gives the set of instants that lie in any of the ranges, as sorted
// ranges that neither overlap nor touch: the form that the other functions on
// sets take and give. It does not change its argument.
func Normalize(ranges []Range) []Range {
	sorted := make([]Range, 0, len(ranges))
	for _, r := range ranges {
		if !r.Empty() {
			sorted = append(sorted, r)
		}
	}
	slices.SortFunc(sorted, func(a, b Range) int { return a.Start.Compare(b.Start) })
	var out []Range
	for _, r := range sorted {
		if n := len(out); n > 0 && !r.Start.After(out[n-1].End) {
			if r.End.After(out[n-1].End) {
				out[n-1].End = r.End
			}
			continue
		}
		out = append(out, r)
	}
	return out
}

// Union is the set of instants in a or b.
func Union(a, b []Range) []Range {
	return Normalize(slices.Concat(a, b))
}

// Intersect is the set of instants in both a and b.
func Intersect(a, b []Range) []Range {
	var out []Range
	for i, j := 0, 0; i < len(a) && j < len(b); {
		if r := a[i].Intersect(b[j]); !r.Empty() {
			out = append(out, r)
		}
		if a[i].End.Before(b[j].End) {
			i++
		} else {
			j++
		}
	}
	return out
}

// Subtract is the set of instants in a that are not in b.
func Subtract(a, b []Range) []Range {
	var out []Range
	j := 0
	for _, r := range a {
		for j < len(b) && !b[j].End.After(r.Start) {
			j++
		}
		for k := j; k < len(b) && b[k].Start.Before(r.End); k++ {
			if left := (Range{Start: r.Start, End: b[k].Start}); !left.Empty() {
				out = append(out, left)
			}
			r.Start = b[k].End
		}
		if !r.Empty() {
			out = append(out, r)
		}
	}
	return out
}

// Contains reports whether every instant of r lies in the set. An empty range
// lies in every set.
func Contains(set []Range, r Range) bool {
	if r.Empty() {
		return true
	}
	i := endingAfter(set, r.Start)
	return i < len(set) && set[i].Has(r.Start) && !set[i].End.Before(r.End)
}

// Overlaps reports whether some instant of r lies in the set.
func Overlaps(set []Range, r Range) bool {
	i := endingAfter(set, r.Start)
	return i < len(set) && set[i].Overlaps(r)
}

// endingAfter is the index of the first range that ends after t.
func endingAfter(set []Range, t time.Time) int {
	return sort.Search(len(set), func(i int) bool { return set[i].End.After(t) })
}
