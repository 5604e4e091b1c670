package procedure

import (
	"slices"

	"bayhold/internal/fault"
)

// pair is two preparations, by number, that exclude each other.
type pair struct{ a, b int32 }

// opposites lists the pairs of the job that exclude each other, each once.
func (m *merger) opposites() []pair {
	var pairs []pair
	for i := range m.preps {
		for _, j := range m.numbers(m.preps[i].Excludes) {
			if a, b := min(int32(i), j), max(int32(i), j); a != b {
				pairs = append(pairs, pair{a, b})
			}
		}
	}
	slices.SortFunc(pairs, func(x, y pair) int {
		if x.a != y.a {
			return int(x.a - y.a)
		}
		return int(x.b - y.b)
	})
	return slices.Compact(pairs)
}

// separate orders the preparations that exclude each other: where one begins
// before the other is gone whatever happens, it must itself be gone first.
// What is then still open is tried with the lower id first, and the other way
// where that turns out to leave another pair without an order.
func (m *merger) separate() error {
	pairs := m.opposites()
	if len(pairs) > maxOpposites {
		return fault.New(fault.Exhausted, "TOO_MANY_OPPOSITES",
			"%d pairs of preparations of this job exclude each other, more than %d", len(pairs), maxOpposites)
	}
	if len(pairs) == 0 {
		return nil
	}
	sorted := m.graph.order()
	if len(sorted) < len(m.graph.out) {
		return m.cycle() // nothing to do with opposites
	}
	var preps, begin, end []int32
	for _, p := range pairs {
		preps = append(preps, p.a, p.b)
	}
	slices.Sort(preps)
	preps = slices.Compact(preps)
	for _, p := range preps {
		begin, end = append(begin, m.preps[p].begins), append(end, m.preps[p].gone)
	}
	s := separation{before: m.graph.reach(sorted, begin, end), tries: 4 * len(pairs)}
	for _, p := range pairs {
		s.open = append(s.open, pair{placeIn(preps, p.a), placeIn(preps, p.b)})
	}
	chosen, stuck, ok := s.choose()
	if !ok {
		return m.oppositeFault(pair{preps[stuck.a], preps[stuck.b]})
	}
	for _, p := range chosen {
		m.graph.add(m.preps[preps[p.a]].gone, m.preps[preps[p.b]].begins, opposite)
	}
	return nil
}

// placeIn is the place of x in a sorted list that has it.
func placeIn(list []int32, x int32) int32 {
	i, _ := slices.BinarySearch(list, x)
	return int32(i)
}

// separation is a choice of order for pairs of preparations, in the making.
type separation struct {
	open   []pair // not yet ordered
	chosen []pair // ordered: a before b
	// before tells, for each preparation, which ones end after it begins.
	before []bits
	tries  int // how often an open pair may still be tried
}

// choose orders the open pairs; if it cannot, it gives the pair that had no
// order left.
func (s *separation) choose() (chosen []pair, stuck pair, ok bool) {
	if stuck, ok = s.propagate(); !ok || len(s.open) == 0 {
		return s.chosen, stuck, ok
	}
	p := s.open[0]
	for _, way := range []pair{p, {p.b, p.a}} {
		if s.tries--; s.tries < 0 {
			return nil, p, false
		}
		try := separation{open: slices.Clone(s.open[1:]), chosen: slices.Clone(s.chosen), tries: s.tries}
		for _, row := range s.before {
			try.before = append(try.before, slices.Clone(row))
		}
		try.apart(way)
		if chosen, stuck, ok = try.choose(); ok {
			return chosen, stuck, true
		}
		s.tries = try.tries
	}
	return nil, stuck, false
}

// propagate orders the pairs that have one way left, as often as that leaves
// others with one way. It stops at a pair that has none.
func (s *separation) propagate() (stuck pair, ok bool) {
	for settled := true; settled; {
		settled = false
		rest := s.open[:0]
		for _, p := range s.open {
			first, second := s.before[p.a].has(int(p.b)), s.before[p.b].has(int(p.a))
			switch {
			case first && second:
				return p, false
			case first:
				s.apart(p)
			case second:
				s.apart(pair{p.b, p.a})
			default:
				rest = append(rest, p)
				continue
			}
			settled = true
		}
		s.open = rest
	}
	return pair{}, true
}

// apart puts all of a before b: whatever begins before a is gone begins before
// all that end after b begins.
func (s *separation) apart(p pair) {
	s.chosen = append(s.chosen, p)
	for _, row := range s.before {
		if row.has(int(p.a)) {
			row.join(s.before[p.b])
		}
	}
}

// oppositeFault says why two preparations cannot be ordered: something needs
// both, or each must begin before the other can end.
func (m *merger) oppositeFault(p pair) error {
	a, b := m.preps[p.a].ID, m.preps[p.b].ID
	for _, l := range m.lists {
		if m.needsBoth(l.needs, p) {
			return fault.New(fault.Invalid, "OPPOSITE_NEEDS",
				"procedure %s needs preparations %s and %s, which exclude each other", l.owner, a, b)
		}
	}
	for i := range m.preps {
		if m.needsBoth([]int32{int32(i)}, p) {
			return fault.New(fault.Invalid, "OPPOSITE_NEEDS",
				"preparation %s stands on %s and %s, which exclude each other", m.preps[i].ID, a, b)
		}
	}
	return fault.New(fault.Invalid, "OPPOSITE_NEEDS",
		"preparations %s and %s exclude each other, and the order of the steps leaves no time when "+
			"one of them is gone before the other begins", a, b)
}

// needsBoth reports whether a list of needs stands on both of a pair.
func (m *merger) needsBoth(needs []int32, p pair) bool {
	stands := func(q int32) bool {
		return slices.ContainsFunc(needs, func(n int32) bool {
			return m.bearers.standsOn(n, []int32{q})
		})
	}
	return stands(p.a) && stands(p.b)
}
