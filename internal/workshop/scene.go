package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// How far a simulation looks beyond the last hand-back that is planned, and back
// for jobs that ought to have been handed back and were not.
const (
	lookBeyond = 12 * 7 * 24 * time.Hour
	lookBack   = 28 * 24 * time.Hour
)

// scene is every job that stands, placed as it is booked, with what has happened
// of it: what a forecast plays. Minute 0 is now.
type scene struct {
	*yard
	now    time.Time
	placed forecast.Placed
	cast   []member
	ids    []string // of each step, "owner/step"
	titles []string
	drawn  []bool // from records
	unit   map[Ref]int32
	pace   pace
	shifts shifts
}

// member is a job of a scene.
type member struct {
	job     site.Job
	fixed   bool // a reservation: it lasts as long as it was booked for
	open    int  // steps that are not done
	learned int  // of these, drawn from records
}

// placing is a job to be put into a scene: booked, or a plan.
type placing struct {
	job      site.Job
	network  procedure.Network
	bookings []PlannedBooking
	record   running.Record
}

// cue changes what is put into a scene.
type cue func([]placing) ([]placing, error)

// asItStands changes nothing.
func asItStands(parts []placing) ([]placing, error) { return parts, nil }

// beside puts a plan into a scene, as the last of the cast; without is a job that
// it takes the place of, 0 for none.
func beside(plan placing, without int64) cue {
	return func(parts []placing) ([]placing, error) {
		parts = slices.DeleteFunc(parts, func(p placing) bool { return p.job.ID == without })
		return append(parts, plan), nil
	}
}

// setScene reads the site and places all that stands, as the cue changes it.
func (w *Workshop) setScene(ctx context.Context, r store.Reader, change cue) (*scene, error) {
	now := w.Now().Truncate(time.Minute)
	booked, err := r.Jobs(ctx, store.JobFilter{Now: w.Now(), During: hours.Range{Start: now.Add(-lookBack), End: now.Add(maxRange)}})
	if err != nil {
		return nil, err
	}
	parts, err := w.placings(ctx, r, booked, now)
	if err != nil {
		return nil, err
	}
	if parts, err = change(parts); err != nil {
		return nil, err
	}
	end := now
	for _, p := range parts {
		if p.job.Planned.End.After(end) {
			end = p.job.Planned.End
		}
	}
	st, err := r.State(ctx, w.Now(), hours.Range{Start: now, End: end.Add(lookBeyond)}, nil)
	if err != nil {
		return nil, err
	}
	st.Bookings = nil
	y, err := newYard(st, now, end.Add(lookBeyond))
	if err != nil {
		return nil, err
	}
	s := &scene{yard: y, now: now, unit: map[Ref]int32{}, shifts: newShifts(st.Technicians, y.zone)}
	for i, ref := range y.refs {
		s.unit[ref] = int32(i)
	}
	steps := map[string]procedure.Step{}
	for _, p := range parts {
		for _, n := range p.network.Steps {
			steps[n.ID] = n.Step
		}
	}
	if s.pace, err = w.paceOf(ctx, r, steps, now.Add(-recordsFor)); err != nil {
		return nil, err
	}
	for _, p := range parts {
		s.place(p)
	}
	s.placed.Units, s.placed.Jobs = y.units, len(s.cast)
	return s, nil
}

// placings reads what it takes to place booked jobs: those that are not closed,
// and either are still to end or have steps that were begun and not finished.
func (w *Workshop) placings(ctx context.Context, r store.Reader, booked []site.Job, now time.Time) ([]placing, error) {
	ids := make([]int64, len(booked))
	for i, j := range booked {
		ids[i] = j.ID
	}
	closed, err := r.JobsClosed(ctx, ids)
	if err != nil {
		return nil, err
	}
	events, err := r.EventsOfJobs(ctx, ids)
	if err != nil {
		return nil, err
	}
	bookings, err := r.Bookings(ctx, store.BookingFilter{Now: w.Now(), During: hours.Range{Start: now.Add(-2 * lookBack), End: now.Add(maxRange)}})
	if err != nil {
		return nil, err
	}
	held := map[int64][]PlannedBooking{}
	for _, b := range bookings {
		held[b.Job] = append(held[b.Job], PlannedBooking{Ref: Ref{Kind: b.Kind, ID: b.Resource}, During: b.During, Steps: b.Steps})
	}
	var out []placing
	for _, j := range booked {
		if closed[j.ID] || !j.Planned.End.After(now) && len(events[j.ID]) == 0 {
			continue
		}
		p := placing{job: j, bookings: held[j.ID]}
		if len(j.Steps) > 0 {
			if p.network, err = r.Work(ctx, j.ID); err != nil {
				return nil, err
			}
		}
		if len(events[j.ID]) > 0 {
			if p.record, err = r.Record(ctx, j.ID); err != nil {
				return nil, err
			}
		}
		out = append(out, p)
	}
	return out, nil
}

// minute puts an instant on the scene's time, before now too.
func (s *scene) minute(t time.Time) plan.Time {
	d := t.Sub(s.now)
	m := d / time.Minute
	if d < 0 && d%time.Minute != 0 {
		m--
	}
	return plan.Time(min(max(m, -time.Duration(forecast.Beyond)), time.Duration(forecast.Beyond)))
}

func (s *scene) window(r hours.Range) plan.Window {
	return plan.Window{Start: s.minute(r.Start), End: s.minute(r.End)}
}

// place puts a job into the scene.
func (s *scene) place(p placing) {
	m := member{job: p.job, fixed: len(p.network.Steps) == 0}
	if m.fixed {
		s.placeReservation(p)
	} else {
		s.placeSteps(p, &m)
	}
	s.cast = append(s.cast, m)
}

// placeReservation gives each booking of a reservation a step of its own that
// lasts as long as the booking.
func (s *scene) placeReservation(p placing) {
	for _, b := range p.bookings {
		u, ok := s.unit[b.Ref]
		if !ok || !b.During.End.After(s.now) {
			continue
		}
		at := s.window(b.During)
		step := forecast.Step{
			Job: int32(len(s.cast)), Planned: at.End - at.Start, Place: at, Release: max(0, at.Start), Elapsed: true,
			Spread: forecast.Fixed(float64(at.End - at.Start)),
		}
		if at.Start <= 0 {
			step.Fact = forecast.Fact{Begun: true, Start: at.Start, Worked: -at.Start}
		}
		s.placed.Holds = append(s.placed.Holds, forecast.Hold{Unit: u, Steps: []int32{s.add(step, "", p.job.Reference, false)}})
	}
}

// add appends a step and gives its index.
func (s *scene) add(step forecast.Step, id, title string, drawn bool) int32 {
	s.placed.Steps = append(s.placed.Steps, step)
	s.ids, s.titles, s.drawn = append(s.ids, id), append(s.titles, title), append(s.drawn, drawn)
	return int32(len(s.ids) - 1)
}

// placeSteps places the steps of a network where the job has them.
func (s *scene) placeSteps(p placing, m *member) {
	at := map[string]hours.Range{}
	for _, st := range p.job.Steps {
		at[st.ID] = st.During
	}
	release := map[string]time.Time{}
	for _, part := range p.job.Parts {
		if part.State != site.PartExpected {
			continue
		}
		for _, id := range part.Steps {
			if part.Expected.After(release[id]) {
				release[id] = part.Expected
			}
		}
	}
	work := running.Work{Network: p.network, Record: p.record}
	index := make([]int32, len(p.network.Steps))
	for i, n := range p.network.Steps {
		spread, learned := s.pace.spread(n.ID, n.Step)
		step := forecast.Step{
			Job: int32(len(s.cast)), Spread: spread, Planned: plan.Time(n.Step.Estimate.Likely), Place: s.window(at[n.ID]),
			Release: max(0, s.minute(p.job.Planned.Start)),
			Elapsed: n.Step.Mode == procedure.Unattended, Unbroken: n.Step.Unbroken, StandIns: s.able(n.Step),
		}
		if there, waits := release[n.ID]; waits {
			step.Release = max(step.Release, s.minute(there))
		}
		s.happened(&step, n, work, len(p.record.Events) > 0)
		if !step.Fact.Done {
			m.open++
			if learned {
				m.learned++
			}
		}
		index[i] = s.add(step, n.ID, n.Step.Title, learned)
	}
	for _, a := range p.network.Arcs {
		s.placed.Arcs = append(s.placed.Arcs, plan.Arc{From: index[a.From], To: index[a.To], Lag: plan.Time(a.Lag), Joined: a.Joined})
	}
	s.hold(p, index)
}

// able lists the people who have all the skills that a step asks for.
func (s *scene) able(step procedure.Step) []int32 {
	var out []int32
	for i, ref := range s.refs {
		fit := ref.Kind == site.KindTechnician && step.Mode != procedure.Unattended
		for _, c := range step.Crew {
			fit = fit && hasAll(s.skills[int32(i)], c.Skills)
		}
		if fit {
			out = append(out, int32(i))
		}
	}
	return out
}

// happened notes what has happened of a step. Of a job of which nothing was
// recorded, the plan is taken to have gone as it stands.
func (s *scene) happened(step *forecast.Step, n procedure.NetStep, work running.Work, recorded bool) {
	switch {
	case !recorded && step.Place.End <= 0:
		step.Fact = forecast.Fact{Begun: true, Done: true, Start: step.Place.Start, End: step.Place.End}
	case !recorded && step.Place.Start < 0:
		step.Fact = forecast.Fact{Begun: true, Start: step.Place.Start, Worked: plan.Time(s.sinceStart(step))}
	case !recorded:
	case work.State(n.ID) == running.Waived:
		step.Fact = forecast.Fact{Begun: true, Done: true, Start: min(0, step.Place.Start), End: min(0, step.Place.Start)}
	default:
		c := work.Course(n.ID)
		switch {
		case !c.Finish.IsZero():
			step.Fact = forecast.Fact{Begun: true, Done: true, Start: s.minute(c.Start), End: min(0, s.minute(c.Finish))}
		case !c.Start.IsZero():
			step.Fact = forecast.Fact{Begun: true, Start: min(0, s.minute(c.Start)), Worked: plan.Time(s.shifts.worked(c, n.Step, s.now))}
		}
	}
}

// sinceStart is how many of its planned minutes a step has had that began as
// planned: the share of its place that has gone by.
func (s *scene) sinceStart(step *forecast.Step) float64 {
	length := step.Place.End - step.Place.Start
	if length <= 0 {
		return 0
	}
	if length == step.Planned {
		return float64(-step.Place.Start)
	}
	return float64(step.Planned) * float64(-step.Place.Start) / float64(length)
}

// hold gives a job the units that are booked for it: one hold for each unit and
// the steps that it serves.
func (s *scene) hold(p placing, index []int32) {
	number := map[string]int32{}
	for i, n := range p.network.Steps {
		number[n.ID] = index[i]
	}
	type key struct {
		unit  int32
		first int32
		many  int
	}
	seen := map[key]bool{}
	for _, b := range p.bookings {
		u, ok := s.unit[b.Ref]
		if !ok || len(b.Steps) == 0 {
			continue
		}
		h := forecast.Hold{Unit: u, Crew: b.Kind == site.KindTechnician}
		for _, id := range b.Steps {
			if i, ok := number[id]; ok {
				h.Steps = append(h.Steps, i)
			}
		}
		if len(h.Steps) == 0 {
			continue
		}
		k := key{u, h.Steps[0], len(h.Steps)}
		if !seen[k] {
			seen[k] = true
			s.placed.Holds = append(s.placed.Holds, h)
		}
	}
}

// instant is the time of a simulated minute; zero if it lies beyond what was
// looked at.
func (s *scene) instant(t plan.Time) time.Time {
	if t >= forecast.Beyond || t <= -forecast.Beyond {
		return time.Time{}
	}
	return s.now.Add(time.Duration(t) * time.Minute)
}

// find gives the place of a job in the cast.
func (s *scene) find(job int64) (int, error) {
	for i, m := range s.cast {
		if m.job.ID == job && job != 0 {
			if m.fixed {
				return 0, fault.New(fault.Precondition, "NO_STEPS", "job %d was not planned from procedures: it lasts as long as it was booked for", job)
			}
			return i, nil
		}
	}
	return 0, fault.New(fault.Precondition, "NOT_STANDING", "job %d is over: it was handed back, cancelled, or its time ran out", job)
}
