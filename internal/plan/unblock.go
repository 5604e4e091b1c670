package plan

import (
	"context"
	"slices"
)

// Lift is what would have to give way for a refused start.
type Lift struct {
	// Blockers is a set of bookings, closures and lapses whose lifting makes
	// the start possible; Plan is how. Nil and empty if lifting does not
	// help: nobody has the skill, or it takes too long by itself.
	Blockers []Blocker
	Plan     *Plan
	// Smallest says that no smaller set of the blockers that Check names
	// would do.
	Smallest bool
}

// maxLifts bounds the sets that are tried.
const maxLifts = 3_000

// Unblock looks for the smallest set of the blockers of a refused check whose
// lifting makes it possible. Start and by are Check's; a check that is not
// refused gives an empty set and its plan.
func Unblock(ctx context.Context, p *Problem, start, by Time) (Lift, error) {
	res, err := Check(ctx, p, start, by)
	if err != nil {
		return Lift{}, err
	}
	if res.OK {
		return Lift{Plan: res.Plan, Smallest: true}, nil
	}
	if res.Nominal == nil {
		return Lift{}, nil
	}
	if by <= 0 || by == Never {
		by = res.Nominal.Finish
	}
	order, _ := p.sort()
	u := &unblocker{ctx: ctx, p: p, start: start, by: by, order: order}
	for _, b := range res.Blockers {
		liftable := b.Kind == BlockBusy || b.Kind == BlockShut || b.Kind == BlockExpiry
		if liftable && !slices.ContainsFunc(u.all, func(o Blocker) bool { return o.Kind == b.Kind && o.Unit == b.Unit && o.Ref == b.Ref }) {
			u.all = append(u.all, b)
		}
	}
	return u.run(), nil
}

type unblocker struct {
	ctx       context.Context
	p         *Problem
	start, by Time
	order     []int32
	all       []Blocker
	tried     int
	lift      Lift
}

// run tries single blockers, then pairs and so on; when there are too many
// sets it drops one after the other from all of them instead.
func (u *unblocker) run() Lift {
	if !u.try(u.all) {
		return Lift{}
	}
	for size := 1; size < len(u.all); size++ {
		if u.sets(size, 0, nil) {
			u.lift.Smallest = true
			return u.lift
		}
		if u.tried > maxLifts || u.ctx.Err() != nil {
			return u.drop()
		}
	}
	u.try(u.all)
	u.lift.Smallest = true
	return u.lift
}

// sets tries every set of a size that extends chosen from index at on.
func (u *unblocker) sets(size, at int, chosen []Blocker) bool {
	if len(chosen) == size {
		return u.try(chosen)
	}
	for i := at; i < len(u.all) && u.tried <= maxLifts && u.ctx.Err() == nil; i++ {
		if u.sets(size, i+1, append(slices.Clip(chosen), u.all[i])) {
			return true
		}
	}
	return false
}

// drop leaves a set of which no member can be spared.
func (u *unblocker) drop() Lift {
	set := u.all
	for i := 0; i < len(set); {
		rest := slices.Delete(slices.Clone(set), i, i+1)
		if u.try(rest) {
			set = rest
		} else {
			i++
		}
	}
	u.try(set)
	return u.lift
}

// try lifts some blockers and notes them with the plan if that is enough.
func (u *unblocker) try(set []Blocker) bool {
	u.tried++
	o := FindOptions{Pinned: true, Start: u.start, By: u.by, Points: 1, Nodes: 20_000}
	f := newFinder(u.ctx, u.p.without(set), u.order, o).quietly()
	if len(f.Plans) == 0 {
		return false
	}
	u.lift = Lift{Blockers: slices.Clone(set), Plan: &f.Plans[0]}
	return true
}

// without is the problem with some blockers lifted.
func (p *Problem) without(set []Blocker) *Problem {
	q := *p
	q.Units = slices.Clone(p.Units)
	for _, b := range set {
		x := &q.Units[b.Unit]
		switch b.Kind {
		case BlockBusy:
			x.Busy = without(x.Busy, b.Ref)
		case BlockShut:
			x.Shut = without(x.Shut, b.Ref)
		default:
			x.Expiry = Never
		}
	}
	return &q
}
