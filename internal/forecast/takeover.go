package forecast

import (
	"slices"

	"bayhold/internal/plan"
)

// crew is people who can do a step together, and when.
type crew struct {
	units []int32
	cal   *calendar
}

// mostCrews is how many ways to send people to a step are looked at.
const mostCrews = 48

// people tells which units are people: who is sent to a step, or could be.
func (p *Placed) people() []bool {
	out := make([]bool, len(p.Units))
	for _, h := range p.Holds {
		out[h.Unit] = out[h.Unit] || h.Crew
	}
	for i := range p.Steps {
		for _, u := range p.Steps[i].StandIns {
			out[u] = true
		}
	}
	return out
}

// crews lists who can be sent to a step: those planned first, then whoever has the
// skills, in their place.
func (cs *calendars) crews(s *Step, holds []Hold) []crew {
	var planned []int32
	var other []Hold
	for _, h := range holds {
		if h.Crew {
			planned = append(planned, h.Unit)
		} else {
			other = append(other, h)
		}
	}
	if len(planned) == 0 {
		return nil
	}
	var out []crew
	add := func(units []int32) {
		sorted := slices.Sorted(slices.Values(units))
		if len(out) == mostCrews || len(slices.Compact(slices.Clone(sorted))) < len(sorted) ||
			slices.ContainsFunc(out, func(c crew) bool { return slices.Equal(c.units, sorted) }) {
			return
		}
		c := crew{units: sorted}
		if !s.Elapsed {
			with := slices.Clone(other)
			for _, u := range sorted {
				with = append(with, Hold{Unit: u, Crew: true})
			}
			c.cal = cs.of(with, s.StandIns)
		}
		out = append(out, c)
	}
	add(planned)
	// One takes over, then two do.
	for i := range planned {
		for _, u := range s.StandIns {
			one := slices.Clone(planned)
			one[i] = u
			add(one)
		}
	}
	for i := range planned {
		for k := i + 1; k < len(planned); k++ {
			for a, u := range s.StandIns {
				for _, v := range s.StandIns[a+1:] {
					two := slices.Clone(planned)
					two[i], two[k] = u, v
					add(two)
				}
			}
		}
	}
	return out
}

// send places a step with the crew that would end it first by its planned minutes,
// which is all that anybody knows when it is sent; of those alike with the planned
// one. A person does one step after the other, in the order of the plan.
func (pl *player) send(k int32, ready plan.Time, bind int32, u float64) (plan.Time, int32) {
	nd := &pl.w.nodes[k]
	if nd.fact.Begun {
		end := nd.place(ready, u)
		pl.keep(k, nd.crews[0].units, end)
		return end, bind
	}
	best, at, ends, last := -1, Beyond, Beyond, bind
	for i := range nd.crews {
		c := &nd.crews[i]
		from, by := ready, bind
		for _, p := range c.units {
			if t := pl.free[p]; t > from || t == from && by < 0 {
				from, by = t, pl.has[p]
			}
		}
		start, end := from, from
		if c.cal != nil {
			start = c.cal.begin(from, nd.unbroken, nd.planned)
		}
		switch {
		case start >= Beyond:
			end = Beyond
		case c.cal == nil || nd.unbroken:
			end = start + nd.planned
		default:
			end = c.cal.finish(start, nd.planned)
		}
		if best < 0 || end < ends {
			best, at, ends, last = i, start, end, by
		}
		if start == ready {
			break // nobody can begin before
		}
	}
	c := &nd.crews[best]
	d := nd.draw(u)
	end := Beyond
	switch {
	case at >= Beyond:
	case c.cal == nil || nd.unbroken:
		end = at + d
	default:
		end = c.cal.finish(at, d)
	}
	pl.sent[k], pl.start[k] = int32(best), at
	pl.keep(k, c.units, end)
	return end, last
}

// keep has people at a step until it ends.
func (pl *player) keep(k int32, units []int32, end plan.Time) {
	for _, p := range units {
		if end > pl.free[p] {
			pl.free[p], pl.has[p] = end, k
		}
	}
}
