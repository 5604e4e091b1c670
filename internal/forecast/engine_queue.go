package forecast

import (
	"slices"

	"bayhold/internal/plan"
)

// release takes a hold off its unit and gives the one that is first then.
func (e *engine) release(h int32) int32 {
	hold := &e.holds[h]
	if hold.prev >= 0 {
		e.holds[hold.prev].next = hold.next
	} else {
		e.heads[hold.unit] = hold.next
	}
	if hold.next >= 0 {
		e.holds[hold.next].prev = hold.prev
	} else {
		e.tails[hold.unit] = hold.prev
	}
	hold.prev, hold.next = -1, -1
	return e.heads[hold.unit]
}

// insert puts a hold on a unit, in the order of places.
func (e *engine) insert(h, unit int32, from plan.Time) {
	hold := &e.holds[h]
	hold.unit = unit
	after := e.tails[unit]
	for after >= 0 && !e.holds[after].taken && e.holds[after].from > from {
		after = e.holds[after].prev
	}
	hold.prev = after
	if after >= 0 {
		hold.next = e.holds[after].next
		e.holds[after].next = h
	} else {
		hold.next = e.heads[unit]
		e.heads[unit] = h
	}
	if hold.next >= 0 {
		e.holds[hold.next].prev = h
	} else {
		e.tails[unit] = h
	}
}

// unitsFree tells whether every unit of a step is free for it, and changes to
// idle ones where that helps.
func (e *engine) unitsFree(s int32) bool {
	st := &e.steps[s]
	var changes [8]change
	n := 0
	for _, h := range st.holds {
		hold := &e.holds[h]
		if hold.taken || e.heads[hold.unit] == h {
			continue
		}
		u := e.idle(s, h)
		if u < 0 || n == len(changes) || comes(changes[:n], u) {
			return false
		}
		changes[n] = change{h, u}
		n++
	}
	e.change(s, changes[:n])
	return true
}

// relieve changes those of a step's people who are not at work now to such as are
// and stand idle, if the step can begin at once then. Not otherwise: whoever came
// first and then waited for others would keep those who could go on.
func (e *engine) relieve(s int32) bool {
	st := &e.steps[s]
	spec := &e.c.works[e.jobs[st.job].work].Steps[st.at]
	var changes [8]change
	n := 0
	for _, h := range st.holds {
		hold := &e.holds[h]
		if !hold.crew || hold.taken || !e.away(s, hold.unit) {
			continue
		}
		u := e.idle(s, h)
		if u < 0 || n == len(changes) || comes(changes[:n], u) {
			return false
		}
		changes[n] = change{h, u}
		n++
	}
	if n == 0 {
		return false
	}
	swap := func() {
		for i := range changes[:n] {
			c := &changes[i]
			e.holds[c.hold].unit, c.unit = c.unit, e.holds[c.hold].unit
		}
	}
	swap()
	cal := e.calendarOf(st, spec.Elapsed)
	swap()
	if cal.begin(e.now, spec.Unbroken, spec.Duration) > e.now {
		return false
	}
	e.change(s, changes[:n])
	st.cal = cal
	return true
}

// change is a unit that takes the place of the one that serves a hold.
type change struct{ hold, unit int32 }

func comes(changes []change, unit int32) bool {
	return slices.ContainsFunc(changes, func(c change) bool { return c.unit == unit })
}

// change has other units serve holds of a step, at once.
func (e *engine) change(s int32, changes []change) {
	for _, c := range changes {
		next := e.release(c.hold)
		e.insert(c.hold, c.unit, e.now)
		if next >= 0 {
			for _, t := range e.stepsOf(next) {
				if e.steps[t].state == coming && e.steps[t].before == 0 && t != s {
					e.push(e.now, stepWakes, t)
				}
			}
		}
	}
}

// idle finds a unit that could serve a hold of a step at once: nothing is booked
// on it, or, for a hold of that step alone, nothing before the step is likely to
// be done. A unit that is waited for longer could be waited for in a ring.
func (e *engine) idle(s, h int32) int32 {
	st, hold := &e.steps[s], &e.holds[h]
	work := &e.c.works[e.jobs[st.job].work]
	claim := &work.Claims[hold.claim]
	spec := &work.Steps[st.at]
	for _, u := range claim.Eligible {
		if u == hold.unit || e.serves(st, u) {
			continue
		}
		head := e.heads[u]
		if head >= 0 && (len(claim.Steps) > 1 || e.holds[head].taken || e.holds[head].from < e.now+spec.Duration) {
			continue
		}
		if hold.crew && e.away(s, u) {
			continue
		}
		if !hold.crew && e.odd[u] && e.c.opens[u].first(e.now) > e.now {
			continue
		}
		return u
	}
	return -1
}

// away tells whether somebody cannot begin a step now.
func (e *engine) away(s, u int32) bool { return e.begins(s, u) > e.now }

// begins is when somebody could begin a step by their hours.
func (e *engine) begins(s, u int32) plan.Time {
	spec := &e.c.works[e.jobs[e.steps[s].job].work].Steps[e.steps[s].at]
	if spec.Elapsed {
		return e.now
	}
	return e.c.opens[u].begin(e.now, spec.Unbroken, spec.Duration)
}

// relief is when the next comes to work who could take a step over; Beyond if
// nobody does.
func (e *engine) relief(s int32) plan.Time {
	st := &e.steps[s]
	work := &e.c.works[e.jobs[st.job].work]
	next := Beyond
	for _, h := range st.holds {
		if hold := &e.holds[h]; hold.crew && !hold.taken {
			for _, u := range work.Claims[hold.claim].Eligible {
				if at := e.begins(s, u); at > e.now {
					next = min(next, at)
				}
			}
		}
	}
	return next
}

// serves tells whether a unit is on a step already.
func (e *engine) serves(st *liveStep, u int32) bool {
	return slices.ContainsFunc(st.holds, func(h int32) bool { return e.holds[h].unit == u })
}
