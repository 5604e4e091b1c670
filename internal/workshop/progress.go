package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// leastRest is how many minutes more a step is taken to need that has used up
// its time and is not finished.
const leastRest = 10

// progress is how far a job has come, as the planner must know it: what is done
// stays done, what runs goes on from now, and nothing that is not begun starts
// before now.
type progress struct {
	work   running.Work
	now    time.Time // a whole minute
	places map[string]hours.Range
}

// progressOf reads how far a job has come; nil for one of which nothing was
// recorded: it is taken to go as planned.
func progressOf(ctx context.Context, r store.Reader, j site.Job, now time.Time) (*progress, error) {
	rec, err := r.Record(ctx, j.ID)
	if err != nil || len(rec.Events)+len(rec.Waivers) == 0 {
		return nil, err
	}
	p := &progress{now: minuteUp(now), places: map[string]hours.Range{}, work: running.Work{Places: j.Steps, Record: rec}}
	for _, s := range j.Steps {
		p.places[s.ID] = s.During
	}
	return p, nil
}

// over tells whether a step is done with; begun whether it has been begun.
func (p *progress) over(step string) bool {
	s := p.work.State(step)
	return s == running.Finished || s == running.Waived
}

func (p *progress) begun(step string) bool { return p.work.State(step) != running.Open }

// advance puts a job to the planner as far as it has come: of what is done no
// time is left, of what runs the rest, and the past is out of question.
func (z *puzzle) advance(p *progress) {
	if p == nil {
		return
	}
	z.progress = p
	now := max(0, z.ceil(p.now))
	for i, s := range z.network.Steps {
		step := &z.problem.Steps[i]
		step.Release = max(step.Release, now)
		switch {
		case p.over(s.ID):
			*step = plan.Step{Elapsed: true, Frozen: true, At: now, Job: step.Job}
		case p.begun(s.ID):
			// In one go or not: what is left of it may take longer than a shift.
			step.Duration, step.Unbroken = z.rest(p, s.ID, step.Duration), false
		}
	}
	var arcs []plan.Arc
	for _, a := range z.problem.Arcs {
		from, to := z.network.Steps[a.From].ID, z.network.Steps[a.To].ID
		switch {
		case p.begun(to):
		case p.over(from):
			if c := p.work.Course(from); !c.Finish.IsZero() {
				after := z.ceil(c.Finish) + a.Lag
				z.problem.Steps[a.To].Release = max(z.problem.Steps[a.To].Release, after)
			}
		default:
			arcs = append(arcs, a)
		}
	}
	z.problem.Arcs = arcs
	z.letGo(p)
}

// letGo gives up what only served what is done.
func (z *puzzle) letGo(p *progress) {
	var claims []plan.Claim
	var what []claim
	for c, cl := range z.problem.Claims {
		wanted := slices.ContainsFunc(cl.Steps, func(s int32) bool { return !p.over(z.network.Steps[s].ID) })
		if wanted {
			claims, what = append(claims, cl), append(what, z.claims[c])
		}
	}
	z.problem.Claims, z.claims = claims, what
}

// rest is how many minutes a step that is begun still takes: those estimated
// less those worked, and a few if it has had them all.
func (z *puzzle) rest(p *progress, step string, estimated plan.Time) plan.Time {
	c := p.work.Course(step)
	worked := plan.Time(0)
	for _, r := range c.Worked {
		end := r.End
		if end.IsZero() {
			end = p.now
		}
		worked += z.open(c.Technician, plan.Window{Start: z.floor(r.Start), End: z.floor(end)})
	}
	return max(estimated-worked, leastRest)
}

// open is how many minutes of a window somebody is on shift; all of it if
// nobody is named.
func (z *puzzle) open(technician string, w plan.Window) plan.Time {
	i := slices.Index(z.refs, Ref{Kind: site.KindTechnician, ID: technician})
	if i < 0 {
		return max(0, w.End-w.Start)
	}
	sum := plan.Time(0)
	for _, o := range z.units[i].Open {
		sum += max(0, min(o.End, w.End)-max(o.Start, w.Start))
	}
	return sum
}

// goOn puts the steps of a plan that is read back where the planner has them:
// what is done at this moment, what runs from when its people go on with it. A
// plan that leaves such a step as long as it stood, or longer, is taken at its
// word.
func (z *puzzle) goOn(out *plan.Plan, standing bool) {
	p := z.progress
	if p == nil {
		return
	}
	now := max(0, z.ceil(p.now))
	out.Finish = 0
	for i, s := range z.network.Steps {
		at := &out.Steps[i]
		switch {
		case p.over(s.ID):
			*at = plan.Window{Start: now, End: now}
		case p.begun(s.ID):
			*at = z.restOf(i, out, plan.Window{Start: now, End: max(now, at.End)})
			length := at.End - at.Start
			if crew := z.problem.CrewOf(i, out); len(crew) > 0 {
				length = 0
				for _, w := range z.problem.Stretches(i, crew, *at) {
					length += w.End - w.Start
				}
			}
			if step := &z.problem.Steps[i]; length > step.Duration || !standing && length > 0 {
				step.Duration = length
			}
		}
		out.Finish = max(out.Finish, at.End)
	}
	out.Minutes = out.Finish
}

// restOf is a window from the first to the last minute of it in which the crew
// of a step is there.
func (z *puzzle) restOf(step int, p *plan.Plan, w plan.Window) plan.Window {
	crew := z.problem.CrewOf(step, p)
	if len(crew) == 0 {
		return w
	}
	there := z.problem.Stretches(step, crew, w)
	if len(there) == 0 {
		return w
	}
	return plan.Window{Start: there[0].Start, End: there[len(there)-1].End}
}

// really tells where a step of a plan is for people: begun when it was begun.
func (z *puzzle) really(step string, at hours.Range) hours.Range {
	p := z.progress
	if p == nil || !p.begun(step) {
		return at
	}
	if p.over(step) {
		return p.places[step]
	}
	at.Start = p.places[step].Start
	if !at.End.After(at.Start) {
		at.End = at.Start.Add(time.Minute)
	}
	return at
}

// remaining cuts bookings to what lies ahead of an instant, of a job that has
// begun: the past is as it was.
func (z *puzzle) remaining(list []PlannedBooking, now time.Time) []PlannedBooking {
	if z.progress == nil {
		return list
	}
	var out []PlannedBooking
	for _, b := range list {
		if !b.During.End.After(now) || z.done(b.Steps) {
			continue
		}
		if b.During.Start.Before(now) {
			b.During.Start = now
		}
		out = append(out, b)
	}
	sortBookings(out)
	return out
}

// done tells whether all steps are over.
func (z *puzzle) done(steps []string) bool {
	return !slices.ContainsFunc(steps, func(s string) bool { return !z.progress.over(s) })
}

// past makes the bookings wanted of a job that has begun fit those that it held
// up to now: one that goes on keeps its beginning, and what is over stays.
func (z *puzzle) past(held, want []site.Booking) []site.Booking {
	if z.progress == nil {
		return want
	}
	now := z.progress.now
	var out []site.Booking
	for _, b := range want {
		if !b.During.End.After(now) || z.done(b.Steps) {
			continue
		}
		if b.During.Start.Before(now) {
			b.During.Start = now
		}
		for _, h := range held {
			goesOn := h.Kind == b.Kind && h.Resource == b.Resource && slices.Equal(h.Steps, b.Steps)
			if goesOn && b.During.Start.Equal(now) && h.During.Start.Before(now) && !h.During.End.Before(now) {
				b.During.Start = h.During.Start
			}
		}
		out = append(out, b)
	}
	for _, h := range held {
		kept := slices.ContainsFunc(out, func(b site.Booking) bool {
			return b.Kind == h.Kind && b.Resource == h.Resource && b.During.Start.Equal(h.During.Start) && slices.Equal(b.Steps, h.Steps)
		})
		if kept || !h.During.Start.Before(now) {
			continue
		}
		if h.During.End.After(now) { // over from now on
			h.During.End = now
		}
		out = append(out, h)
	}
	return out
}
