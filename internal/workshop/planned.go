package workshop

import (
	"slices"
	"strings"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Plan is a proposed set of bookings with its steps placed in time, not yet
// written.
type Plan struct {
	Family     string
	Procedures []PlannedProcedure
	Bay        string
	During     hours.Range // from the first step to the hand-back
	Steps      []PlannedStep
	Bookings   []PlannedBooking
	Revision   int64     // of the site, on which it was made
	Bound      time.Time // no hand-back is possible before
	Proved     bool      // that none is earlier
	Arrivals   []Arrival // of parts that it waits for
	Parts      []procedure.PartLine
}

// PlannedProcedure is a procedure with the version it was planned with.
type PlannedProcedure struct {
	site.ProcedureRef
	Title string
}

// PlannedStep is a step with its place, who does it and what is at hand for it.
type PlannedStep struct {
	ID, Title   string
	During      hours.Range
	Technicians []string
	Tools       []string
}

// PlannedBooking is a booking to write.
type PlannedBooking struct {
	Ref
	During hours.Range
	Steps  []string // ids of the steps that it serves
}

// propose turns the planner's answer into a Plan for people.
func (z *puzzle) propose(p *plan.Plan, procedures []procedure.Procedure) Plan {
	z.preferFiner(p)
	return z.describe(p, procedures)
}

// describe tells a placed plan in the words of the site.
func (z *puzzle) describe(p *plan.Plan, procedures []procedure.Procedure) Plan {
	out := Plan{
		Family: z.network.Family, Revision: z.revision, Proved: p.Proved, Bound: z.at(p.Bound),
		Bookings: z.bookings(p), Arrivals: z.arrivals, Parts: z.network.Parts(),
	}
	for _, pr := range procedures {
		out.Procedures = append(out.Procedures, PlannedProcedure{site.ProcedureRef{ID: pr.ID, Version: pr.Version}, pr.Title})
	}
	start, end := z.problem.Horizon, plan.Time(0)
	for i, s := range z.network.Steps {
		at := p.Steps[i]
		start, end = min(start, at.Start), max(end, at.End)
		out.Steps = append(out.Steps, PlannedStep{ID: s.ID, Title: s.Step.Title, During: z.really(s.ID, z.rangeOf(at))})
	}
	out.During = z.rangeOf(plan.Window{Start: start, End: end})
	if z.progress != nil {
		out.During = out.extent()
	}
	for c, units := range p.Units {
		for _, u := range units {
			switch ref := z.refs[u]; ref.Kind {
			case site.KindBay:
				out.Bay = ref.ID
			case site.KindTechnician:
				s := &out.Steps[z.problem.Claims[c].Steps[0]]
				s.Technicians = append(s.Technicians, ref.ID)
			case site.KindTool:
				for _, i := range z.problem.Claims[c].Steps {
					out.Steps[i].Tools = append(out.Steps[i].Tools, ref.ID)
				}
			}
		}
	}
	for i := range out.Steps {
		slices.Sort(out.Steps[i].Technicians)
		slices.Sort(out.Steps[i].Tools)
	}
	// Ties keep the network's order, in which the work can be done.
	slices.SortStableFunc(out.Steps, func(a, b PlannedStep) int { return a.During.Start.Compare(b.During.Start) })
	return out
}

// bookings are the bookings that a plan needs: a unit for each hold, and its
// people for the stretches in which they work. Those that touch are kept apart
// by what they serve.
func (z *puzzle) bookings(p *plan.Plan) []PlannedBooking {
	var out []PlannedBooking
	for c, claim := range z.problem.Claims {
		if z.claims[c].kind == kindPart {
			continue
		}
		ids := make([]string, 0, len(claim.Steps))
		for _, s := range claim.Steps {
			ids = append(ids, z.network.Steps[s].ID)
		}
		windows := []plan.Window{z.problem.Hold(c, p)}
		if claim.Crew {
			step := int(claim.Steps[0])
			windows = z.problem.Stretches(step, z.problem.CrewOf(step, p), p.Steps[step])
		}
		for _, u := range p.Units[c] {
			for _, w := range windows {
				if w.Start < w.End {
					out = append(out, PlannedBooking{Ref: z.refs[u], During: z.rangeOf(w), Steps: ids})
				}
			}
		}
	}
	sortBookings(out)
	return out
}

func sortBookings(list []PlannedBooking) {
	slices.SortFunc(list, func(a, b PlannedBooking) int {
		if c := strings.Compare(store.ResourceSubject(a.Kind, a.ID), store.ResourceSubject(b.Kind, b.ID)); c != 0 {
			return c
		}
		if c := a.During.Start.Compare(b.During.Start); c != 0 {
			return c
		}
		return slices.Compare(a.Steps, b.Steps)
	})
}
