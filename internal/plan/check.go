package plan

import (
	"context"
	"slices"
)

// CheckResult is the answer to Check.
type CheckResult struct {
	// OK says that the job can start then and be finished in time; Plan is
	// how.
	OK   bool
	Plan *Plan
	// Nominal is the best plan with that start in a workshop empty of
	// bookings, closures and lapsing calibrations; nil if shifts, numbers or
	// the horizon allow none. Claims that nobody could ever serve are left
	// out of it and have no units.
	Nominal *Plan
	// Blockers is what stands in the way, first steps first; never empty
	// when OK is false.
	Blockers []Blocker
	// Waiting is the best plan with that start that does without being
	// finished in time; nil if none was found.
	Waiting *Plan
	// Proved says that the answer is certain; else the budget or the time
	// ran out before a plan was found, and the blockers only say why the
	// nominal places are not to be had.
	Proved bool
}

// Check tells whether the first step can start at exactly start and the last
// one end by by; 0 or Never stand for the finish that an empty workshop would
// give. The error is a fault of kind Invalid for an unsound problem.
func Check(ctx context.Context, p *Problem, start, by Time) (CheckResult, error) {
	order, err := p.prepare()
	if err != nil {
		return CheckResult{}, err
	}
	c := &checker{ctx: ctx, p: p, order: order, start: start}
	c.run(by)
	slices.SortStableFunc(c.res.Blockers, func(a, b Blocker) int { return c.when(a) - c.when(b) })
	return c.res, nil
}

// checker answers one check.
type checker struct {
	ctx     context.Context
	p       *Problem
	order   []int32
	start   Time
	res     CheckResult
	without []bool // claims that nobody could serve
}

func (c *checker) run(by Time) {
	hopeless := c.noEligible()
	front := c.nominal(true)
	nominal := Never
	if len(front.Plans) > 0 {
		c.res.Nominal = &front.Plans[0]
		nominal = c.res.Nominal.Finish
	}
	if by <= 0 || by == Never {
		by = nominal
	}
	if !hopeless {
		if c.search(by) {
			return
		}
	} else {
		c.res.Proved = true
	}
	if c.res.Nominal == nil {
		c.notThen()
	} else {
		if c.res.Nominal.Finish > by {
			c.late(c.res.Nominal)
		}
		c.atPlaces(c.res.Nominal)
	}
	if len(c.res.Blockers) == 0 {
		// What is wanted fits neither at the nominal places nor, as the
		// search has shown, anywhere near: all of it is in contention.
		c.res.Blockers = append(c.res.Blockers, Blocker{BlockContention, c.order[0], -1, -1, -1, Never})
	}
}

// search looks for the real plan; it is true if there is one in time.
func (c *checker) search(by Time) bool {
	f := newFinder(c.ctx, c.p, c.order, FindOptions{Pinned: true, Start: c.start, Points: 1}).find()
	c.res.Proved = len(f.Impossible) > 0 || f.Proved
	if len(f.Plans) == 0 {
		return false
	}
	pl := &f.Plans[0]
	if pl.Finish <= by {
		c.res.OK, c.res.Plan, c.res.Proved = true, pl, true
		return true
	}
	c.res.Waiting = pl
	return false
}

// noEligible notes the claims that nobody could serve.
func (c *checker) noEligible() bool {
	c.without = make([]bool, len(c.p.Claims))
	for i := range c.p.Claims {
		if cl := &c.p.Claims[i]; int(cl.Count) > len(cl.Eligible) {
			c.without[i] = true
			c.res.Blockers = append(c.res.Blockers, Blocker{BlockNoEligible, cl.Steps[0], int32(i), -1, -1, Never})
		}
	}
	return len(c.res.Blockers) > 0
}

// nominal finds the best plan in an empty workshop.
func (c *checker) nominal(pinned bool) Front {
	empty := c.p.lifted()
	claims := make([]Claim, 0, len(empty.Claims))
	var kept []int
	for i := range empty.Claims {
		if !c.without[i] {
			claims = append(claims, empty.Claims[i])
			kept = append(kept, i)
		}
	}
	empty.Claims = claims
	o := FindOptions{Release: c.start, Pinned: pinned, Start: c.start, Points: 1}
	f := newFinder(c.ctx, empty, c.order, o).find()
	for k := range f.Plans {
		units := make([][]int32, len(c.p.Claims))
		for j, i := range kept {
			units[i] = f.Plans[k].Units[j]
		}
		f.Plans[k].Units = units
	}
	return f
}

// lifted is the problem in an empty workshop.
func (p *Problem) lifted() *Problem {
	q := *p
	q.Units = slices.Clone(p.Units)
	for i := range q.Units {
		q.Units[i].Busy, q.Units[i].Shut, q.Units[i].Expiry = nil, nil, Never
	}
	return &q
}

// late notes that a plan ends too late by itself.
func (c *checker) late(pl *Plan) {
	for s, at := range pl.Steps {
		if at.End == pl.Finish {
			c.res.Blockers = append(c.res.Blockers, Blocker{BlockLate, int32(s), -1, -1, -1, pl.Finish})
			return
		}
	}
}

// notThen explains a start at which even an empty workshop cannot: whoever
// the first steps need is not there then.
func (c *checker) notThen() {
	f := c.nominal(false)
	if len(f.Plans) == 0 {
		c.res.Blockers = append(c.res.Blockers, f.Impossible...)
		return
	}
	pl := &f.Plans[0]
	first := Never
	for _, at := range pl.Steps {
		first = min(first, at.Start)
	}
	for i := range c.p.Claims {
		s := c.p.stepOf(i, pl)
		if c.without[i] || pl.Steps[s].Start != first {
			continue
		}
		d := max(1, c.p.Steps[s].Duration)
		at := Window{c.start, c.start + d}
		for _, u := range c.p.Claims[i].Eligible {
			c.res.Blockers = append(c.res.Blockers, c.p.bars(int32(i), s, u, at, nil)...)
		}
	}
	if len(c.res.Blockers) == 0 {
		for s, at := range pl.Steps {
			if at.Start == first {
				c.res.Blockers = append(c.res.Blockers, Blocker{BlockNotOpen, int32(s), -1, -1, -1, first})
				break
			}
		}
	}
	c.atPlaces(pl)
}

// when orders blockers by the nominal place of their steps.
func (c *checker) when(b Blocker) int {
	if c.res.Nominal == nil || b.Step < 0 {
		return 0
	}
	return int(c.res.Nominal.Steps[b.Step].Start)
}
