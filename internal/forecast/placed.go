package forecast

import (
	"container/heap"
	"fmt"
	"slices"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// Step is a step of a placed network.
type Step struct {
	Job    int32
	Spread Spread
	// Planned is how many minutes the plan gives it, and Place where it has
	// them, pauses included.
	Planned plan.Time
	Place   plan.Window
	// Release is the earliest start: the vehicle's and the parts' arrival.
	Release plan.Time
	// Elapsed steps run through closed hours.
	Elapsed  bool
	Unbroken bool
	Fact     Fact
	// StandIns are people who can do the step, too: while one of its crew is
	// absent, they take over.
	StandIns []int32
}

// Fact is what has happened of a step: nothing, begun, or done.
type Fact struct {
	Begun, Done bool
	// Start and End are when; they may lie before minute 0.
	Start, End plan.Time
	// Worked is how many minutes have gone into a begun step so far.
	Worked plan.Time
}

// Hold is one unit for the time from the first to the last of some steps.
type Hold struct {
	Unit  int32
	Steps []int32
	Crew  bool // a person, who is there in working time only
}

// Placed is a network of steps as a plan has placed it: what Simulate plays.
// Minute 0 is now.
type Placed struct {
	Units []plan.Unit // Open and Shut of each; bookings do not count
	Jobs  int
	Steps []Step
	Arcs  []plan.Arc
	Holds []Hold
}

// FromPlan makes a Placed of a problem, its plan and the spread of each step.
func FromPlan(p *plan.Problem, pl *plan.Plan, spreads []Spread) *Placed {
	out := &Placed{Units: p.Units, Jobs: max(1, len(p.Jobs)), Arcs: p.Arcs}
	for i, s := range p.Steps {
		out.Steps = append(out.Steps, Step{
			Job: s.Job, Spread: spreads[i], Planned: s.Duration, Place: pl.Steps[i], Release: s.Release,
			Elapsed: s.Elapsed, Unbroken: s.Unbroken,
		})
	}
	for c, units := range pl.Units {
		for _, u := range units {
			out.Holds = append(out.Holds, Hold{Unit: u, Steps: p.Claims[c].Steps, Crew: p.Claims[c].Crew})
		}
	}
	return out
}

// pred is something that a step waits for.
type pred struct {
	step int32
	lag  plan.Time
}

// node is a step made ready for the play; nodes stand in an order in which
// every one comes after all that it waits for.
type node struct {
	step     int32
	release  plan.Time
	planned  plan.Time
	spread   Spread
	table    *table    // nil: always the same
	cal      *calendar // nil: runs through closed hours
	unbroken bool
	fact     Fact
	floor    float64 // of the draw: the probability that it would be done by now
	preds    []pred  // by node
	crews    []crew  // if others may take over: who can be sent, the planned first
	job      int32
}

// net is a Placed made ready.
type net struct {
	nodes []node
	jobs  int
	of    []int32 // node of each step
	units int     // if others may take over: how many; else 0
}

// compile checks a placed network and makes it ready; others says that whoever has
// the skills may take over a step.
func compile(p *Placed, others bool) (*net, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	rank, err := p.rank()
	if err != nil {
		return nil, err
	}
	n := len(p.Steps)
	preds := p.waits(rank, nil)
	order := p.order(rank, preds)
	var people []bool
	if others {
		// The order is that of the plan; who waits for whom is seen in the play.
		people = p.people()
		preds = p.waits(rank, people)
	}
	w := &net{units: len(people), jobs: p.Jobs, nodes: make([]node, n), of: make([]int32, n)}
	for k, s := range order {
		w.of[s] = int32(k)
	}
	cs := newCalendars(p.Units)
	holds := p.holdsOf()
	for k, i := range order {
		s := &p.Steps[i]
		nd := &w.nodes[k]
		*nd = node{
			step: i, release: max(0, s.Release), planned: s.Planned, spread: s.Spread,
			table: tables.of(s.Spread), unbroken: s.Unbroken, fact: s.Fact, job: s.Job,
		}
		if !s.Elapsed {
			nd.cal = cs.of(holds[i], s.StandIns)
		}
		if others {
			nd.crews = cs.crews(s, asCrew(holds[i], people))
		}
		if s.Fact.Begun && !s.Fact.Done {
			nd.floor = s.Spread.CDF(float64(s.Fact.Worked))
		}
		for _, f := range preds[i] {
			// Only work that has begun against the plan's order leads backward.
			if w.of[f.step] < int32(k) {
				nd.preds = append(nd.preds, pred{w.of[f.step], f.lag})
			}
		}
	}
	return w, nil
}

// before orders steps by their place in the plan; every arc and every hold of a
// sound plan leads forward in it.
func before(p *Placed, rank []int32, a, b int32) int {
	x, y := p.Steps[a].Place, p.Steps[b].Place
	switch {
	case x.Start != y.Start:
		return int(x.Start) - int(y.Start)
	case x.End != y.End:
		return int(x.End) - int(y.End)
	}
	return int(rank[a]) - int(rank[b])
}

// check refuses what cannot be played.
func (p *Placed) check() error {
	var fs fault.Fields
	steps, units := int32(len(p.Steps)), int32(len(p.Units))
	if steps == 0 {
		fs.Add("steps", "none to play")
	}
	for i, s := range p.Steps {
		if s.Job < 0 || int(s.Job) >= p.Jobs {
			fs.Add(fmt.Sprintf("steps[%d].job", i), "there is no job %d", s.Job)
		}
		if s.Place.End < s.Place.Start {
			fs.Add(fmt.Sprintf("steps[%d].place", i), "ends before it starts")
		}
	}
	for i, a := range p.Arcs {
		switch {
		case min(a.From, a.To) < 0 || max(a.From, a.To) >= steps:
			fs.Add(fmt.Sprintf("arcs[%d]", i), "leads to a step that is not there")
		case p.Steps[a.From].Place.End > p.Steps[a.To].Place.Start:
			fs.Add(fmt.Sprintf("arcs[%d]", i), "step %d is planned before step %d, which must come first, is done", a.To, a.From)
		}
	}
	for i, h := range p.Holds {
		if h.Unit < 0 || h.Unit >= units {
			fs.Add(fmt.Sprintf("holds[%d]", i), "there is no unit %d", h.Unit)
		}
		for _, s := range h.Steps {
			if s < 0 || s >= steps {
				fs.Add(fmt.Sprintf("holds[%d]", i), "there is no step %d", s)
			}
		}
	}
	return fs.Err("PLACED", "the plan cannot be simulated")
}

// rank gives each step its place in an order that keeps all arcs.
func (p *Placed) rank() ([]int32, error) {
	n := len(p.Steps)
	next, left := make([][]int32, n), make([]int32, n)
	for _, a := range p.Arcs {
		next[a.From] = append(next[a.From], a.To)
		left[a.To]++
	}
	queue := make([]int32, 0, n)
	for i := range left {
		if left[i] == 0 {
			queue = append(queue, int32(i))
		}
	}
	rank := make([]int32, n)
	for k := 0; k < len(queue); k++ {
		rank[queue[k]] = int32(k)
		for _, t := range next[queue[k]] {
			if left[t]--; left[t] == 0 {
				queue = append(queue, t)
			}
		}
	}
	if len(queue) < n {
		return nil, fault.New(fault.Invalid, "PLACED_CYCLE", "the steps form a cycle")
	}
	return rank, nil
}

// holdsOf lists the holds that each step is part of.
func (p *Placed) holdsOf() [][]Hold {
	out := make([][]Hold, len(p.Steps))
	for _, h := range p.Holds {
		for _, s := range h.Steps {
			out[s] = append(out[s], h)
		}
	}
	return out
}

// asCrew has people be people where a step only keeps them from other work.
func asCrew(holds []Hold, people []bool) []Hold {
	out := slices.Clone(holds)
	for i := range out {
		out[i].Crew = people[out[i].Unit]
	}
	return out
}

// waits lists what each step waits for, by step: its arcs, and on every unit the
// hold before its own, but for units that are left out.
func (p *Placed) waits(rank []int32, out []bool) [][]pred {
	all := make([][]pred, len(p.Steps))
	for _, a := range p.Arcs {
		all[a.To] = append(all[a.To], pred{a.From, a.Lag})
	}
	byUnit := make([][]int, len(p.Units))
	for h := range p.Holds {
		if u := p.Holds[h].Unit; len(p.Holds[h].Steps) > 0 && (out == nil || !out[u]) {
			byUnit[p.Holds[h].Unit] = append(byUnit[p.Holds[h].Unit], h)
		}
	}
	ends := newEnds(p)
	for _, hs := range byUnit {
		slices.SortFunc(hs, func(a, b int) int {
			// Who has a unit keeps it, whatever the plan said.
			if x, y := p.taken(a), p.taken(b); x != y {
				return int(max(min(x-y, 1), -1))
			}
			return before(p, rank, ends.earliest(rank, a), ends.earliest(rank, b))
		})
		for i := 1; i < len(hs); i++ {
			sinks := ends.sinks(hs[i-1])
			for _, to := range ends.sources(hs[i]) {
				for _, from := range sinks {
					if from != to {
						all[to] = append(all[to], pred{from, 0})
					}
				}
			}
		}
	}
	for i := range all {
		all[i] = slices.Compact(sorted(all[i]))
	}
	return all
}

// taken is when a hold began; Beyond if it has not.
func (p *Placed) taken(h int) plan.Time {
	at := Beyond
	for _, s := range p.Holds[h].Steps {
		if f := p.Steps[s].Fact; f.Begun {
			at = min(at, f.Start)
		}
	}
	return at
}

func sorted(ps []pred) []pred {
	slices.SortFunc(ps, func(a, b pred) int {
		if a.step != b.step {
			return int(a.step) - int(b.step)
		}
		return int(a.lag) - int(b.lag)
	})
	return ps
}

// order sorts the steps so that each comes after all that it waits for, those
// that the plan has earlier first. What has begun waits for nothing. Where work
// was begun in another order than planned, a ring can be left: then the step
// that the plan has first goes first.
func (p *Placed) order(rank []int32, preds [][]pred) []int32 {
	n := len(p.Steps)
	next, left := make([][]int32, n), make([]int, n)
	for to, ps := range preds {
		if p.Steps[to].Fact.Begun {
			continue
		}
		left[to] = len(ps)
		for _, f := range ps {
			next[f.step] = append(next[f.step], int32(to))
		}
	}
	byPlace := make([]int32, n)
	for i := range byPlace {
		byPlace[i] = int32(i)
	}
	slices.SortFunc(byPlace, func(a, b int32) int { return before(p, rank, a, b) })
	at := make([]int32, n)
	for k, s := range byPlace {
		at[s] = int32(k)
	}
	ready, done, out := &places{}, make([]bool, n), make([]int32, 0, n)
	take := func(k int32) {
		s := byPlace[k]
		if done[s] {
			return
		}
		done[s] = true
		out = append(out, s)
		for _, t := range next[s] {
			if left[t]--; left[t] == 0 {
				heap.Push(ready, at[t])
			}
		}
	}
	for s := range left {
		if left[s] == 0 {
			heap.Push(ready, at[s])
		}
	}
	for k := int32(0); len(out) < n; {
		for ready.Len() > 0 {
			take(heap.Pop(ready).(int32))
		}
		for ; k < int32(n) && done[byPlace[k]]; k++ {
		}
		if k < int32(n) {
			take(k)
		}
	}
	return out
}

// places is a heap of places in the plan's order.
type places []int32

func (h places) Len() int           { return len(h) }
func (h places) Less(i, j int) bool { return h[i] < h[j] }
func (h places) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push adds a place, for container/heap.
func (h *places) Push(x any) { *h = append(*h, x.(int32)) }

// Pop takes the last place off, for container/heap.
func (h *places) Pop() any {
	k := len(*h) - 1
	x := (*h)[k]
	*h = (*h)[:k]
	return x
}

// ends finds the steps with which a hold begins and ends: those that no other
// step of the hold comes before or after, by the arcs.
type ends struct {
	p       *Placed
	out, in [][]int32 // arcs of each step
	inHold  []int     // the last hold that each step was marked for, from 1
}

func newEnds(p *Placed) *ends {
	e := &ends{p: p, out: make([][]int32, len(p.Steps)), in: make([][]int32, len(p.Steps)), inHold: make([]int, len(p.Steps))}
	for _, a := range p.Arcs {
		e.out[a.From] = append(e.out[a.From], a.To)
		e.in[a.To] = append(e.in[a.To], a.From)
	}
	return e
}

func (e *ends) pick(h int, beside [][]int32) []int32 {
	for _, s := range e.p.Holds[h].Steps {
		e.inHold[s] = h + 1
	}
	var out []int32
	for _, s := range e.p.Holds[h].Steps {
		if !slices.ContainsFunc(beside[s], func(t int32) bool { return e.inHold[t] == h+1 }) {
			out = append(out, s)
		}
	}
	return out
}

func (e *ends) sources(h int) []int32 { return e.pick(h, e.in) }

func (e *ends) sinks(h int) []int32 { return e.pick(h, e.out) }

// earliest is the step of a hold that is placed first.
func (e *ends) earliest(rank []int32, h int) int32 {
	return slices.MinFunc(e.p.Holds[h].Steps, func(a, b int32) int { return before(e.p, rank, a, b) })
}

// calendars makes one calendar for each set of units.
type calendars struct {
	units []plan.Unit
	known map[string]*calendar
}

func newCalendars(units []plan.Unit) *calendars {
	return &calendars{units: units, known: map[string]*calendar{}}
}

// of is when all the people are at work and nothing else that is needed is shut;
// nil if there are no people and nothing is ever shut.
func (cs *calendars) of(holds []Hold, standIns []int32) *calendar {
	var crew, shut []int32
	for _, h := range holds {
		switch {
		case h.Crew:
			crew = append(crew, h.Unit)
		case len(cs.units[h.Unit].Shut) > 0:
			shut = append(shut, h.Unit)
		}
	}
	if len(crew) == 0 {
		return nil
	}
	slices.Sort(crew)
	slices.Sort(shut)
	absent := slices.ContainsFunc(crew, func(u int32) bool { return len(cs.units[u].Shut) > 0 })
	if !absent {
		standIns = nil
	}
	key := fmt.Sprint(crew, shut, standIns)
	if c, ok := cs.known[key]; ok {
		return c
	}
	open := cs.person(crew[0], standIns)
	for _, u := range crew[1:] {
		open = plan.Common(open, cs.person(u, standIns))
	}
	for _, u := range shut {
		open = plan.Less(open, cs.units[u].Closed())
	}
	c := newCalendar(open)
	cs.known[key] = c
	return c
}

// person is when somebody is at work, or in their absence one who stands in.
func (cs *calendars) person(u int32, standIns []int32) []plan.Window {
	open := cs.units[u].Working()
	away := cs.units[u].Closed()
	if len(away) == 0 || len(standIns) == 0 {
		return open
	}
	var others []plan.Window
	for _, v := range standIns {
		if v != u {
			others = append(others, cs.units[v].Working()...)
		}
	}
	return plan.Union(append(plan.Common(plan.Union(others), away), open...))
}
