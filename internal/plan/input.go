package plan

import (
	"slices"

	"bayhold/internal/fault"
)

// What a problem may have at most.
const (
	maxHorizon  = 5 * 366 * 24 * 60 // minutes
	maxSteps    = 20_000
	maxUnits    = 20_000
	maxJobs     = 5_000
	maxPools    = 1_000
	maxClaims   = 100_000
	maxArcs     = 400_000
	maxUses     = 400_000
	maxRanges   = 5_000_000 // windows, closures and bookings in all
	maxEligible = 5_000_000
	maxFaults   = 50 // told at once
)

// Check tells everything that is wrong with the problem itself as a fault of
// kind Invalid: indices that lead nowhere, ranges that end before they start,
// negative times, cycles among the arcs, claims that nobody could serve, steps
// longer than every window, too much of anything. Nil means that the planner
// takes it, not that it has a plan.
func (p *Problem) Check() error {
	if _, err := p.prepare(); err != nil {
		return err
	}
	var fs fault.Fields
	for c := range p.Claims {
		if cl := &p.Claims[c]; int(cl.Count) > len(cl.Eligible) {
			fs.Add(at("claims", c, "eligible"), "%d of %d units: too few", cl.Count, len(cl.Eligible))
		}
	}
	return fs.Err("PLAN_CLAIM", "a claim has too few eligible units")
}

// prepare checks all but whether claims have enough eligible units, and gives
// an order of the steps in which every arc leads forward.
func (p *Problem) prepare() ([]int32, error) {
	in := &inspector{p: p}
	if err := in.sizes(); err != nil {
		return nil, err
	}
	in.seen = make([]int32, len(p.Steps))
	in.units()
	in.steps()
	in.claims()
	in.rest()
	if err := in.fields.Err("PLAN_PROBLEM", "the planning problem is not sound"); err != nil {
		return nil, err
	}
	order, cycle := p.sort()
	if cycle != nil {
		in.fields.Add("arcs", "steps %v come before themselves", cycle)
		return nil, in.fields.Err("PLAN_CYCLE", "the steps form a cycle")
	}
	in.windows()
	return order, in.fields.Err("PLAN_WINDOW", "a step is longer than every open window")
}

// inspector gathers what is wrong with a problem.
type inspector struct {
	p      *Problem
	fields fault.Fields
	seen   []int32 // by step: the last claim that named it, from 1
}

func (in *inspector) add(path, format string, args ...any) {
	if len(in.fields) < maxFaults {
		in.fields.Add(path, format, args...)
	}
}

// sizes refuses problems too large to look at.
func (in *inspector) sizes() error {
	p := in.p
	ranges, eligible := 0, 0
	for i := range p.Units {
		ranges += len(p.Units[i].Open) + len(p.Units[i].Shut) + len(p.Units[i].Busy)
	}
	for i := range p.Claims {
		eligible += len(p.Claims[i].Eligible)
	}
	for _, s := range []struct {
		what      string
		got, most int
	}{
		{"steps", len(p.Steps), maxSteps},
		{"units", len(p.Units), maxUnits},
		{"jobs", len(p.Jobs), maxJobs},
		{"pools", len(p.Pools), maxPools},
		{"claims", len(p.Claims), maxClaims},
		{"arcs", len(p.Arcs), maxArcs},
		{"uses", len(p.Uses), maxUses},
		{"ranges of units", ranges, maxRanges},
		{"eligible units of claims", eligible, maxEligible},
	} {
		if s.got > s.most {
			return fault.New(fault.Invalid, "PLAN_TOO_LARGE", "%d %s are more than the %d that can be planned at once", s.got, s.what, s.most)
		}
	}
	if len(p.Steps) == 0 {
		in.add("steps", "none to place")
	}
	if p.Horizon <= 0 || p.Horizon > maxHorizon {
		in.add("horizon", "%d minutes: not in 1..%d", p.Horizon, maxHorizon)
	}
	return nil
}

func (in *inspector) units() {
	for i := range in.p.Units {
		u := &in.p.Units[i]
		for k, w := range u.Open {
			in.window(i, "open", k, w)
			if k > 0 && w.Start < u.Open[k-1].End {
				in.add(at("units", i, "open"), "window %d overlaps the one before or comes before it", k)
			}
		}
		in.blocked(i, "shut", u.Shut)
		in.blocked(i, "busy", u.Busy)
	}
}

func (in *inspector) blocked(unit int, field string, bs []Blocked) {
	for k, b := range bs {
		in.window(unit, field, k, b.Window)
		if k > 0 && b.Start < bs[k-1].Start {
			in.add(at("units", unit, field), "range %d starts before the one before it", k)
		}
	}
}

func (in *inspector) window(unit int, field string, k int, w Window) {
	if w.End < w.Start {
		in.add(at("units", unit, field), "range %d ends before it starts", k)
	}
}

func (in *inspector) steps() {
	p := in.p
	for i := range p.Steps {
		s := &p.Steps[i]
		if s.Duration < 0 || s.Duration > p.Horizon {
			in.add(at("steps", i, "duration"), "%d minutes: not in 0..%d", s.Duration, p.Horizon)
		}
		if s.Release < 0 || s.Release > maxHorizon {
			in.add(at("steps", i, "release"), "%d: not in 0..%d", s.Release, maxHorizon)
		}
		if s.Frozen && (s.At < 0 || s.At > p.Horizon) {
			in.add(at("steps", i, "at"), "%d: not in 0..%d", s.At, p.Horizon)
		}
		if s.Job < 0 || int(s.Job) >= max(1, len(p.Jobs)) {
			in.add(at("steps", i, "job"), "there is no job %d", s.Job)
		}
	}
}

func (in *inspector) claims() {
	p := in.p
	for c := range p.Claims {
		cl := &p.Claims[c]
		if cl.Count < 1 || cl.Count > maxCount {
			in.add(at("claims", c, "count"), "%d: not in 1..%d", cl.Count, maxCount)
		}
		if len(cl.Steps) == 0 {
			in.add(at("claims", c, "steps"), "none")
		}
		if cl.Crew && len(cl.Steps) > 1 {
			in.add(at("claims", c, "steps"), "%d: a crew is for one step", len(cl.Steps))
		}
		for _, s := range cl.Steps {
			if s < 0 || int(s) >= len(p.Steps) {
				in.add(at("claims", c, "steps"), "there is no step %d", s)
				continue
			}
			if in.seen[s] == int32(c)+1 {
				in.add(at("claims", c, "steps"), "step %d stands twice", s)
			}
			in.seen[s] = int32(c) + 1
			if cl.Crew && p.Steps[s].Elapsed {
				in.add(at("claims", c, "steps"), "step %d runs in elapsed time and takes no crew", s)
			}
		}
		for k, u := range cl.Eligible {
			if u < 0 || int(u) >= len(p.Units) {
				in.add(at("claims", c, "eligible"), "there is no unit %d", u)
			} else if k > 0 && u <= cl.Eligible[k-1] {
				in.add(at("claims", c, "eligible"), "not ascending at place %d", k)
			}
		}
	}
}

// maxCount is how many units one claim may ask for.
const maxCount = 64

func (in *inspector) rest() {
	p := in.p
	for i, a := range p.Arcs {
		if min(a.From, a.To) < 0 || int(max(a.From, a.To)) >= len(p.Steps) {
			in.add(at("arcs", i, ""), "leads from step %d to step %d, which are not both there", a.From, a.To)
		}
		if a.Lag < 0 || a.Lag > maxHorizon {
			in.add(at("arcs", i, "lag"), "%d minutes: not in 0..%d", a.Lag, maxHorizon)
		}
	}
	for i, u := range p.Pools {
		if u.Capacity < 0 {
			in.add(at("pools", i, "capacity"), "%d is below zero", u.Capacity)
		}
	}
	for i, u := range p.Uses {
		switch {
		case u.Step < 0 || int(u.Step) >= len(p.Steps):
			in.add(at("uses", i, "step"), "there is no step %d", u.Step)
		case u.Pool < 0 || int(u.Pool) >= len(p.Pools):
			in.add(at("uses", i, "pool"), "there is no pool %d", u.Pool)
		case u.Amount < 0 || u.Amount > p.Pools[u.Pool].Capacity && p.Steps[u.Step].Duration > 0:
			in.add(at("uses", i, "amount"), "%d: not in 0..%d", u.Amount, p.Pools[u.Pool].Capacity)
		}
	}
	for i := range p.Jobs {
		if w := p.Jobs[i].Weight; !(w >= 0 && w <= 1e9) {
			in.add(at("jobs", i, "weight"), "%v: not in 0..1e9", w)
		}
	}
}

// windows refuses unbroken steps that no window of the crew is long enough for.
func (in *inspector) windows() {
	for c := range in.p.Claims {
		cl := &in.p.Claims[c]
		if !cl.Crew || !in.p.Steps[cl.Steps[0]].Unbroken || len(cl.Eligible) < int(cl.Count) {
			continue
		}
		d, fit := in.p.Steps[cl.Steps[0]].Duration, 0
		for _, u := range cl.Eligible {
			if slices.ContainsFunc(mergeWindows(in.p.Units[u].Open), func(w Window) bool { return w.End-w.Start >= d }) {
				fit++
			}
		}
		if d > 0 && fit < int(cl.Count) {
			in.add(at("steps", int(cl.Steps[0]), "duration"),
				"%d minutes without a break, but only %d of the %d people needed are ever there so long", d, fit, cl.Count)
		}
	}
}
