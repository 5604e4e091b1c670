package plan

// split turns the clash that the assigner met into children which between
// them hold every plan below the state.
func (se *searcher) split(st *state, depth int) []branch {
	kids := se.children(depth)
	c := se.as.clash
	if c.lone {
		t := se.bestTeam(st, int(c.a))
		kids = se.child(kids, st, c.a, func(n *state) { se.onlyTeam(n, c.a, t) })
		kids = se.child(kids, st, c.a, func(n *state) { n.teamOut.add(se.teamAt[c.a] + t) })
		return se.keep(depth, kids)
	}
	if !st.apart(c.a, c.b) && !se.together(c.a, c.b) {
		kids = se.ordered(kids, st, c.a, c.b)
		kids = se.ordered(kids, st, c.b, c.a)
		kids = se.child(kids, st, c.a, func(n *state) { n.differ = append(n.differ, pair{c.a, c.b}) })
		return se.keep(depth, kids)
	}
	kids = se.child(kids, st, c.b, func(n *state) { se.without(n, c.b, c.unit) })
	kids = se.child(kids, st, c.a, func(n *state) { se.without(n, c.a, c.unit) })
	return se.keep(depth, kids)
}

// orderSet turns an overload of a pool by a set of steps into children: in
// every plan one of the set ends before another starts.
func (se *searcher) orderSet(st *state, depth int, set []int32) []branch {
	kids := se.children(depth)
	for _, a := range set {
		for _, b := range set {
			if a != b {
				kids = se.ordered(kids, st, a, b)
			}
		}
	}
	return se.keep(depth, kids)
}

// children is an empty list for the node at a depth.
func (se *searcher) children(depth int) []branch {
	for len(se.kids) <= depth {
		se.kids = append(se.kids, nil)
	}
	return se.kids[depth][:0]
}

func (se *searcher) keep(depth int, kids []branch) []branch {
	se.kids[depth] = kids
	return kids
}

// child adds the state with one more decision, which concerns group g, unless
// its bounds cannot be met.
func (se *searcher) child(kids []branch, st *state, g int32, decide func(*state)) []branch {
	n := se.take()
	n.copyFrom(st)
	se.wake(g)
	decide(n)
	if !se.run(n) {
		se.spare = append(se.spare, n)
		return kids
	}
	b := branch{st: n, finish: se.finish(n)}
	if se.wishes != nil {
		b.cost = se.costOf(n)
	}
	return append(kids, b)
}

// wake has a group looked at again.
func (pr *propagator) wake(g int32) {
	if int(g) < pr.n {
		pr.steps.add(int(g))
	} else {
		pr.claims.add(int(g) - pr.n)
	}
}

// ordered adds the child in which group a ends before group b starts, unless
// what is decided already has a step of b come before one of a.
func (se *searcher) ordered(kids []branch, st *state, a, b int32) []branch {
	if se.precedes(st, b, a) {
		return kids
	}
	return se.child(kids, st, b, func(n *state) { se.order(n, a, b) })
}

// precedes tells whether arcs and orders lead from a step of group a to one
// of group b in such a way that b cannot come before a. Steps of no length
// could, so they do not count.
func (se *searcher) precedes(st *state, a, b int32) bool {
	clear(se.seen)
	se.walk = se.walk[:0]
	solid := true
	se.eachStep(a, func(k int32) {
		solid = solid && se.minDur[k] > 0
		se.visit(k)
	})
	for len(se.walk) > 0 {
		k := se.walk[len(se.walk)-1]
		se.walk = se.walk[:len(se.walk)-1]
		for _, l := range se.succ[k] {
			se.visit(l.step)
		}
		for _, o := range st.orders {
			if se.inGroup(int(k), o.a) {
				se.eachStep(o.b, se.visit)
			}
		}
	}
	found := false
	se.eachStep(b, func(k int32) {
		found = found || se.seen.has(int(k)) && (solid || se.minDur[k] > 0)
	})
	return found
}

// visit notes a step on the way once.
func (se *searcher) visit(k int32) {
	if !se.seen.has(int(k)) {
		se.seen.add(int(k))
		se.walk = append(se.walk, k)
	}
}

// eachStep calls f with the steps of a group.
func (pr *propagator) eachStep(g int32, f func(int32)) {
	if int(g) < pr.n {
		f(g)
		return
	}
	for _, k := range pr.holds[int(g)-pr.n].steps {
		f(k)
	}
}

// order lets group a end before group b starts.
func (se *searcher) order(st *state, a, b int32) {
	st.orders = append(st.orders, pair{a, b})
	if int(a) < se.n {
		se.raiseGroup(st, b, st.e[a])
		return
	}
	_, end := se.span0(st, &se.holds[int(a)-se.n])
	se.raiseGroup(st, b, end)
}

// together tells whether two groups have a step of some length in common, so
// that neither can come before the other.
func (se *searcher) together(a, b int32) bool {
	if int(a) < se.n {
		return se.minDur[a] > 0 && se.inGroup(int(a), b)
	}
	for _, k := range se.holds[int(a)-se.n].steps {
		if se.minDur[k] > 0 && se.inGroup(int(k), b) {
			return true
		}
	}
	return false
}

// without rules a unit out for a group.
func (se *searcher) without(st *state, g, unit int32) {
	if int(g) >= se.n {
		h := int(g) - se.n
		for i, u := range se.holds[h].units {
			if u == unit {
				st.unitOut.add(se.unitAt[h] + i)
			}
		}
		return
	}
	for t := range se.teams[g] {
		for _, u := range se.teams[g][t].units {
			if u == unit {
				st.teamOut.add(se.teamAt[g] + t)
			}
		}
	}
}

// onlyTeam rules out every team of step k but one.
func (se *searcher) onlyTeam(st *state, k int32, team int) {
	for t := range se.teams[k] {
		if t != team {
			st.teamOut.add(se.teamAt[k] + t)
		}
	}
}

// bestTeam is a team of step k that starts at its bound, the one that ends
// soonest; if none does, the one that ends soonest.
func (se *searcher) bestTeam(st *state, k int) int {
	best, bestLate, bestEnd := -1, true, Never
	for t := range se.teams[k] {
		if st.teamOut.has(se.teamAt[k] + t) {
			continue
		}
		s, e, ok := firstPlace(se.teams[k][t].segs, st.s[k], st.e[k])
		if late := s > st.s[k]; ok && (best < 0 || bestLate && !late || late == bestLate && e < bestEnd) {
			best, bestLate, bestEnd = t, late, e
		}
	}
	return best
}
