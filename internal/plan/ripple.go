package plan

import (
	"cmp"
	"context"
	"slices"
)

// RippleOptions says how to repair.
type RippleOptions struct {
	// Standing is the plan that people have been told, in the numbering of
	// the problem as it is now.
	Standing *Plan
	// Now is the earliest start of a step that is moved. Steps begun before
	// are frozen by the caller.
	Now Time
}

// Repair is how a standing plan goes on after something has changed.
type Repair struct {
	// Broken is what the standing plan now breaks; empty if it still holds.
	Broken []Violation
	// Plan is the repaired plan.
	Plan Plan
	// Promises are the jobs that end after their promise and later than they
	// stood: the customers to ring.
	Promises []int32
	// Changed are the claims whose units or times are not what they were:
	// the bookings to rewrite.
	Changed []int32
	// Moved is the sum over the steps of the minutes that their starts move.
	Moved int64
	// Unplaced are the jobs for which no place was found; their steps have
	// none in Plan.
	Unplaced []int32
}

// Ripple repairs a plan that a change of the problem has broken: a step that
// runs over, a tool that drops out, a person who is ill. It looks for the repair
// that moves the fewest promises, then the fewest bookings, then the fewest
// minutes: for each job that is hit it frees first only what is broken, then
// what follows, then the whole job, and only if a promise is still at risk other
// jobs in the way. That is a heuristic; only the soundness of the plan is
// certain. The error is a fault of kind Invalid for an unsound problem.
func Ripple(ctx context.Context, p *Problem, o RippleOptions) (Repair, error) {
	r, err := newRippler(ctx, p, o)
	if err != nil {
		return Repair{}, err
	}
	out := Repair{Broken: Validate(p, r.o.Standing)}
	r.find(out.Broken)
	r.repair()
	r.report(&out)
	return out, nil
}

// newRippler makes a rippler for a problem and its standing plan.
func newRippler(ctx context.Context, p *Problem, o RippleOptions) (*rippler, error) {
	if _, err := p.prepare(); err != nil {
		return nil, err
	}
	if o.Standing == nil {
		o.Standing = &Plan{}
	}
	if len(o.Standing.Steps) != len(p.Steps) || len(o.Standing.Units) != len(p.Claims) {
		return nil, shapeFault(p, o.Standing)
	}
	return &rippler{p: p, o: o, in: newInserter(ctx, p, o.Now, p.grouped())}, nil
}

// rippler repairs group by group.
type rippler struct {
	p      *Problem
	o      RippleOptions
	in     *inserter
	stand  []*Plan // of each group, as it stood; nil if it had no place
	steps  []bool  // broken, problem's numbering
	claims []bool
	hit    []int // groups that are broken
	failed []int // groups without a place
}

// find sorts what is broken to steps, claims and groups, and puts the groups
// that still hold into the book.
func (r *rippler) find(broken []Violation) {
	r.steps, r.claims = make([]bool, len(r.p.Steps)), make([]bool, len(r.p.Claims))
	for _, v := range broken {
		if v.Claim >= 0 {
			r.claims[v.Claim] = true
		}
		if v.Step >= 0 {
			r.steps[v.Step] = true
		}
	}
	hit := brokenBy(r.in.groups, broken)
	for g, gr := range r.in.groups {
		pl := gr.from(r.o.Standing)
		r.stand = append(r.stand, pl)
		if pl != nil && !hit[g] {
			r.in.put(g, pl)
		} else {
			r.hit = append(r.hit, g)
		}
	}
	due := func(g int) Time {
		d := Never
		for _, j := range r.in.groups[g].jobs {
			if int(j) < len(r.p.Jobs) {
				d = min(d, r.p.Jobs[j].Due)
			}
		}
		return d
	}
	slices.SortStableFunc(r.hit, func(a, b int) int { return cmp.Compare(due(a), due(b)) })
}

// repair places the broken groups one after the other.
func (r *rippler) repair() {
	for _, g := range r.hit {
		best, c := r.within(g)
		if best != nil && c.promises == 0 {
			r.in.put(g, best)
			continue
		}
		if !r.withOthers(g, best, c) && best == nil {
			r.failed = append(r.failed, g)
		}
	}
}

// freedom is how much of a group a repair may move.
type freedom int

const (
	onlyBroken freedom = iota
	andAfter
	wholeGroup
)

// within finds the cheapest repair that leaves all other groups alone; nil if
// there is none.
func (r *rippler) within(g int) (best *Plan, least cost) {
	for f := onlyBroken; f <= wholeGroup; f++ {
		pl := r.try(g, f)
		if pl == nil {
			continue
		}
		if c := r.cost(g, pl); best == nil || c.compare(least) < 0 {
			best, least = pl, c
		}
	}
	return best, least
}

// try finds a place for a group in the book with some of it held where it
// stood.
func (r *rippler) try(g int, f freedom) *Plan {
	r.in.remove(g)
	gr, stand := r.in.groups[g], r.stand[g]
	q := r.in.beside(g)
	free := r.freed(g, f)
	for i := range gr.steps {
		st := &q.Steps[i]
		if st.Frozen {
			continue
		}
		if stand != nil && !free[i] {
			st.Frozen, st.At = true, stand.Steps[i].Start
			continue
		}
		st.Release = max(st.Release, r.o.Now)
		if stand != nil && f < wholeGroup {
			st.Release = max(st.Release, stand.Steps[i].Start)
		}
	}
	if stand != nil {
		for i, c := range gr.claims {
			cl := &q.Claims[i]
			held := !r.claims[c]
			for _, s := range cl.Steps {
				held = held && (f == onlyBroken || !free[s])
			}
			if held {
				cl.Eligible = stand.Units[i]
			}
		}
	}
	order, _ := q.sort()
	fr := newFinder(r.in.ctx, q, order, FindOptions{Points: 1, Nodes: 2_000}).quietly()
	if len(fr.Plans) == 0 {
		return nil
	}
	return gr.own(&fr.Plans[0])
}

// freed tells which steps of a group may move.
func (r *rippler) freed(g int, f freedom) []bool {
	gr := r.in.groups[g]
	free := make([]bool, len(gr.steps))
	for i, s := range gr.steps {
		free[i] = r.steps[s] || f == wholeGroup
	}
	if f == onlyBroken {
		return free
	}
	for i, c := range gr.claims {
		if r.claims[c] {
			for _, s := range gr.sub.Claims[i].Steps {
				free[s] = true
			}
		}
	}
	for _, k := range gr.order {
		for _, a := range gr.sub.Arcs {
			if a.From == k && free[k] {
				free[a.To] = true
			}
		}
	}
	return free
}

// withOthers lets one other group at a time give way to group g, and keeps
// what costs least in all, if that is less than what g costs alone. It is true
// if g has a place then.
func (r *rippler) withOthers(g int, alone *Plan, least cost) bool {
	if alone != nil {
		r.in.put(g, alone)
	}
	var bestG, bestO *Plan
	with := -1
	for o, was := range slices.Clone(r.in.placed) {
		if o == g || was == nil || r.in.ctx.Err() != nil {
			continue
		}
		r.in.remove(g)
		r.in.remove(o)
		if mine := r.try(g, wholeGroup); mine != nil {
			r.in.put(g, mine)
			if theirs := r.try(o, wholeGroup); theirs != nil {
				c := r.cost(g, mine).plus(r.cost(o, theirs))
				if alone == nil && with < 0 || c.compare(least) < 0 {
					bestG, bestO, with, least = mine, theirs, o, c
				}
			}
		}
		r.in.put(o, was)
		r.in.put(g, alone)
	}
	if with < 0 {
		return alone != nil
	}
	r.in.remove(g)
	r.in.put(with, bestO)
	r.in.put(g, bestG)
	return true
}
