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
	if len(m.graph.order()) < len(m.graph.out) {
		return m.cycle() // nothing to do with opposites
	}
	tries := 4 * len(pairs)
	stuck, ok := m.choose(pairs, &tries)
	if ok {
		return nil
	}
	return m.oppositeFault(stuck)
}

// choose orders the pairs; if it cannot, it gives back the graph as it was and
// the pair that had no order left.
func (m *merger) choose(open []pair, tries *int) (stuck pair, ok bool) {
	undo := m.mark()
	for {
		var rest []pair
		for _, p := range open {
			before := m.graph.reaches(m.preps[p.a].begins, m.preps[p.b].gone)
			after := m.graph.reaches(m.preps[p.b].begins, m.preps[p.a].gone)
			switch {
			case before && after:
				m.restore(undo)
				return p, false
			case before:
				m.apart(p.a, p.b)
			case after:
				m.apart(p.b, p.a)
			default:
				rest = append(rest, p)
			}
		}
		if len(rest) == 0 {
			return pair{}, true
		}
		settled := len(rest) < len(open)
		open = rest
		if !settled {
			break
		}
	}
	p, rest := open[0], open[1:]
	for _, way := range []pair{{p.a, p.b}, {p.b, p.a}} {
		if *tries--; *tries < 0 {
			stuck = p
			break
		}
		inner := m.mark()
		m.apart(way.a, way.b)
		if stuck, ok = m.choose(rest, tries); ok {
			return pair{}, true
		}
		m.restore(inner)
	}
	m.restore(undo)
	return stuck, false
}

// apart puts all of one preparation before the other.
func (m *merger) apart(first, second int32) {
	m.graph.add(m.preps[first].gone, m.preps[second].begins, opposite)
}

// mark notes how many edges leave the end of each preparation; restore takes
// away those that were added since. Only opposites are added after link.
func (m *merger) mark() []int {
	n := make([]int, len(m.preps))
	for i := range m.preps {
		n[i] = len(m.graph.out[m.preps[i].gone])
	}
	return n
}

func (m *merger) restore(n []int) {
	for i := range m.preps {
		gone := m.preps[i].gone
		m.graph.out[gone] = m.graph.out[gone][:n[i]]
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
