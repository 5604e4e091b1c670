package forecast

import (
	"container/heap"
	"context"
	"slices"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// engine is one run of a case: jobs come, are booked, and are worked through,
// event by event. It belongs to one goroutine.
//
// A step begins when all before it is done, its people are at work, and every
// unit that it needs is free for it: the holds of a unit follow each other in
// the order in which they were booked. Two things give way to that. Who serves a
// hold that is not yet taken may change to a like unit that stands idle: a
// vehicle does not wait for bay 1 while bay 2, which would do, is empty. And a
// booking is made into the gaps of the plan as it is likely to go on, not as it
// once was.
type engine struct {
	c      *studyCase
	rep    uint64
	now    plan.Time
	events events
	seq    int64
	jobs   []liveJob
	steps  []liveStep
	holds  []liveHold
	heads  []int32 // of each unit: its first hold; -1: none
	tails  []int32 // and its last
	open   []int32 // steps that are not done, in the order of their places
	stuck  []int32 // steps that are ready and want for a unit
	cals   map[calKey]*calendar
	odd    []bool    // units whose shut times matter to work
	lately plan.Time // from asking to booked hand-back, of the last job
	tally  tally
}

// calKey names a set of units that make up a calendar.
type calKey [6]int32

// liveJob is a job on its way.
type liveJob struct {
	work       int32
	asked      plan.Time
	promised   plan.Time // booked hand-back
	first      int32     // its first step in engine.steps
	left       int32     // steps that are not done
	began, end plan.Time
	holds      []int32
}

// stepState is how far a step is.
type stepState uint8

const (
	coming stepState = iota
	running
	finished
)

// liveStep is a step of such a job.
type liveStep struct {
	job     int32
	at      int32 // index in its work
	state   stepState
	stuck   bool
	before  int32     // arcs whose steps are not done
	ready   plan.Time // by arcs with lags, and the vehicle
	wakes   plan.Time // when it is looked at again, if that lies ahead
	minutes plan.Time // what it will really take
	holds   []int32
	cal     *calendar
	place   plan.Window // planned, then real
}

// liveHold is a unit's time for some steps of a job.
type liveHold struct {
	unit       int32
	job        int32
	claim      int32
	left       int32 // steps that are not done
	taken      bool
	crew       bool
	prev, next int32 // on the unit; -1: none
	from       plan.Time
	until      plan.Time // projected end
}

// event is something that happens at a time.
type event struct {
	at   plan.Time
	seq  int64
	kind eventKind
	id   int32
}

type eventKind uint8

const (
	stepEnds eventKind = iota
	stepWakes
	jobComes
)

type events []event

func (h events) Len() int { return len(h) }
func (h events) Less(i, j int) bool {
	if h[i].at != h[j].at {
		return h[i].at < h[j].at
	}
	if h[i].kind != h[j].kind {
		return h[i].kind < h[j].kind
	}
	return h[i].seq < h[j].seq
}
func (h events) Swap(i, j int) { h[i], h[j] = h[j], h[i] }

// Push adds an event, for container/heap.
func (h *events) Push(x any) { *h = append(*h, x.(event)) }

// Pop takes the last event off, for container/heap.
func (h *events) Pop() any {
	k := len(*h) - 1
	x := (*h)[k]
	*h = (*h)[:k]
	return x
}

func newEngine(c *studyCase, rep uint64) *engine {
	e := &engine{c: c, rep: rep, cals: map[calKey]*calendar{}}
	e.heads, e.tails, e.odd = make([]int32, len(c.units)), make([]int32, len(c.units)), make([]bool, len(c.units))
	for u := range c.units {
		e.heads[u], e.tails[u] = -1, -1
		e.odd[u] = len(c.units[u].Shut) > 0
	}
	e.tally, e.lately = newTally(c), weekMinutes
	return e
}

// asks is one job asked for.
type asks struct {
	at   plan.Time
	work int32
}

// run plays until every job that counts is handed back, or the time is over.
func (e *engine) run(ctx context.Context) (run, error) {
	asked := e.c.demand(e.rep)
	for i, a := range asked {
		e.push(a.at, jobComes, int32(i))
		if a.at >= e.c.from && a.at < e.c.to {
			e.tally.awaited++
		}
	}
	for len(e.events) > 0 && e.tally.awaited > 0 {
		ev := heap.Pop(&e.events).(event)
		if ev.at > e.c.stop {
			break
		}
		e.now = ev.at
		switch ev.kind {
		case jobComes:
			if err := ctx.Err(); err != nil {
				return run{}, err
			}
			if err := e.book(ctx, asked[ev.id], ev.id); err != nil {
				return run{}, err
			}
		case stepWakes:
			e.try(ev.id)
		case stepEnds:
			e.end(ev.id)
		}
	}
	return e.tally.close(e)
}

func (e *engine) push(at plan.Time, kind eventKind, id int32) {
	e.seq++
	heap.Push(&e.events, event{at, e.seq, kind, id})
}

// try begins a step if it can begin now, and notes when to look again if it
// cannot.
func (e *engine) try(s int32) {
	st := &e.steps[s]
	if st.state != coming || st.before > 0 {
		return
	}
	if st.ready > e.now {
		e.push(st.ready, stepWakes, s)
		return
	}
	if !e.unitsFree(s) {
		e.wait(s, Beyond)
		return
	}
	work := &e.c.works[e.jobs[st.job].work]
	spec := &work.Steps[st.at]
	st.cal = e.calendarOf(st, spec.Elapsed)
	if st.cal != nil {
		if at := st.cal.begin(e.now, spec.Unbroken, spec.Duration); at > e.now && !e.relieve(s) {
			e.wait(s, min(at, e.relief(s)))
			return
		}
	}
	e.begin(s, spec.Unbroken)
}

// wait has a step looked at again when something becomes free, and at a time;
// Beyond for none.
func (e *engine) wait(s int32, until plan.Time) {
	st := &e.steps[s]
	if !st.stuck {
		st.stuck = true
		e.stuck = append(e.stuck, s)
	}
	if until < Beyond && (st.wakes <= e.now || until < st.wakes) {
		st.wakes = until
		e.push(until, stepWakes, s)
	}
}

// begin takes a step's units and lets it run.
func (e *engine) begin(s int32, unbroken bool) {
	st := &e.steps[s]
	job := &e.jobs[st.job]
	if job.began < 0 {
		job.began = e.now
	}
	if st.stuck {
		st.stuck = false
		e.stuck = slices.DeleteFunc(e.stuck, func(o int32) bool { return o == s })
	}
	for _, h := range st.holds {
		if hold := &e.holds[h]; !hold.taken {
			hold.taken, hold.from = true, e.now
		}
	}
	end := e.now + st.minutes
	if st.cal != nil && !unbroken {
		end = st.cal.finish(e.now, st.minutes)
	}
	st.state, st.place = running, plan.Window{Start: e.now, End: end}
	if end < Beyond {
		e.push(end, stepEnds, s)
	}
}

// end finishes a step, gives up what it was the last to need, and lets others
// begin.
func (e *engine) end(s int32) {
	st := &e.steps[s]
	st.state, st.place.End = finished, e.now
	job := &e.jobs[st.job]
	work := &e.c.works[job.work]
	var look []int32
	for _, a := range work.next[st.at] {
		to := job.first + a.To
		next := &e.steps[to]
		next.before--
		next.ready = max(next.ready, e.now+a.Lag)
		look = append(look, to)
	}
	freed := false
	for _, h := range st.holds {
		if hold := &e.holds[h]; hold.crew {
			e.tally.worked(e, hold.unit, st)
		}
		if e.holds[h].left--; e.holds[h].left == 0 {
			e.holds[h].until = e.now
			if next := e.release(h); next >= 0 {
				look = append(look, e.stepsOf(next)...)
			}
			freed = true
		}
	}
	if job.left--; job.left == 0 {
		job.end = e.now
		e.tally.handedBack(e, st.job)
	}
	for _, t := range look {
		e.try(t)
	}
	if freed {
		for _, t := range slices.Clone(e.stuck) {
			e.try(t)
		}
	}
}

// stepsOf gives the steps of a hold.
func (e *engine) stepsOf(h int32) []int32 {
	hold := &e.holds[h]
	job := &e.jobs[hold.job]
	var out []int32
	for _, k := range e.c.works[job.work].Claims[hold.claim].Steps {
		out = append(out, job.first+k)
	}
	return out
}

// calendarOf is when a step's people are at work and nothing that it needs is
// shut; nil if it runs through.
func (e *engine) calendarOf(st *liveStep, elapsed bool) *calendar {
	if elapsed {
		return nil
	}
	var crew, shut []int32
	for _, h := range st.holds {
		hold := &e.holds[h]
		if hold.crew {
			crew = append(crew, hold.unit)
		} else if e.odd[hold.unit] {
			shut = append(shut, hold.unit)
		}
	}
	if len(crew) == 0 {
		return nil
	}
	slices.Sort(crew)
	slices.Sort(shut)
	var key calKey
	small := len(crew)+len(shut) <= len(key)
	if small {
		for i, u := range append(crew, shut...) {
			key[i] = u + 1
		}
		if c, ok := e.cals[key]; ok {
			return c
		}
	}
	open := e.c.opens[crew[0]].windows
	for _, u := range crew[1:] {
		open = plan.Common(open, e.c.opens[u].windows)
	}
	for _, u := range shut {
		open = plan.Less(open, e.c.units[u].Closed())
	}
	c := newCalendar(open)
	if small {
		e.cals[key] = c
	}
	return c
}

// errLittle is what a run answers whose books do not agree: the time that jobs
// spent in the house, summed over jobs, and the number in the house, summed over
// time, are the same (Little 1961).
func errLittle(area, stays int64) error {
	return fault.New(fault.Internal, "LITTLE", "a run of the study counted %d minutes by time and %d by job", area, stays)
}
