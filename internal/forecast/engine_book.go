package forecast

import (
	"context"
	"math/rand/v2"
	"slices"
	"sort"

	"bayhold/internal/plan"
)

// book looks for a place for a job with the planner, and books it.
func (e *engine) book(ctx context.Context, a asks, number int32) error {
	e.project()
	work := &e.c.works[a.work]
	var pl *plan.Plan
	// The planner has less to look at when it looks less far: first as far as
	// the last job makes likely, and only then all the way. That nobody is there
	// for long enough says nothing until then.
	for _, ahead := range []plan.Time{weekMinutes/2 + e.lately + e.lately/4, e.c.o.Ahead} {
		p := e.problem(work, min(ahead, e.c.o.Ahead))
		var err error
		pl, err = plan.Quick(ctx, p, e.c.o.Nodes)
		if pl != nil || ahead >= e.c.o.Ahead {
			if err != nil {
				return err
			}
			break
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	counts := a.at >= e.c.from && a.at < e.c.to
	if pl == nil {
		if counts {
			e.tally.turnedAway++
			e.tally.awaited--
		}
		return nil
	}
	e.lately = pl.Finish
	e.take(a, number, work, pl)
	return nil
}

// problem puts a job to the planner: minute 0 is now, and what other jobs hold,
// as it is likely to go on, is taken.
func (e *engine) problem(work *readyWork, ahead plan.Time) *plan.Problem {
	p := &plan.Problem{
		Horizon: ahead, Steps: work.Steps, Arcs: work.Arcs, Claims: work.local,
		Jobs: []plan.Job{{Due: plan.Never, Weight: 1}}, Units: make([]plan.Unit, len(work.uses)),
	}
	for k, u := range work.uses {
		unit := &e.c.units[u]
		p.Units[k] = plan.Unit{ID: unit.ID, Expiry: plan.Never, Open: e.ahead(unit.Open, ahead)}
		for _, b := range unit.Shut {
			if b.End > e.now && b.Start < e.now+ahead {
				p.Units[k].Shut = append(p.Units[k].Shut, plan.Blocked{Window: plan.Window{Start: b.Start - e.now, End: b.End - e.now}, Ref: -1})
			}
		}
		at := plan.Time(0)
		for h := e.heads[u]; h >= 0; h = e.holds[h].next {
			hold := &e.holds[h]
			w := plan.Window{Start: max(at, hold.from-e.now), End: hold.until - e.now}
			if w.Start < w.End && w.Start < ahead {
				p.Units[k].Busy = append(p.Units[k].Busy, plan.Blocked{Window: w, Ref: -1})
				at = w.End
			}
		}
	}
	return p
}

// ahead cuts a unit's hours out of its whole time.
func (e *engine) ahead(open []plan.Window, ahead plan.Time) []plan.Window {
	i := sort.Search(len(open), func(i int) bool { return open[i].End > e.now })
	var out []plan.Window
	for ; i < len(open) && open[i].Start < e.now+ahead; i++ {
		out = append(out, plan.Window{Start: max(0, open[i].Start-e.now), End: min(ahead, open[i].End-e.now)})
	}
	return out
}

// take makes a booked plan a live job.
func (e *engine) take(a asks, number int32, work *readyWork, pl *plan.Plan) {
	id, first := int32(len(e.jobs)), int32(len(e.steps))
	job := liveJob{work: a.work, asked: e.now, promised: e.now + pl.Finish, first: first, left: int32(len(work.Steps)), began: -1, end: -1}
	come := e.now
	if e.c.o.Arrival == Appointed {
		start := Beyond
		for _, at := range pl.Steps {
			start = min(start, at.Start)
		}
		come += start
	}
	rng := rand.NewPCG(mix(e.c.o.Seed, e.rep), mix(uint64(number), 0x6a6f62))
	for k := range work.Steps {
		at := pl.Steps[k]
		e.steps = append(e.steps, liveStep{
			job: id, at: int32(k), before: work.before[k], ready: come,
			minutes: work.Spreads[k].draw(work.tables[k], uniform(rng)),
			place:   plan.Window{Start: e.now + at.Start, End: e.now + at.End},
		})
		e.open = append(e.open, first+int32(k))
	}
	for c, units := range pl.Units {
		for _, local := range units {
			h := int32(len(e.holds))
			claim := &work.Claims[c]
			hold := liveHold{job: id, claim: int32(c), left: int32(len(claim.Steps)), crew: claim.Crew, from: Beyond}
			for _, k := range claim.Steps {
				st := &e.steps[first+k]
				st.holds = append(st.holds, h)
				hold.from, hold.until = min(hold.from, st.place.Start), max(hold.until, st.place.End)
			}
			e.holds = append(e.holds, hold)
			e.insert(h, work.uses[local], hold.from)
			job.holds = append(job.holds, h)
		}
	}
	e.jobs = append(e.jobs, job)
	e.tally.came(e, e.now)
	for k := range work.Steps {
		if work.before[k] == 0 {
			e.try(first + int32(k))
		}
	}
}

// project places all steps that are not done as they are likely to go on: those
// that run by their planned minutes, the others after them, in the order that
// stands.
func (e *engine) project() {
	e.open = slices.DeleteFunc(e.open, func(s int32) bool { return e.steps[s].state == finished })
	slices.SortStableFunc(e.open, func(a, b int32) int {
		x, y := e.steps[a].place, e.steps[b].place
		if x.Start != y.Start {
			return int(x.Start) - int(y.Start)
		}
		return int(x.End) - int(y.End)
	})
	for h := range e.holdsOpen() {
		hold := &e.holds[h]
		hold.until = 0
		if !hold.taken {
			hold.from = Beyond
		}
	}
	for _, s := range e.open {
		st := &e.steps[s]
		job := &e.jobs[st.job]
		spec := &e.c.works[job.work].Steps[st.at]
		if st.state == running {
			st.place.End = e.likelyEnd(st, spec)
		} else {
			st.place = e.likelyPlace(st, spec, job)
		}
		for _, h := range st.holds {
			hold := &e.holds[h]
			hold.until = max(hold.until, st.place.End)
			if !hold.taken {
				hold.from = min(hold.from, st.place.Start)
			}
		}
	}
}

// holdsOpen goes through the holds that are on a unit.
func (e *engine) holdsOpen() func(func(int32) bool) {
	return func(yield func(int32) bool) {
		for _, head := range e.heads {
			for h := head; h >= 0; h = e.holds[h].next {
				if !yield(h) {
					return
				}
			}
		}
	}
}

// likelyEnd is when a running step would end by its planned minutes; one that
// should have ended has a tenth of them before it still.
func (e *engine) likelyEnd(st *liveStep, spec *plan.Step) plan.Time {
	end := st.place.Start + spec.Duration
	if st.cal != nil && !spec.Unbroken {
		end = st.cal.finish(st.place.Start, spec.Duration)
	}
	if end <= e.now {
		end = e.now + max(5, spec.Duration/10)
	}
	return end
}

// likelyPlace is where a step would stand that is still to come.
func (e *engine) likelyPlace(st *liveStep, spec *plan.Step, job *liveJob) plan.Window {
	at := max(e.now, st.ready)
	for _, a := range e.c.works[job.work].prior[st.at] {
		if p := &e.steps[job.first+a.From]; p.state != finished {
			at = max(at, p.place.End+a.Lag)
		}
	}
	for _, h := range st.holds {
		if hold := &e.holds[h]; !hold.taken && hold.prev >= 0 {
			at = max(at, e.holds[hold.prev].until)
		}
	}
	if st.cal = e.calendarOf(st, spec.Elapsed); st.cal == nil {
		return plan.Window{Start: at, End: at + spec.Duration}
	}
	start := st.cal.begin(min(at, Beyond), spec.Unbroken, spec.Duration)
	if start >= Beyond {
		return plan.Window{Start: Beyond, End: Beyond}
	}
	return plan.Window{Start: start, End: st.cal.finish(start, spec.Duration)}
}
