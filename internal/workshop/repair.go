package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// RepairQuestion says what went otherwise: a step that runs over, or a resource
// that cannot be had for a time. Without either it asks what breaks by what is
// recorded already: steps that began late, or have not ended when they should.
type RepairQuestion struct {
	Overrun *Overrun
	Outage  *Outage
	Horizon time.Time // zero: eight weeks from now
}

// Outage is a resource that cannot be had for a time.
type Outage struct {
	Ref
	During hours.Range
}

func (q *RepairQuestion) check(now time.Time) error {
	var fs fault.Fields
	if q.Overrun != nil && q.Outage != nil {
		fs.Add("event", "must be an overrun or an outage, or neither")
	}
	if o := q.Overrun; o != nil && (o.Extra < 1 || o.Extra > maxOverrun) {
		fs.Add("overrun.extra_minutes", "must be 1 to %d", maxOverrun)
	}
	if o := q.Outage; o != nil {
		checkRange(&fs, "outage.during", o.During.Start, o.During.End)
	}
	checkHorizon(&fs, minuteUp(now), &q.Horizon)
	return fs.Err("REPAIR", "the question cannot be answered")
}

// Repair is what breaks and how it could be mended.
type Repair struct {
	// Broken are the bookings that cannot stand, by start. Those of reservations,
	// which have no steps, are not mended by Jobs.
	Broken        []site.Booking
	Jobs          []ArrangedJob // that the repair touches, by start
	PromisesMoved int
	BookingsMoved int
	MinutesMoved  int64 // of the starts of steps, summed
}

// ProposeRepair tells what an overrun or an outage breaks among the jobs that
// stand, and the repair that moves the fewest promises, then the fewest
// bookings, then the fewest minutes. It writes nothing.
func (w *Workshop) ProposeRepair(ctx context.Context, slug string, q RepairQuestion) (Repair, error) {
	if err := q.check(w.Now()); err != nil {
		return Repair{}, err
	}
	var m *mender
	err := w.view(ctx, slug, func(ctx context.Context, r store.Reader) error {
		var err error
		m, err = w.newMender(ctx, r, q)
		return err
	})
	if err != nil {
		return Repair{}, err
	}
	if len(m.jobs) == 0 {
		return m.withReservations(Repair{}), nil
	}
	search, cancel := context.WithTimeout(ctx, 3*thinking)
	defer cancel()
	res, err := plan.Ripple(search, &m.fleet.problem, plan.RippleOptions{
		Standing: m.fleet.whole(m.standing), Now: m.fleet.ceil(w.Now()),
	})
	if err != nil {
		return Repair{}, err
	}
	return m.withReservations(m.tell(res)), nil
}

// mender holds the jobs that stand, as the planner sees them after the event.
type mender struct {
	fleet    *fleet
	jobs     []site.Job
	works    []work
	held     [][]site.Booking // of each job
	standing []*plan.Plan     // of each job
	lost     []site.Booking   // of reservations that the outage hits
}

func (w *Workshop) newMender(ctx context.Context, r store.Reader, q RepairQuestion) (*mender, error) {
	m := &mender{}
	now := w.Now()
	listed, err := r.Jobs(ctx, store.JobFilter{Now: now, During: hours.Range{Start: now, End: q.Horizon}})
	if err != nil {
		return nil, err
	}
	if listed, err = stillOpen(ctx, r, listed, now); err != nil {
		return nil, err
	}
	from := now.Truncate(time.Minute)
	var jobs []fleetJob
	for _, j := range listed {
		job, err := m.take(ctx, r, j, q, now)
		if err != nil {
			return nil, err
		}
		if job != nil {
			jobs = append(jobs, *job)
			if j.Planned.Start.Before(from) {
				from = j.Planned.Start
			}
		}
	}
	if err := m.concerned(ctx, r, q); err != nil {
		return nil, err
	}
	st, err := r.State(ctx, now, hours.Range{Start: from, End: q.Horizon}, nil)
	if err != nil {
		return nil, err
	}
	m.takeReservations(listed, st.Bookings, q.Outage, now)
	st.Bookings = slices.DeleteFunc(st.Bookings, func(b site.Booking) bool {
		return slices.ContainsFunc(m.jobs, func(j site.Job) bool { return j.ID == b.Job })
	})
	for _, j := range m.jobs {
		st.Issues = withoutJobs(st.Issues, j.ID)
	}
	y, err := newYard(st, from, q.Horizon)
	if err != nil {
		return nil, err
	}
	if o := q.Outage; o != nil {
		y.out(o)
	}
	if m.fleet, err = newFleet(y, jobs); err != nil {
		return nil, err
	}
	return m, m.stand(now, q.Outage)
}

// take reads a job that stands, with its steps as long as they take now; nil
// for a reservation, which stays where it is.
func (m *mender) take(ctx context.Context, r store.Reader, j site.Job, q RepairQuestion, now time.Time) (*fleetJob, error) {
	if len(j.Steps) == 0 {
		return nil, nil
	}
	net, err := networkOf(ctx, r, j)
	if err != nil {
		return nil, err
	}
	if o := q.Overrun; o != nil && o.Job == j.ID {
		if err := stretchStep(&net, *o); err != nil {
			return nil, err
		}
	}
	far, err := progressOf(ctx, r, j, now)
	if err != nil {
		return nil, err
	}
	known, err := planned(ctx, r, j)
	if err != nil {
		return nil, err
	}
	held, err := r.Bookings(ctx, store.BookingFilter{Job: j.ID, Now: j.Created})
	if err != nil {
		return nil, err
	}
	m.jobs, m.held = append(m.jobs, j), append(m.held, held)
	m.works = append(m.works, work{procedures: known, network: net})
	return &fleetJob{network: net, arrivals: arrivalsOf(j), release: j.Planned.Start, due: j.Promise, far: far}, nil
}

// takeReservations notes the reservations without steps that an outage hits.
func (m *mender) takeReservations(listed []site.Job, held []site.Booking, o *Outage, now time.Time) {
	for _, b := range held {
		if o == nil || (Ref{Kind: b.Kind, ID: b.Resource}) != o.Ref || !b.During.Overlaps(o.During) || !b.During.End.After(now) {
			continue
		}
		if slices.ContainsFunc(listed, func(j site.Job) bool { return j.ID == b.Job && len(j.Steps) == 0 }) {
			m.lost = append(m.lost, b)
		}
	}
}

// withReservations adds the bookings of reservations that the outage hits. No
// plan can move them: that is for people.
func (m *mender) withReservations(r Repair) Repair {
	r.Broken = append(r.Broken, m.lost...)
	slices.SortStableFunc(r.Broken, func(a, b site.Booking) int { return a.During.Start.Compare(b.During.Start) })
	return r
}

// concerned refuses a question about a job or a resource that is not there.
func (m *mender) concerned(ctx context.Context, r store.Reader, q RepairQuestion) error {
	if o := q.Overrun; o != nil && !slices.ContainsFunc(m.jobs, func(j site.Job) bool { return j.ID == o.Job }) {
		return fault.New(fault.Precondition, "NOT_STANDING", "job %d is not among the jobs with steps that stand from now on", o.Job)
	}
	if o := q.Outage; o != nil {
		var err error
		switch o.Kind {
		case site.KindBay:
			_, err = r.Bay(ctx, o.ID)
		case site.KindTechnician:
			_, err = r.Technician(ctx, o.ID)
		case site.KindTool:
			_, err = r.Tool(ctx, o.ID)
		}
		return err
	}
	return nil
}

// out takes a resource away for a time.
func (y *yard) out(o *Outage) {
	for i, ref := range y.refs {
		if ref == o.Ref {
			y.shut(int32(i), o.During, reason{kind: BlockerClosed, text: "the outage", until: o.During.End})
			slices.SortStableFunc(y.units[i].Shut, func(a, b plan.Blocked) int { return int(a.Start) - int(b.Start) })
		}
	}
}

// stand lays the jobs out where they stand, and freezes what has begun.
func (m *mender) stand(now time.Time, out *Outage) error {
	step := 0
	for i, z := range m.fleet.parts {
		placed, err := z.standing(m.jobs[i], m.held[i])
		if err != nil {
			return err
		}
		m.standing = append(m.standing, placed)
		for s, at := range placed.Steps {
			m.fleet.problem.Steps[step+s].Duration = z.problem.Steps[s].Duration // as long as it is left to stand
			if z.progress == nil && z.at(at.Start).Before(now) {
				m.fleet.problem.Steps[step+s].Frozen = true
				m.fleet.problem.Steps[step+s].At = at.Start
			}
		}
		step += len(placed.Steps)
	}
	for i, placed := range m.standing {
		m.release(i, placed, now)
	}
	m.fleet.problem.Units = m.fleet.units
	m.freezeUnits(out)
	return nil
}

// release lets a job hold no more what it gave back before its planned end:
// somebody else may have it by now.
func (m *mender) release(i int, placed *plan.Plan, now time.Time) {
	z := m.fleet.parts[i]
	for c, units := range placed.Units {
		if z.claims[c].kind != site.KindTool {
			continue
		}
		hold := z.rangeOf(z.problem.Hold(c, placed))
		for k, u := range units {
			at := slices.IndexFunc(m.held[i], func(b site.Booking) bool {
				return b.Kind == site.KindTool && b.Resource == z.refs[u].ID && b.During.Start.Equal(hold.Start) &&
					b.During.End.Before(hold.End) && !b.During.End.After(now)
			})
			if at >= 0 {
				m.held[i][at].During = hold
				units[k] = z.double(u)
			}
		}
		slices.Sort(units)
	}
}

// freezeUnits leaves those who serve what has begun where they are.
func (m *mender) freezeUnits(out *Outage) {
	standing := m.fleet.whole(m.standing)
	for c := range m.fleet.problem.Claims {
		claim := &m.fleet.problem.Claims[c]
		begun := slices.ContainsFunc(claim.Steps, func(s int32) bool { return m.fleet.problem.Steps[s].Frozen }) || m.inUse(claim) || m.manned(claim, standing.Units[c], out)
		if begun {
			claim.Eligible = standing.Units[c]
		}
	}
}

// inUse tells whether a claim is for what stays where a step has begun: its bay
// and its tools. Its people may be relieved.
func (m *mender) inUse(claim *plan.Claim) bool {
	first := int32(0)
	for _, z := range m.fleet.parts {
		steps := int32(len(z.problem.Steps))
		if s := claim.Steps[0]; s >= first && s < first+steps {
			return !claim.Crew && z.progress != nil && slices.ContainsFunc(claim.Steps, func(s int32) bool {
				return z.progress.begun(z.network.Steps[s-first].ID)
			})
		}
		first += steps
	}
	return false
}

// manned tells whether a claim is for the people of a step that runs, who go on
// with it unless one of them is out.
func (m *mender) manned(claim *plan.Claim, people []int32, out *Outage) bool {
	first := int32(0)
	for _, z := range m.fleet.parts {
		steps := int32(len(z.problem.Steps))
		if s := claim.Steps[0]; s >= first && s < first+steps {
			return claim.Crew && z.progress != nil && z.progress.work.State(z.network.Steps[s-first].ID) == running.Running &&
				!slices.ContainsFunc(people, func(u int32) bool { return out != nil && z.refs[u] == out.Ref })
		}
		first += steps
	}
	return false
}

// stillOpen leaves out jobs that are closed, and takes in those that have begun
// and should have been handed back by now.
func stillOpen(ctx context.Context, r store.Reader, listed []site.Job, now time.Time) ([]site.Job, error) {
	begun, err := r.OpenJobs(ctx)
	if err != nil {
		return nil, err
	}
	for _, id := range begun {
		if slices.ContainsFunc(listed, func(j site.Job) bool { return j.ID == id }) {
			continue
		}
		j, err := r.Job(ctx, id, now)
		if err != nil {
			return nil, err
		}
		listed = append(listed, j)
	}
	ids := make([]int64, 0, len(listed))
	for _, j := range listed {
		ids = append(ids, j.ID)
	}
	closed, err := r.JobsClosed(ctx, ids)
	return slices.DeleteFunc(listed, func(j site.Job) bool { return closed[j.ID] }), err
}

// standing reads a job and its bookings back into the planner's terms. It judges
// nothing: what has changed since is what a repair is for.
func (z *puzzle) standing(j site.Job, held []site.Booking) (*plan.Plan, error) {
	var p Plan
	for _, s := range j.Steps {
		p.Steps = append(p.Steps, PlannedStep{ID: s.ID, During: s.During})
	}
	for _, b := range held {
		p.Bookings = append(p.Bookings, PlannedBooking{Ref: Ref{Kind: b.Kind, ID: b.Resource}, During: b.During, Steps: b.Steps})
	}
	out, err := z.steps(p)
	if err != nil {
		return nil, err
	}
	if out.Units, err = z.serve(p.Bookings); err != nil {
		return nil, err
	}
	z.goOn(out, true)
	return out, nil
}

// tell says a repair in the words of the site.
func (m *mender) tell(res plan.Repair) Repair {
	out := Repair{PromisesMoved: len(res.Promises), MinutesMoved: res.Moved}
	if len(res.Broken) == 0 {
		return out
	}
	out.Broken = m.broken(res.Broken)
	for i, placed := range m.fleet.split(&res.Plan, res.Unplaced) {
		j := m.jobs[i]
		a := ArrangedJob{Job: j.ID, Reference: j.Reference, Planned: j.Planned, Promise: j.Promise, Moved: true}
		if placed != nil {
			p := m.fleet.parts[i].describe(placed, m.works[i].procedures)
			a.Plan = &p
			gone, more := difference(m.held[i], m.fleet.parts[i].past(m.held[i], m.fleet.parts[i].judgement(Order{}, p).bookings))
			if len(gone)+len(more) == 0 {
				continue
			}
			out.BookingsMoved += max(len(gone), len(more))
		}
		out.Jobs = append(out.Jobs, a)
	}
	return out
}

// broken gives the bookings that serve what no longer holds, by start.
func (m *mender) broken(list []plan.Violation) []site.Booking {
	var out []site.Booking
	seen := map[int64]bool{}
	step, claim := 0, 0
	for i, z := range m.fleet.parts {
		for _, v := range list {
			var ids []string
			switch {
			case v.Claim >= claim && v.Claim < claim+len(z.problem.Claims):
				for _, s := range z.problem.Claims[v.Claim-claim].Steps {
					ids = append(ids, z.network.Steps[s].ID)
				}
			case v.Claim < 0 && v.Step >= step && v.Step < step+len(z.problem.Steps):
				ids = []string{z.network.Steps[v.Step-step].ID}
			}
			for _, b := range m.held[i] {
				serves := slices.ContainsFunc(ids, func(id string) bool { return slices.Contains(b.Steps, id) })
				if v.Unit >= 0 && b.Resource != m.fleet.refs[v.Unit].ID {
					continue
				}
				if serves && !seen[b.ID] {
					seen[b.ID] = true
					out = append(out, b)
				}
			}
		}
		step, claim = step+len(z.problem.Steps), claim+len(z.problem.Claims)
	}
	slices.SortFunc(out, func(a, b site.Booking) int { return a.During.Start.Compare(b.During.Start) })
	return out
}
