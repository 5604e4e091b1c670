package plan

import (
	"cmp"
	"slices"
)

// tighten makes the holds of a plan no longer than needed: with units, orders
// and finish kept, steps go right as far as no hold grows, so that those which
// begin a hold begin it late, and then left again as far as no hold grows, so
// that nothing else waits (the two passes of double justification).
//
// Steps that start at keep stay there; -1 for none.
func (w *net) tighten(pl *Plan, keep Time) {
	if len(w.holds) == 0 {
		return
	}
	t := &tightener{net: w, pl: pl, segs: make([][]seg, w.n), fixed: make([]bool, w.n)}
	for s, at := range pl.Steps {
		j := int(w.p.Steps[s].Job)
		for len(t.ends) <= j {
			t.ends = append(t.ends, 0)
		}
		t.ends[j] = max(t.ends[j], at.End)
	}
	order := make([]int, w.n)
	for k := range w.n {
		order[k] = k
		t.segs[k] = w.segsOf(k, pl)
		t.fixed[k] = t.segs[k] == nil || len(w.uses[k]) > 0 || w.p.Steps[w.orig[k]].Frozen || t.at(k).Start == keep
		for _, l := range w.succ[k] {
			if l.joined {
				t.fixed[k] = true
			}
		}
		t.fixed[k] = t.fixed[k] || w.joined[k]
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(t.at(b).End, t.at(a).End), cmp.Compare(b, a))
	})
	for _, k := range order {
		t.right(k)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(t.at(a).Start, t.at(b).Start), cmp.Compare(a, b))
	})
	for _, k := range order {
		t.left(k)
	}
}

// segsOf gives where step k can stand with its crew in the plan.
func (w *net) segsOf(k int, pl *Plan) []seg {
	var members []int32
	for _, c := range w.crews[k] {
		members = append(members, pl.Units[c]...)
	}
	for t := range w.teams[k] {
		if slices.Equal(w.teams[k][t].units, members) {
			return w.teams[k][t].segs
		}
	}
	return nil
}

type tightener struct {
	*net
	pl    *Plan
	segs  [][]seg
	fixed []bool
	ends  []Time // by job
}

func (t *tightener) at(k int) *Window { return &t.pl.Steps[t.orig[k]] }

// right moves step k as late as its successors, its people and its holds let
// it, but not so that a hold ends later.
func (t *tightener) right(k int) {
	if t.fixed[k] {
		return
	}
	at := t.at(k)
	end := t.ends[t.p.Steps[t.orig[k]].Job]
	for _, l := range t.succ[k] {
		end = min(end, t.at(int(l.step)).Start-l.lag)
	}
	for _, h := range t.holdsOf[k] {
		end = min(end, t.p.Hold(int(t.holds[h].claim), t.pl).End)
	}
	t.neighbours(k, func(w Window) {
		if w.Start >= at.End {
			end = min(end, w.Start)
		}
	})
	if s, e, ok := lastPlace(t.segs[k], Never, end); ok && s > at.Start {
		*at = Window{s, e}
	}
}

// left moves step k as early as its predecessors, its people and its holds
// let it, but not so that a hold starts earlier.
func (t *tightener) left(k int) {
	if t.fixed[k] {
		return
	}
	at := t.at(k)
	first := Never
	for i := range t.pl.Steps {
		first = min(first, t.pl.Steps[i].Start)
	}
	start := max(first, t.release[k])
	for _, l := range t.pred[k] {
		start = max(start, t.at(int(l.step)).End+l.lag)
	}
	for _, h := range t.holdsOf[k] {
		start = max(start, t.p.Hold(int(t.holds[h].claim), t.pl).Start)
	}
	t.neighbours(k, func(w Window) {
		if w.End <= at.Start {
			start = max(start, w.End)
		}
	})
	if s, e, ok := firstPlace(t.segs[k], start, 0); ok && s < at.Start {
		*at = Window{s, e}
	}
}

// neighbours calls f with the range of every other claim that has one of the
// people of step k.
func (t *tightener) neighbours(k int, f func(Window)) {
	for _, c := range t.crews[k] {
		for _, u := range t.pl.Units[c] {
			for o := range t.pl.Units {
				if !slices.Contains(t.crews[k], int32(o)) && slices.Contains(t.pl.Units[o], u) {
					f(t.p.Hold(o, t.pl))
				}
			}
		}
	}
}
