package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Bounds of a search for an arrangement.
const (
	usualSearch = 10 * time.Second
	maxSearch   = 10 * time.Minute
)

// NewJob is a job that wants a place in an arrangement.
type NewJob struct {
	Reference  string
	Procedures []string
	Bay        string // only this one; empty: any
	Earliest   time.Time
	Promise    time.Time // zero if none
	Weight     float64   // of a minute late; 0 means 1
	Arrivals   []Arrival
}

// ArrangeQuestion asks for places for booked jobs and new ones together.
type ArrangeQuestion struct {
	Jobs      []int64 // booked, that may move; never before their present start
	New       []NewJob
	Horizon   time.Time     // zero: eight weeks from now
	Search    time.Duration // at the most; 0: 10 seconds
	Schedules int64         // at the most; 0: as the time allows
	Seed      uint64
}

func (q *ArrangeQuestion) check(now time.Time) error {
	var fs fault.Fields
	if n := len(q.Jobs) + len(q.New); n == 0 || n > maxArranged {
		fs.Add("jobs", "must be 1 to %d, new ones included", maxArranged)
	}
	checkHorizon(&fs, minuteUp(now), &q.Horizon)
	if q.Search == 0 {
		q.Search = usualSearch
	}
	if q.Search < 0 || q.Search > maxSearch {
		fs.Add("search_time", "must be up to %v", maxSearch)
	}
	if q.Schedules < 0 {
		fs.Add("schedules", "must not be negative")
	}
	for i, id := range q.Jobs {
		if slices.Contains(q.Jobs[:i], id) {
			fs.Add(fmt.Sprintf("jobs[%d]", i), "is named twice")
		}
	}
	for i, n := range q.New {
		at := fmt.Sprintf("new_jobs[%d]", i)
		checkText(&fs, at+".reference", n.Reference, true)
		checkTime(&fs, at+".earliest_time", n.Earliest)
		if !n.Promise.IsZero() {
			checkTime(&fs, at+".promise_time", n.Promise)
		}
		if !(n.Weight >= 0 && n.Weight <= 1e6) {
			fs.Add(at+".weight", "must be 0 to 1,000,000")
		}
	}
	return fs.Err("ARRANGE", "the question cannot be answered")
}

// Improvement is the best arrangement so far.
type Improvement struct {
	Jobs      []ArrangedJob
	Late      float64 // minutes past the promises, times the weights
	LateBound float64 // no arrangement has fewer
	Schedules int64
	Done      bool
}

// Arrange looks for better places for many jobs and calls tell with every
// improvement, the last time with the answer. It ends with its time, its budget
// or ctx; what was told stands.
func (w *Workshop) Arrange(ctx context.Context, slug string, q ArrangeQuestion, tell func(Improvement) error) error {
	if err := q.check(w.Now()); err != nil {
		return err
	}
	from := minuteUp(w.Now())
	var a arrangers
	err := w.view(ctx, slug, func(ctx context.Context, r store.Reader) error {
		var err error
		a, err = w.gather(ctx, r, q, from)
		return err
	})
	if err != nil {
		return err
	}
	search, cancel := context.WithTimeout(ctx, q.Search)
	defer cancel()
	var failed error
	best, err := plan.Arrange(search, &a.fleet.problem, plan.ArrangeOptions{
		Schedules: q.Schedules, Seed: q.Seed, Standing: a.standing(),
		Improved: func(better plan.Arrangement) {
			if failed == nil {
				if failed = tell(a.improvement(better)); failed != nil {
					cancel()
				}
			}
		},
	})
	if err != nil || failed != nil || ctx.Err() != nil {
		return errorsFirst(err, failed, ctx.Err())
	}
	last := a.improvement(best)
	last.Done = true
	return tell(last)
}

func errorsFirst(list ...error) error {
	for _, err := range list {
		if err != nil {
			return err
		}
	}
	return nil
}

// arrangers are the jobs of an arrangement, on their fleet.
type arrangers struct {
	fleet  *fleet
	jobs   []ArrangedJob
	works  []work
	booked []site.Job       // booked jobs, before the new ones
	held   [][]site.Booking // of each booked job; nil for a new one
}

// gather reads the jobs of a question and puts them together to the planner.
func (w *Workshop) gather(ctx context.Context, r store.Reader, q ArrangeQuestion, from time.Time) (arrangers, error) {
	var a arrangers
	var jobs []fleetJob
	for _, id := range q.Jobs {
		booked, err := r.Job(ctx, id, w.Now())
		if err != nil {
			return a, err
		}
		if err := mayMove(booked); err != nil {
			return a, err
		}
		if !booked.Planned.Start.After(w.Now()) {
			return a, fault.New(fault.Precondition, "BEGUN", "job %d has begun and stays where it is", id)
		}
		net, err := networkOf(ctx, r, booked)
		if err != nil {
			return a, err
		}
		known, err := planned(ctx, r, booked)
		if err != nil {
			return a, err
		}
		a.booked = append(a.booked, booked)
		a.jobs = append(a.jobs, ArrangedJob{Job: id, Reference: booked.Reference, Planned: booked.Planned, Promise: booked.Promise})
		held, err := r.Bookings(ctx, store.BookingFilter{Job: id, Now: w.Now()})
		if err != nil {
			return a, err
		}
		a.works, a.held = append(a.works, work{procedures: known, network: net}), append(a.held, held)
		jobs = append(jobs, fleetJob{network: net, arrivals: arrivalsOf(booked), release: booked.Planned.Start, due: booked.Promise})
	}
	for _, n := range q.New {
		refs := make([]site.ProcedureRef, 0, len(n.Procedures))
		for _, id := range n.Procedures {
			refs = append(refs, site.ProcedureRef{ID: id})
		}
		merged, err := merge(ctx, r, refs)
		if err != nil {
			return a, err
		}
		a.jobs = append(a.jobs, ArrangedJob{Reference: n.Reference, Promise: n.Promise})
		a.works, a.held = append(a.works, merged), append(a.held, nil)
		jobs = append(jobs, fleetJob{network: merged.network, bay: n.Bay, arrivals: n.Arrivals, release: n.Earliest, due: n.Promise, weight: n.Weight})
	}
	st, err := r.State(ctx, w.Now(), hours.Range{Start: from, End: q.Horizon}, nil)
	if err != nil {
		return a, err
	}
	st.Bookings = slices.DeleteFunc(st.Bookings, func(b site.Booking) bool { return slices.Contains(q.Jobs, b.Job) })
	st.Issues = withoutJobs(st.Issues, q.Jobs...)
	y, err := newYard(st, from, q.Horizon)
	if err != nil {
		return a, err
	}
	a.fleet, err = newFleet(y, jobs)
	return a, err
}

// standing is the plan that people have been told, for the search to begin with,
// in which new jobs have no place; nil where it no longer fits.
func (a *arrangers) standing() *plan.Plan {
	parts := make([]*plan.Plan, 0, len(a.jobs))
	for i := range a.jobs {
		p := a.stands(i)
		if i >= len(a.booked) {
			z := &a.fleet.parts[i].problem
			p = &plan.Plan{Steps: make([]plan.Window, len(z.Steps)), Units: make([][]int32, len(z.Claims))}
		}
		if p == nil {
			return nil
		}
		parts = append(parts, p)
	}
	return a.fleet.whole(parts)
}

// stands gives the place that a job has now; nil for a new one.
func (a *arrangers) stands(i int) *plan.Plan {
	if i >= len(a.booked) {
		return nil
	}
	p, err := a.fleet.parts[i].standing(a.booked[i], a.held[i])
	if err != nil {
		return nil
	}
	return p
}

// keepStanding leaves jobs where people know them to be, if that is as good: no
// later handed back than proposed, and sound beside the others.
func (a *arrangers) keepStanding(places []*plan.Plan) {
	for i, proposed := range places {
		now := a.stands(i)
		if now == nil || now.Finish > proposed.Finish {
			continue
		}
		places[i] = now
		if len(plan.Validate(&a.fleet.problem, a.fleet.whole(places))) > 0 {
			places[i] = proposed
		}
	}
}

// planned reads the versions of the procedures that a job was planned with.
func planned(ctx context.Context, r store.Reader, j site.Job) ([]procedure.Procedure, error) {
	out := make([]procedure.Procedure, 0, len(j.Procedures))
	for _, ref := range j.Procedures {
		p, err := r.Procedure(ctx, ref.ID, ref.Version)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// arrivalsOf gives the parts of a job that are still expected.
func arrivalsOf(j site.Job) []Arrival {
	var out []Arrival
	for _, p := range j.Parts {
		if p.State == site.PartExpected {
			out = append(out, Arrival{Part: p.ID, Expected: p.Expected})
		}
	}
	return out
}

// improvement tells an arrangement in the words of the site.
func (a *arrangers) improvement(best plan.Arrangement) Improvement {
	out := Improvement{Late: best.Late, LateBound: best.LateBound, Schedules: best.Schedules}
	places := a.fleet.split(&best.Plan, best.Unplaced)
	if len(best.Unplaced) == 0 {
		a.keepStanding(places)
	}
	for i, placed := range places {
		job := a.jobs[i]
		if placed != nil {
			z := a.fleet.parts[i]
			p := z.describe(placed, a.works[i].procedures)
			gone, more := difference(a.held[i], z.judgement(Order{}, p).bookings)
			job.Plan, job.Moved = &p, job.Job != 0 && len(gone)+len(more) > 0
		}
		out.Jobs = append(out.Jobs, job)
	}
	return out
}

func minuteUp(t time.Time) time.Time { return t.Add(time.Minute - 1).Truncate(time.Minute) }
