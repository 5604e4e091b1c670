package plan

import "slices"

// maxReasons bounds the reasons given for a problem without a plan.
const maxReasons = 200

// reasons explains a problem that is proved to have no plan: the claims that
// could not be served even if they were the only ones, each with what bars its
// units; else that the steps alone take too long; else that all of it together
// is too much.
func (f *finder) reasons() []Blocker {
	var out []Blocker
	for c := range f.p.Claims {
		cl := &f.p.Claims[c]
		if int(cl.Count) > len(cl.Eligible) {
			out = append(out, Blocker{BlockNoEligible, cl.Steps[0], int32(c), -1, -1, Never})
		} else if len(out) < maxReasons && !f.possible(c, cl.Eligible, cl.Count, nil) {
			out = append(out, f.unitReasons(c)...)
		}
	}
	if len(out) > 0 {
		return out
	}
	if !f.possible(-1, nil, 0, nil) {
		last := f.orig[f.n-1]
		return []Blocker{{BlockLate, last, -1, -1, -1, f.lim.deadline}}
	}
	return []Blocker{{BlockContention, f.orig[0], -1, -1, -1, Never}}
}

// possible tells whether bounds can be met with one claim only, for these
// units, changed as told.
func (f *finder) possible(claim int, eligible []int32, count int32, change func(*Unit)) bool {
	q := *f.p
	q.Claims, q.Uses = nil, nil
	if claim >= 0 {
		cl := f.p.Claims[claim]
		cl.Eligible, cl.Count = eligible, count
		q.Claims = []Claim{cl}
	}
	if change != nil {
		q.Units = slices.Clone(q.Units)
		for _, u := range eligible {
			change(&q.Units[u])
		}
	}
	pr := newPropagator(compile(&q, f.orig), f.lim)
	st := newState(pr.net)
	pr.begin(st)
	pr.wakeAll()
	return pr.run(st)
}

// unitReasons tells of each unit of a claim what would have to be lifted for
// it to serve.
func (f *finder) unitReasons(c int) []Blocker {
	cl := &f.p.Claims[c]
	var out []Blocker
	for _, u := range cl.Eligible {
		one := []int32{u}
		if len(out) >= maxReasons {
			break
		}
		unit := &f.p.Units[u]
		b := Blocker{BlockNotOpen, cl.Steps[0], int32(c), u, -1, Never}
		switch {
		case f.possible(c, one, 1, nil):
			continue
		case f.possible(c, one, 1, func(x *Unit) { x.Expiry = Never }):
			b.Kind, b.Until = BlockExpiry, unit.Expiry
		case len(unit.Busy) > 0 && f.possible(c, one, 1, func(x *Unit) { x.Busy, x.Expiry = nil, Never }):
			b.Kind, b.Ref, b.Until = BlockBusy, unit.Busy[0].Ref, unit.Busy[len(unit.Busy)-1].End
		case len(unit.Shut) > 0 && f.possible(c, one, 1, func(x *Unit) { x.Shut, x.Busy, x.Expiry = nil, nil, Never }):
			b.Kind, b.Ref, b.Until = BlockShut, unit.Shut[0].Ref, unit.Shut[len(unit.Shut)-1].End
		}
		out = append(out, b)
	}
	if len(out) == 0 {
		out = append(out, Blocker{BlockContention, cl.Steps[0], int32(c), -1, -1, Never})
	}
	return out
}
