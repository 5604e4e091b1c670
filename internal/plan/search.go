package plan

import (
	"cmp"
	"context"
	"slices"
)

// searcher is a depth-first branch and bound over the decisions that the
// earliest placement leaves in conflict: which of two groups comes first,
// that they share no unit, or which unit or team serves a group.
type searcher struct {
	*propagator
	as    *assigner
	ctx   context.Context
	nodes int64 // left in the budget
	ticks int64 // nodes looked at
	out   bool  // budget or time ran out
	best  *Plan
	// shorten looks for the shortest span; else for the earliest finish.
	shorten bool
	// wishes, if set, are the jobs' promises: the search looks for the least
	// weighted lateness, then the least sum of hand-backs.
	wishes []Job
	cost   score      // of best, when there are wishes
	least  score      // that any plan has, then
	ends   []Time     // scratch: of the jobs
	floor  Time       // the search may stop at a plan as good as this
	spare  []*state   // states not in use
	pools  poolSweep  // scratch
	kids   [][]branch // by depth
	seen   bitset     // scratch: steps met on a walk
	walk   []int32    // scratch
}

// branch is a child of a node and how promising it is.
type branch struct {
	st     *state
	finish Time
	cost   score // when there are wishes
}

func newSearcher(ctx context.Context, w *net, nodes int64) *searcher {
	pr := newPropagator(w, limits{deadline: w.p.Horizon, span: Never})
	return &searcher{propagator: pr, as: newAssigner(pr), ctx: ctx, nodes: nodes, seen: newBitset(w.n)}
}

// rootState settles the bounds with nothing decided; nil if they cannot be met.
func (se *searcher) rootState() *state {
	st := se.take()
	clear(st.teamOut)
	clear(st.unitOut)
	st.orders, st.differ = st.orders[:0], st.differ[:0]
	se.begin(st)
	se.wakeAll()
	if !se.run(st) {
		se.spare = append(se.spare, st)
		return nil
	}
	return st
}

// earliest finds the plan with the earliest finish within the limits, nil if
// there is none or, when out is set, none was found.
func (se *searcher) earliest(l limits) (best *Plan, bound Time) {
	se.limits, se.best, se.shorten = l, nil, false
	st := se.rootState()
	if st == nil {
		return nil, Never
	}
	se.floor = se.finish(st)
	bound = se.floor
	se.descend(st, 0)
	se.spare = append(se.spare, st)
	if se.best != nil && !se.out {
		bound = se.best.Finish
	}
	return se.best, bound
}

// shortest finds the plan with the shortest span within the limits that is
// shorter than theirs.
func (se *searcher) shortest(l limits) *Plan {
	se.limits, se.best, se.shorten = l, nil, true
	se.floor = 0
	if st := se.rootState(); st != nil {
		se.descend(st, 0)
		se.spare = append(se.spare, st)
	}
	return se.best
}

// leastLate finds the plan with the least weighted lateness, then the least
// sum of hand-backs, nil if there is none or none was found.
func (se *searcher) leastLate(l limits, wishes []Job) *Plan {
	se.limits, se.best, se.shorten, se.wishes = l, nil, false, wishes
	se.ends = make([]Time, len(wishes))
	if st := se.rootState(); st != nil {
		se.least = se.costOf(st)
		se.descend(st, 0)
		se.spare = append(se.spare, st)
	}
	se.wishes = nil
	return se.best
}

// costOf is what every plan below a state costs at least.
func (se *searcher) costOf(st *state) score {
	clear(se.ends)
	for k, e := range st.e {
		j := se.p.Steps[se.orig[k]].Job
		se.ends[j] = max(se.ends[j], e)
	}
	var c score
	for j, e := range se.ends {
		c.late += se.wishes[j].late(e)
		c.ends += int64(e)
	}
	return c
}

// descend searches below a settled state, which it may change.
func (se *searcher) descend(st *state, depth int) {
	for !se.spent() {
		var kids []branch
		if se.as.assign(st) {
			if places, ok := se.placesOf(st); ok {
				if set := se.pools.overload(se.net, places); set != nil {
					kids = se.orderSet(st, depth, set)
				} else {
					se.record(st, places)
					if !se.improve(st) {
						return
					}
					continue
				}
			} else {
				kids = se.split(st, depth)
			}
		} else {
			kids = se.split(st, depth)
		}
		slices.SortStableFunc(kids, func(a, b branch) int {
			return cmp.Or(a.cost.compare(b.cost), cmp.Compare(a.finish, b.finish))
		})
		for _, kid := range kids {
			if se.promising(kid) {
				se.again(kid.st, depth+1)
			}
			se.spare = append(se.spare, kid.st)
		}
		return
	}
}

// promising tells whether a branch may still hold a better plan.
func (se *searcher) promising(b branch) bool {
	switch {
	case se.best == nil || se.shorten:
		return b.finish <= se.deadline
	case se.wishes != nil:
		return b.cost.compare(se.cost) < 0
	}
	return b.finish <= se.deadline && b.finish < se.best.Finish
}

// again goes below a child; when the limits have tightened since it was made
// its bounds are settled once more.
func (se *searcher) again(st *state, depth int) {
	if se.best != nil && se.shorten {
		se.wakeAll()
		if !se.run(st) {
			return
		}
	}
	se.descend(st, depth)
}

// spent counts a node and tells whether the search must end.
func (se *searcher) spent() bool {
	if se.out {
		return true
	}
	se.nodes -= 1 + se.rounds/8
	se.rounds = 0
	if se.ticks++; se.nodes < 0 || se.ticks%32 == 0 && se.ctx.Err() != nil {
		se.out = true
	}
	if se.best != nil && !se.shorten {
		if se.wishes != nil && se.cost.compare(se.least) <= 0 || se.wishes == nil && se.best.Finish <= se.floor {
			return true
		}
	}
	return se.out
}

// improve asks for a better plan than the one just recorded.
func (se *searcher) improve(st *state) bool {
	if se.wishes != nil {
		return false // the bounds were the plan's
	}
	if !se.shorten {
		se.deadline = min(se.deadline, se.best.Finish-1)
		return false
	}
	se.span = se.best.Minutes - 1
	se.wakeAll()
	return se.run(st)
}

// placesOf is where the steps stand with the teams just assigned. It is
// false if no step starts with a pinned start.
func (se *searcher) placesOf(st *state) ([]Window, bool) {
	places := make([]Window, se.n)
	first := Never
	for i := range se.as.items {
		if it := &se.as.items[i]; int(it.group) < se.n {
			op := &it.options[it.chosen]
			places[it.group] = Window{op.start, op.end}
			if int(it.group) < se.own {
				first = min(first, op.start)
			}
		}
	}
	if se.pinned && first != se.from {
		for k := range se.n {
			if st.s[k] == se.from {
				se.as.clash = clash{a: int32(k), lone: true}
				break
			}
		}
		return nil, false
	}
	return places, true
}

// record keeps the placement as the best plan.
func (se *searcher) record(st *state, places []Window) {
	pl := &Plan{Steps: make([]Window, se.n), Units: make([][]int32, len(se.p.Claims))}
	first := Never
	for k, at := range places {
		pl.Steps[se.orig[k]] = at
		if k < se.own {
			pl.Finish = max(pl.Finish, at.End)
			first = min(first, at.Start)
		}
	}
	for i := range se.as.items {
		it := &se.as.items[i]
		units := it.options[it.chosen].units
		if int(it.group) >= se.n {
			c := se.holds[int(it.group)-se.n].claim
			pl.Units[c] = append(pl.Units[c], units...)
			continue
		}
		for _, c := range se.crews[it.group] {
			k := se.p.Claims[c].Count
			pl.Units[c] = append(pl.Units[c], units[:k]...)
			units = units[k:]
		}
	}
	for c := range pl.Units {
		slices.Sort(pl.Units[c])
	}
	pl.Minutes = pl.Finish - first
	if se.wishes != nil {
		cost := se.costOf(st)
		if se.best != nil && cost.compare(se.cost) >= 0 {
			return
		}
		se.cost = cost
	}
	se.best = pl
}

func (se *searcher) take() *state {
	if k := len(se.spare) - 1; k >= 0 {
		st := se.spare[k]
		se.spare = se.spare[:k]
		return st
	}
	return newState(se.net)
}
