package plan

import (
	"context"
	"slices"
)

// Budgets of one insertion in nodes: to find the earliest finish, and to make
// it shorter.
const (
	insertNodes  = 300
	shortenNodes = 100
)

// inserter places groups one at a time into a book of placed groups, each by
// the exact search for one job with a small budget. It belongs to one
// goroutine.
type inserter struct {
	ctx     context.Context
	p       *Problem
	release Time
	groups  []*group
	nets    []*searcher // of each group; nil until used
	placed  []*Plan     // of each group in its own numbering; nil if none
	book    [][]booking // of each unit, unsorted
	version []int       // of each unit's book
	bases   [][][]Window
	exact   bool // the last joint search came to its end
}

func newInserter(ctx context.Context, p *Problem, release Time, groups []*group) *inserter {
	return &inserter{
		ctx: ctx, p: p, release: release, groups: groups, nets: make([]*searcher, len(groups)),
		placed: make([]*Plan, len(groups)), book: make([][]booking, len(p.Units)),
		version: make([]int, len(p.Units)), bases: make([][][]Window, len(groups)),
	}
}

// remove takes a group out of the book.
func (in *inserter) remove(g int) {
	if in.placed[g] == nil {
		return
	}
	in.groups[g].bookings(in.placed[g], func(u int32, _ Window) {
		in.book[u] = slices.DeleteFunc(in.book[u], func(b booking) bool { return b.group == int32(g) })
		in.version[u]++
	})
	in.placed[g] = nil
}

// put writes a plan of a group into the book.
func (in *inserter) put(g int, pl *Plan) {
	in.remove(g)
	if pl == nil {
		return
	}
	in.placed[g] = pl
	in.groups[g].bookings(pl, func(u int32, at Window) {
		in.book[u] = append(in.book[u], booking{at, int32(g)})
		in.version[u]++
	})
}

// insert finds the best place of a group in the book as it stands, earliest
// finish first, and writes it there. It is false if none was found.
func (in *inserter) insert(g int) bool {
	in.remove(g)
	se := in.searcher(g)
	lim := limits{deadline: in.p.Horizon, span: Never, from: max(0, in.release)}
	se.nodes, se.out = insertNodes, false
	best, _ := se.earliest(lim)
	if best == nil {
		return false
	}
	se.nodes, se.out = shortenNodes, false
	lim.deadline, lim.span = best.Finish, best.Minutes-1
	if short := se.shortest(lim); short != nil {
		best = short
	}
	se.tighten(best, -1)
	best = in.groups[g].own(best)
	in.put(g, best)
	return true
}

// searcher gives the search of a group with the book as it stands.
func (in *inserter) searcher(g int) *searcher {
	if in.nets[g] == nil {
		w := compile(in.groups[g].sub, in.groups[g].order)
		in.nets[g] = newSearcher(context.Background(), w, 0) // the budget is small
		in.bases[g] = slices.Clone(w.gaps)
	}
	w := in.nets[g].net
	for _, gang := range w.gangs {
		v := 0
		for _, u := range gang.members {
			v += in.version[u]
		}
		if gang.seen != v {
			gang.seen = v
			w.settle(gang, in.taken(gang.members))
		}
	}
	for u, base := range in.bases[g] {
		if base != nil {
			w.gaps[u] = base
			if len(in.book[u]) > 0 {
				w.gaps[u] = subtract(base, in.taken([]int32{int32(u)}))
			}
		}
	}
	if len(in.groups[g].sub.Uses) == 0 {
		return in.nets[g]
	}
	q := *in.groups[g].sub
	in.freeze(&q, 1)
	return newSearcher(context.Background(), w.with(&q), 0)
}

// with is the net of its problem with steps added that only stand there.
func (w *net) with(q *Problem) *net {
	x := *w
	x.p, x.n = q, len(q.Steps)
	x.orig, x.pos, x.release = slices.Clip(w.orig), slices.Clip(w.pos), slices.Clip(w.release)
	x.minDur, x.teams, x.teamAt, x.uses = slices.Clip(w.minDur), slices.Clip(w.teams), slices.Clip(w.teamAt), slices.Clip(w.uses)
	more := x.n - w.n
	x.succ, x.pred = append(slices.Clip(w.succ), make([][]link, more)...), append(slices.Clip(w.pred), make([][]link, more)...)
	x.crews, x.holdsOf = append(slices.Clip(w.crews), make([][]int32, more)...), append(slices.Clip(w.holdsOf), make([][]int32, more)...)
	x.joined = append(slices.Clip(w.joined), make([]bool, more)...)
	for k := w.n; k < x.n; k++ {
		x.orig, x.pos, x.release = append(x.orig, int32(k)), append(x.pos, int32(k)), append(x.release, 0)
		x.minDur = append(x.minDur, q.Steps[k].Duration)
		x.teams, x.teamAt = append(x.teams, []team{{segs: x.place(k)}}), append(x.teamAt, x.teamAt[k]+1)
		x.uses = append(x.uses, nil)
	}
	for _, u := range q.Uses[len(w.p.Uses):] {
		x.uses[u.Step] = append(x.uses[u.Step], amount{u.Pool, u.Amount})
	}
	return &x
}

// taken merges what the book has of some units.
func (in *inserter) taken(units []int32) []Window {
	var ws []Window
	for _, u := range units {
		for _, b := range in.book[u] {
			ws = append(ws, b.Window)
		}
	}
	return mergeWindows(ws)
}

// beside is the problem of a group with the book written into its units, and
// with the steps of all placed groups frozen after its own, as far as they use
// pools.
func (in *inserter) beside(g int) *Problem {
	q := *in.groups[g].sub
	q.Steps, q.Claims = slices.Clone(q.Steps), slices.Clone(q.Claims)
	q.Units = slices.Clone(q.Units)
	for u := range q.Units {
		for _, b := range in.book[u] {
			q.Units[u].Busy = append(slices.Clip(q.Units[u].Busy), Blocked{b.Window, -1})
		}
	}
	in.freeze(&q, 1)
	return &q
}

// freeze adds the steps of all placed groups to a problem where they stand, as
// far as they use pools, under a job of their own.
func (in *inserter) freeze(q *Problem, job int32) {
	q.Steps, q.Uses = slices.Clip(q.Steps), slices.Clip(q.Uses)
	before := len(q.Steps)
	for o, pl := range in.placed {
		if pl == nil {
			continue
		}
		for _, u := range in.groups[o].sub.Uses {
			at := pl.Steps[u.Step]
			q.Uses = append(q.Uses, Use{int32(len(q.Steps)), u.Pool, u.Amount})
			q.Steps = append(q.Steps, Step{Duration: at.End - at.Start, Frozen: true, At: at.Start, Job: job})
		}
	}
	q.beside = len(q.Steps) - before
}

// own cuts a plan down to the group's own steps.
func (g *group) own(pl *Plan) *Plan {
	pl.Steps = pl.Steps[:len(g.steps)]
	pl.Finish = 0
	for _, at := range pl.Steps {
		pl.Finish = max(pl.Finish, at.End)
	}
	pl.Minutes = g.sub.minutes(pl.Steps)
	return pl
}
