package workshop

import (
	"time"

	"bayhold/internal/plan"
	"bayhold/internal/procedure"
)

// fleet is several jobs put to the planner together, on one yard.
type fleet struct {
	*yard
	parts   []*puzzle // one a job
	problem plan.Problem
}

// fleetJob is one job of a fleet.
type fleetJob struct {
	network  procedure.Network
	bay      string // only this one; empty: any
	arrivals []Arrival
	release  time.Time // no step starts before
	due      time.Time // the promise; zero if there is none
	weight   float64   // of a minute late; 0 means 1
	far      *progress // how far it has come; nil if nothing is recorded
}

// newFleet joins the problems of the jobs into one.
func newFleet(y *yard, jobs []fleetJob) (*fleet, error) {
	f := &fleet{yard: y, problem: plan.Problem{Horizon: y.horizon}}
	for _, j := range jobs {
		z, err := newPuzzle(y, j.network, j.bay, j.arrivals)
		if err != nil {
			return nil, err
		}
		z.advance(j.far)
		f.join(z, j)
	}
	f.problem.Units = y.units // parts of every job have come in
	for _, z := range f.parts {
		z.problem.Units = y.units
	}
	return f, nil
}

func (f *fleet) join(z *puzzle, j fleetJob) {
	job, first := int32(len(f.parts)), int32(len(f.problem.Steps))
	due, weight := plan.Never, j.weight
	if !j.due.IsZero() {
		due = f.floor(j.due)
	}
	if weight == 0 {
		weight = 1
	}
	f.parts = append(f.parts, z)
	f.problem.Jobs = append(f.problem.Jobs, plan.Job{Due: due, Weight: weight})
	for _, s := range z.problem.Steps {
		s.Job, s.Release = job, max(s.Release, f.ceil(j.release))
		f.problem.Steps = append(f.problem.Steps, s)
	}
	for _, a := range z.problem.Arcs {
		a.From, a.To = a.From+first, a.To+first
		f.problem.Arcs = append(f.problem.Arcs, a)
	}
	for _, c := range z.problem.Claims {
		steps := make([]int32, len(c.Steps))
		for i, s := range c.Steps {
			steps[i] = s + first
		}
		c.Steps = steps
		f.problem.Claims = append(f.problem.Claims, c)
	}
}

// split gives the places of each job in a plan for all; nil for a job that has
// none.
func (f *fleet) split(p *plan.Plan, unplaced []int32) []*plan.Plan {
	out := make([]*plan.Plan, len(f.parts))
	step, claim := 0, 0
	for i, z := range f.parts {
		steps, claims := len(z.problem.Steps), len(z.problem.Claims)
		one := &plan.Plan{Steps: p.Steps[step : step+steps], Units: p.Units[claim : claim+claims]}
		for _, at := range one.Steps {
			one.Finish = max(one.Finish, at.End)
		}
		step, claim = step+steps, claim+claims
		out[i] = one
	}
	for _, i := range unplaced {
		out[i] = nil
	}
	return out
}

// whole puts the places of every job together into a plan for all.
func (f *fleet) whole(parts []*plan.Plan) *plan.Plan {
	out := &plan.Plan{}
	for _, p := range parts {
		out.Steps = append(out.Steps, p.Steps...)
		out.Units = append(out.Units, p.Units...)
		out.Finish = max(out.Finish, p.Finish)
	}
	return out
}
