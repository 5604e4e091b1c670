package plan

import (
	"fmt"
	"sort"
)

// Violation is one rule that a plan breaks.
type Violation struct {
	// Rule is what is broken: SHAPE, HORIZON, RELEASE, FROZEN, ARC, JOINED,
	// ELIGIBLE, OPEN, SHUT, BUSY, EXPIRY, WORK, UNBROKEN, DOUBLE, POOL.
	Rule string
	// Step, Claim and Unit are what is concerned; -1 where nothing is.
	Step, Claim, Unit int
	Text              string
}

// Validate tells every rule of the problem that the plan breaks; nil if it is
// sound. It shares nothing with the planner but the types, and is plain on
// purpose: it is the judge of the planner's work.
func Validate(p *Problem, pl *Plan) []Violation {
	v := &validator{p: p, pl: pl}
	if !v.shape() {
		return v.found
	}
	v.times()
	v.claims()
	v.work()
	v.double()
	v.pools()
	return v.found
}

type validator struct {
	p     *Problem
	pl    *Plan
	found []Violation
}

func (v *validator) add(rule string, step, claim, unit int, format string, args ...any) {
	v.found = append(v.found, Violation{rule, step, claim, unit, fmt.Sprintf(format, args...)})
}

func (v *validator) shape() bool {
	if len(v.pl.Steps) != len(v.p.Steps) || len(v.pl.Units) != len(v.p.Claims) {
		v.add("SHAPE", -1, -1, -1, "%d steps and %d claims are placed, not %d and %d",
			len(v.pl.Steps), len(v.pl.Units), len(v.p.Steps), len(v.p.Claims))
		return false
	}
	known := true
	for c, units := range v.pl.Units {
		if len(units) != int(v.p.Claims[c].Count) {
			v.add("SHAPE", -1, c, -1, "%d units serve, not %d", len(units), v.p.Claims[c].Count)
		}
		for i, u := range units {
			if i > 0 && units[i-1] >= u {
				v.add("SHAPE", -1, c, int(u), "the units are not distinct and ascending")
			}
			eligible := false
			for _, x := range v.p.Claims[c].Eligible {
				eligible = eligible || x == u
			}
			if !eligible {
				v.add("ELIGIBLE", -1, c, int(u), "the unit is not eligible")
			}
			known = known && u >= 0 && int(u) < len(v.p.Units)
		}
	}
	return known
}

// times checks starts, ends and arcs.
func (v *validator) times() {
	var last Time
	for i, at := range v.pl.Steps {
		s := &v.p.Steps[i]
		last = max(last, at.End)
		if at.Start < 0 || at.End < at.Start || at.End > v.p.Horizon {
			v.add("HORIZON", i, -1, -1, "placed at %v with the horizon at %d", at, v.p.Horizon)
		}
		if at.Start < s.Release {
			v.add("RELEASE", i, -1, -1, "starts at %d before %d", at.Start, s.Release)
		}
		if s.Frozen && at.Start != s.At {
			v.add("FROZEN", i, -1, -1, "starts at %d, not at %d", at.Start, s.At)
		}
	}
	if last != v.pl.Finish {
		v.add("SHAPE", -1, -1, -1, "the last step ends at %d, not at %d", last, v.pl.Finish)
	}
	for _, a := range v.p.Arcs {
		from, to := v.pl.Steps[a.From].End+a.Lag, v.pl.Steps[a.To].Start
		if to < from {
			v.add("ARC", int(a.To), -1, -1, "starts at %d, not before %d after step %d", to, from, a.From)
		}
		if a.Joined && to != from {
			v.add("JOINED", int(a.To), -1, -1, "starts at %d, not at %d after step %d", to, from, a.From)
		}
	}
}

// rangeOf is what a claim keeps its units for.
func (v *validator) rangeOf(c int) Window {
	w := Window{Never, 0}
	for _, s := range v.p.Claims[c].Steps {
		w.Start = min(w.Start, v.pl.Steps[s].Start)
		w.End = max(w.End, v.pl.Steps[s].End)
	}
	return w
}

func meets(a, b Window) bool {
	return a.Start < a.End && b.Start < b.End && a.Start < b.End && b.Start < a.End
}

// claims checks every unit against its own bookings and closures.
func (v *validator) claims() {
	for c, units := range v.pl.Units {
		w := v.rangeOf(c)
		if w.Start >= w.End {
			continue
		}
		for _, x := range units {
			u := &v.p.Units[x]
			if w.End > u.Expiry {
				v.add("EXPIRY", -1, c, int(x), "held to %d, expires at %d", w.End, u.Expiry)
			}
			for _, b := range u.Busy {
				if meets(b.Window, w) {
					v.add("BUSY", -1, c, int(x), "held %v, busy %v", w, b.Window)
				}
			}
			if v.p.Claims[c].Crew {
				continue
			}
			for _, b := range u.Shut {
				if meets(b.Window, w) {
					v.add("SHUT", -1, c, int(x), "held %v, shut %v", w, b.Window)
				}
			}
			reached := w.Start
			for _, o := range u.Open {
				if o.Start <= reached {
					reached = max(reached, o.End)
				}
			}
			if reached < w.End {
				v.add("OPEN", -1, c, int(x), "held %v, open only to %d", w, reached)
			}
		}
	}
}

// work checks that each step gets its minutes from its crew.
func (v *validator) work() {
	for i := range v.p.Steps {
		s, at := &v.p.Steps[i], v.pl.Steps[i]
		var crew []int32
		for c := range v.p.Claims {
			if cl := &v.p.Claims[c]; cl.Crew && cl.Steps[0] == int32(i) {
				crew = append(crew, v.pl.Units[c]...)
			}
		}
		if len(crew) == 0 || s.Duration == 0 {
			if at.End-at.Start != s.Duration {
				v.add("WORK", i, -1, -1, "takes %v, not %d minutes", at, s.Duration)
			}
			continue
		}
		worked, first, last := v.minutes(crew, at)
		if worked != s.Duration || first != at.Start || last != at.End {
			v.add("WORK", i, -1, -1, "%d minutes of work from %d to %d in %v, not %d", worked, first, last, at, s.Duration)
		}
		if s.Unbroken && at.End-at.Start != s.Duration {
			v.add("UNBROKEN", i, -1, -1, "is broken in %v", at)
		}
	}
}

// minutes counts when all of the crew are there, from the first to the last
// such minute of the range. It sweeps over every instant at which anyone
// comes or goes.
func (v *validator) minutes(crew []int32, at Window) (sum, first, last Time) {
	marks := []Time{at.Start, at.End}
	for _, x := range crew {
		u := &v.p.Units[x]
		for _, w := range u.Open {
			marks = append(marks, w.Start, w.End)
		}
		for _, b := range u.Shut {
			marks = append(marks, b.Start, b.End)
		}
	}
	sort.Slice(marks, func(i, j int) bool { return marks[i] < marks[j] })
	first = Never
	for i := 1; i < len(marks); i++ {
		w := Window{max(marks[i-1], at.Start), min(marks[i], at.End)}
		if w.Start >= w.End {
			continue
		}
		there := true
		for _, x := range crew {
			there = there && v.present(x, w)
		}
		if there {
			sum += w.End - w.Start
			first, last = min(first, w.Start), w.End
		}
	}
	return sum, first, last
}

// present tells whether a person is there over a range in which nobody comes
// or goes.
func (v *validator) present(x int32, w Window) bool {
	u := &v.p.Units[x]
	open := false
	for _, o := range u.Open {
		open = open || meets(o, w)
	}
	for _, b := range u.Shut {
		open = open && !meets(b.Window, w)
	}
	return open
}

// double checks that no unit serves two claims at once. A claim of no length
// may not lie within another.
func (v *validator) double() {
	by := map[int32][]int{}
	for c, units := range v.pl.Units {
		for _, u := range units {
			for _, o := range by[u] {
				a, b := v.rangeOf(o), v.rangeOf(c)
				if a.Start < b.End && b.Start < a.End {
					v.add("DOUBLE", -1, c, int(u), "held %v, and %v by claim %d", b, a, o)
					v.add("DOUBLE", -1, o, int(u), "held %v, and %v by claim %d", a, b, c)
				}
			}
			by[u] = append(by[u], c)
		}
	}
}

// pools checks the sum of uses at every start.
func (v *validator) pools() {
	for i := range v.pl.Steps {
		t := v.pl.Steps[i].Start
		sum := make([]int64, len(v.p.Pools))
		for _, u := range v.p.Uses {
			if at := v.pl.Steps[u.Step]; at.Start <= t && t < at.End {
				sum[u.Pool] += int64(u.Amount)
			}
		}
		for k, s := range sum {
			if s > int64(v.p.Pools[k].Capacity) {
				v.add("POOL", i, -1, -1, "pool %d gives %d of %d at %d", k, s, v.p.Pools[k].Capacity, t)
			}
		}
	}
}
