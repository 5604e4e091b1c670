package procedure

import (
	"slices"
	"strings"
)

// link puts every edge of the job into the graph, but for preparations that
// exclude each other.
func (m *merger) link() {
	for i := range m.preps {
		p := &m.preps[i]
		for _, q := range m.bearers.direct(m.bearers.needs[i]) {
			m.graph.add(m.preps[q].stands, p.begins, needed)
			m.graph.add(p.gone, m.preps[q].ends, needed)
		}
	}
	for _, l := range m.lists {
		m.linkList(l)
	}
}

// linkList orders the steps of a list: among themselves, against the bounds of
// the list, and against what they name elsewhere.
func (m *merger) linkList(l *list) {
	for _, p := range m.bearers.direct(l.needs) {
		m.graph.add(m.preps[p].stands, l.enter, needed)
		m.graph.add(l.leave, m.preps[p].ends, needed)
	}
	m.linkFree(l)
	preceded := make([]bool, len(l.steps)) // by a step between the list's bounds
	followed := make([]bool, len(l.steps))
	inside := func(before, after int) {
		if !l.isFree(before) && !l.isFree(after) {
			followed[before], preceded[after] = true, true
		}
	}
	for i, s := range l.steps {
		if i > 0 && len(s.After) == 0 && !s.Anytime {
			m.graph.add(l.node(i-1), l.node(i), listed)
			inside(i-1, i)
		}
		if s.JoinedToNext && i+1 < len(l.steps) {
			m.graph.join(l.node(i), l.node(i+1))
			inside(i, i+1)
		}
		m.linkNamed(l, i, inside)
		m.linkPlaced(l, i)
	}
	empty := true
	for i := range l.steps {
		if l.isFree(i) {
			continue
		}
		empty = false
		if !preceded[i] {
			m.graph.add(l.enter, l.node(i), boundary)
		}
		if !followed[i] {
			m.graph.add(l.node(i), l.leave, boundary)
		}
	}
	if empty {
		m.graph.add(l.enter, l.leave, boundary)
	}
}

// linkNamed adds what a step's after and before say.
func (m *merger) linkNamed(l *list, i int, inside func(before, after int)) {
	s := l.steps[i]
	for _, ref := range s.After {
		switch node, ok := m.find(l.owner, ref); {
		case !ok:
			m.faults.Add(l.owner+"/"+s.ID+".after", "there is no step %q", ref)
		case node >= 0:
			m.graph.add(node, l.node(i), named)
			if k := l.index(node); k >= 0 {
				inside(k, i)
			}
		}
	}
	for _, ref := range s.Before {
		switch node, ok := m.find(l.owner, ref); {
		case !ok:
			m.faults.Add(l.owner+"/"+s.ID+".before", "there is no step %q", ref)
		case node >= 0:
			m.graph.add(l.node(i), node, named)
			if k := l.index(node); k >= 0 {
				inside(i, k)
			}
		}
	}
}

// linkPlaced adds what a step's only_before and only_after say.
func (m *merger) linkPlaced(l *list, i int) {
	s := l.steps[i]
	for _, p := range m.numbers(s.OnlyBefore) {
		m.graph.add(l.node(i), m.preps[p].begins, placed)
	}
	for _, p := range m.numbers(s.OnlyAfter) {
		m.graph.add(m.preps[p].gone, l.node(i), placed)
	}
}

// linkFree finds the steps of a list that do without one of the preparations
// which the list needs, because they come only before or only after it. They
// are tied to the other needs one by one and not to the bounds of the list.
func (m *merger) linkFree(l *list) {
	if len(l.needs) == 0 {
		return
	}
	l.free = make(map[int][]int32)
	type answer struct {
		needs []int32
		free  bool
	}
	known := make(map[string]answer)
	for i, s := range l.steps {
		if len(s.OnlyBefore) == 0 && len(s.OnlyAfter) == 0 {
			continue
		}
		key := strings.Join(s.OnlyBefore, ",") + "," + strings.Join(s.OnlyAfter, ",")
		a, ok := known[key]
		if !ok {
			roots := append(m.numbers(s.OnlyBefore), m.numbers(s.OnlyAfter)...)
			a.needs = slices.DeleteFunc(slices.Clone(l.needs), func(p int32) bool {
				return m.bearers.standsOn(p, roots)
			})
			a.free = len(a.needs) < len(l.needs)
			a.needs = m.bearers.direct(a.needs)
			known[key] = a
		}
		if !a.free {
			continue
		}
		l.free[i] = a.needs
		for _, p := range a.needs {
			m.graph.add(m.preps[p].stands, l.node(i), needed)
			m.graph.add(l.node(i), m.preps[p].ends, needed)
		}
	}
}

// isFree reports whether a step does without one of the list's needs.
func (l *list) isFree(i int) bool {
	_, free := l.free[i]
	return free
}
