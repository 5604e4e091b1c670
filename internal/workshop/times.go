package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// recordsFor is how far back records of steps count when nobody says.
const recordsFor = 2 * 365 * 24 * time.Hour

// done is one time that a step was done.
type done struct {
	job     int64
	start   time.Time
	minutes float64
}

// pace is what is known of how long the steps of a site take.
type pace struct {
	records map[string][]done // by "owner/step", in the order of their starts
	k       float64
	known   bool // k comes from the records
}

// readPace reads the records of steps since a time. Steps that are on no list
// have none.
func readPace(ctx context.Context, r store.Reader, steps map[string]procedure.Step, people []site.Technician, zone *time.Location, since time.Time) (pace, error) {
	ids := make([]string, 0, len(steps))
	for id := range steps {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	p := pace{records: map[string][]done{}, k: forecast.DefaultK}
	if len(ids) == 0 {
		return p, nil
	}
	events, err := r.EventsOfSteps(ctx, ids, since)
	if err != nil {
		return p, err
	}
	shifts := newShifts(people, zone)
	type run struct {
		job  int64
		step string
		run  int
	}
	var order []run
	by := map[run][]running.Event{}
	for _, e := range events {
		k := run{e.Job, e.Step, e.Run}
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], e.Event)
	}
	for _, k := range order {
		c := running.CourseOf(by[k], k.step, k.run)
		if c.Finish.IsZero() {
			continue
		}
		p.records[k.step] = append(p.records[k.step], done{k.job, c.Start, shifts.worked(c, steps[k.step], c.Finish)})
	}
	var all []forecast.Records
	for _, id := range ids {
		slices.SortStableFunc(p.records[id], func(a, b done) int { return a.start.Compare(b.start) })
		all = append(all, p.of(id, steps[id]))
	}
	p.k, p.known = forecast.Constant(all)
	return p, nil
}

// of gives the records of a step with its author's points.
func (p pace) of(id string, s procedure.Step) forecast.Records {
	r := forecast.Records{Points: forecast.Points{
		Low: float64(s.Estimate.Low), Likely: float64(s.Estimate.Likely), High: float64(s.Estimate.High),
	}}
	if s.Estimate.Low >= s.Estimate.High && s.Mode != procedure.Unattended {
		r.Points = forecast.Usual(r.Points.Likely)
	}
	for _, d := range p.records[id] {
		r.Minutes = append(r.Minutes, d.minutes)
	}
	return r
}

// spread is what a step is drawn from, and whether records have a part in it.
func (p pace) spread(id string, s procedure.Step) (forecast.Spread, bool) {
	r := p.of(id, s)
	return forecast.Learn(r, p.k).Spread, len(r.Minutes) > 0
}

// shifts tells working minutes of people.
type shifts struct {
	zone   *time.Location
	people map[string]site.Technician
}

func newShifts(people []site.Technician, zone *time.Location) shifts {
	s := shifts{zone: zone, people: map[string]site.Technician{}}
	for _, t := range people {
		s.people[t.ID] = t
	}
	return s
}

// worked is how many minutes have gone into a step until a time: of the shifts of
// the technician who began it, between pauses. An unattended step, and work
// outside any shift, counts as it went by.
func (s shifts) worked(c running.Course, step procedure.Step, until time.Time) float64 {
	sum := time.Duration(0)
	person, known := s.people[c.Technician]
	for _, r := range c.Worked {
		if r.End.IsZero() || r.End.After(until) {
			r.End = until
		}
		if r.Empty() {
			continue
		}
		took := r.Length()
		if known && step.Mode != procedure.Unattended {
			set := person.Shifts.Expand(s.zone, r.Start, r.End)
			var away []hours.Range
			for _, a := range person.Absences {
				away = append(away, a.During)
			}
			set = hours.Subtract(hours.Normalize(set), hours.Normalize(away))
			if in := hours.Working(set, r.Start, r.End); in > 0 {
				took = in
			}
		}
		sum += took
	}
	return sum.Minutes()
}

// StepTimes is what records say of a step of a procedure.
type StepTimes struct {
	Step     string
	Title    string
	Estimate procedure.Estimate
	forecast.Learned
	Records []TimeRecord // newest first
}

// TimeRecord is one time that a step was done.
type TimeRecord struct {
	Job     int64
	Start   time.Time
	Minutes float64
	Outlier bool
}

// Times is what records say of a procedure.
type Times struct {
	Steps []StepTimes
	K     float64
	Known bool // K comes from the records
}

// ProcedureTimes tells how long the steps of a procedure's newest issued version,
// and of the preparations that it needs, really take. What was learned goes into forecasts at once; plans keep to the
// procedure until a new version says otherwise.
func (w *Workshop) ProcedureTimes(ctx context.Context, slug, id string, since time.Time) (Times, error) {
	if since.IsZero() {
		since = w.Now().Add(-recordsFor)
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Times, error) {
		var out Times
		merged, err := merge(ctx, r, []site.ProcedureRef{{ID: id}})
		if err != nil {
			return out, err
		}
		own := map[string]procedure.Step{}
		for _, n := range merged.network.Steps {
			own[n.ID] = n.Step
		}
		learned, err := w.paceOf(ctx, r, own, since)
		if err != nil {
			return out, err
		}
		out.K, out.Known = learned.k, learned.known
		for _, n := range merged.network.Steps {
			out.Steps = append(out.Steps, learned.times(n.ID, n.Step))
		}
		return out, nil
	})
}

// times draws up what is known of a step.
func (p pace) times(id string, s procedure.Step) StepTimes {
	t := StepTimes{Step: id, Title: s.Title, Estimate: s.Estimate, Learned: forecast.Learn(p.of(id, s), p.k)}
	for i, d := range slices.Backward(p.records[id]) {
		t.Records = append(t.Records, TimeRecord{Job: d.job, Start: d.start, Minutes: d.minutes, Outlier: slices.Contains(t.Outliers, i)})
	}
	return t
}

// paceOf reads the records of steps with all that it takes. The constant is told
// from every step of the site's procedures, not from the few asked about.
func (w *Workshop) paceOf(ctx context.Context, r store.Reader, steps map[string]procedure.Step, since time.Time) (pace, error) {
	st, err := r.Site(ctx)
	if err != nil {
		return pace{}, err
	}
	zone, err := time.LoadLocation(st.TimeZone)
	if err != nil {
		return pace{}, fault.New(fault.Precondition, "TIME_ZONE", "the site's time zone %q is not known to this machine", st.TimeZone).Because(err)
	}
	people, err := r.Technicians(ctx, Page{})
	if err != nil {
		return pace{}, err
	}
	known, err := r.Procedures(ctx, Page{}, "")
	if err != nil {
		return pace{}, err
	}
	prepared, err := r.Preparations(ctx, Page{}, "")
	if err != nil {
		return pace{}, err
	}
	all := map[string]procedure.Step{}
	for _, p := range known {
		for _, s := range p.Steps {
			all[p.ID+"/"+s.ID] = s
		}
	}
	for _, p := range prepared {
		for _, s := range slices.Concat(p.SetUp, p.PutBack) {
			all[p.ID+"/"+s.ID] = s
		}
	}
	for id, s := range steps {
		all[id] = s
	}
	return readPace(ctx, r, all, people, zone, since)
}
