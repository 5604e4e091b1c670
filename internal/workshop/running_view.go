package workshop

import (
	"context"
	"slices"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// StepView is a step as the one who does it wants to see it.
type StepView struct {
	Zone *time.Location
	Job  site.Job
	Bay  string // name
	Line SheetLine
	// Set is what the booked wrench is set to for each stage, in Line.Wrench.
	State    running.State
	Run      int
	Course   running.Course
	Signs    []running.SignOff
	Unsigned int
	Readings []running.Reading // of the last run, those that were corrected too
	Parts    []running.PartUsed
	Tools    []ToolPlace
	// Interrupted are fasteners that must be replaced.
	Interrupted []int
	// Against is what stands against the next thing to do: beginning it, or,
	// once it runs, finishing it.
	Against []running.Blocker
}

// ToolPlace is a tool of a step with where it is.
type ToolPlace struct {
	Tag, Name       string
	Home            string
	With            string // technician who has it; empty if it is in its place
	Job             int64  // that it is issued for
	Bay             string // that it is issued for
	Calibrated      bool   // whether it must be in calibration
	CalibratedUntil time.Time
	Condition       site.Condition
}

// toolPlaces tells where the tools of a step are.
func (b *bench) toolPlaces(step string) []ToolPlace {
	var out []ToolPlace
	for _, tag := range b.scene.Booked[step] {
		t := b.scene.Tools[tag]
		p := ToolPlace{
			Tag: tag, Name: t.Type.Name, Home: t.Home, Calibrated: t.Type.Calibrated, CalibratedUntil: t.CalibratedUntil, Condition: t.Condition,
		}
		if t.Issue != nil {
			p.With, p.Job, p.Bay = t.Issue.Technician, t.Issue.Job, t.Issue.Bay
		}
		out = append(out, p)
	}
	slices.SortFunc(out, func(x, y ToolPlace) int { return strings.Compare(x.Tag, y.Tag) })
	return out
}

// Step tells all about one step of a job. technician may be empty.
func (w *Workshop) Step(ctx context.Context, slug string, id int64, word, technician string) (StepView, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (StepView, error) {
		var out StepView
		job, err := r.Job(ctx, id, w.Now())
		if err != nil {
			return out, err
		}
		b, err := w.bench(ctx, r, job, w.Now())
		if err != nil {
			return out, err
		}
		step, err := b.step(word)
		if err != nil {
			return out, err
		}
		sheet := Sheet{Printed: w.Now(), Job: job}
		m, err := newSheetMaker(ctx, r, &sheet, b.Network)
		if err != nil {
			return out, err
		}
		m.write()
		i := b.Index(step)
		at := slices.IndexFunc(sheet.Lines, func(l SheetLine) bool { return l.ID == step })
		if at < 0 {
			return out, fault.New(fault.Internal, "STEP", "step %s has no place in its job", step)
		}
		out = StepView{
			Zone: sheet.Zone, Job: job, Bay: sheet.Bay, Line: sheet.Lines[at], State: b.State(step), Run: b.Run(step),
			Course: b.Course(step), Signs: b.Signatures(step), Unsigned: b.Unsigned(step), Tools: b.toolPlaces(step), Interrupted: b.Interrupted(step),
		}
		// Whoever looks at one step sees what holds for all of its owner's.
		out.Line.Cautions = m.cautions(i, true, out.Line.During.Start)
		for _, v := range b.Record.Readings {
			if v.Step == step && v.Run == out.Run {
				out.Readings = append(out.Readings, v)
			}
		}
		for _, v := range b.Record.Parts {
			if v.Step == step && v.Run == out.Run {
				out.Parts = append(out.Parts, v)
			}
		}
		switch out.State {
		case running.Running:
			out.Against = b.MayFinish(step)
		case running.Open, running.Paused:
			out.Against = b.MayStart(step, technician, w.Now(), b.scene)
		}
		return out, nil
	})
}

// DayStep is a step of somebody's day.
type DayStep struct {
	Job       int64
	Reference string
	Step      string
	Title     string
	During    hours.Range // when it is to be done, pauses included
	State     running.State
	Bay       string   // slug
	Partners  []string // names of the others at it
	Tools     []ToolPlace
	Parts     []site.JobPart // that it uses up
	HoldPoint bool
	Minutes   int // as estimated
	// Against is what stands against beginning it now, tools that are still to
	// be drawn left out: those are in Tools.
	Against []running.Blocker
}

// Day is what somebody has to do on a day.
type Day struct {
	Zone       *time.Location
	Technician site.Technician
	Date       hours.Date
	Shift      []hours.Range // when they work
	Steps      []DayStep     // in order: what runs first
}

// Day tells a technician's day: the steps that are booked for them on it, and
// those that they have begun and not ended, over all jobs.
func (w *Workshop) Day(ctx context.Context, slug, technician string, date hours.Date) (Day, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Day, error) {
		var out Day
		s, err := r.Site(ctx)
		if err != nil {
			return out, err
		}
		if out.Zone, err = time.LoadLocation(s.TimeZone); err != nil {
			return out, err
		}
		if out.Technician, err = r.Technician(ctx, technician); err != nil {
			return out, err
		}
		now := w.Now()
		out.Date = date
		if date == (hours.Date{}) {
			out.Date = hours.DateOf(now, out.Zone)
		}
		day := hours.Range{Start: out.Date.At(0, out.Zone), End: out.Date.AddDays(1).At(0, out.Zone)}
		out.Shift = hours.Subtract(out.Technician.Shifts.Expand(out.Zone, day.Start, day.End), absences(out.Technician))
		wanted, err := wantedOn(ctx, r, technician, day, now)
		if err != nil {
			return out, err
		}
		for _, id := range sortedKeys(wanted) {
			if err := w.dayOf(ctx, r, &out, id, wanted[id], technician); err != nil {
				return out, err
			}
		}
		slices.SortStableFunc(out.Steps, func(a, b DayStep) int {
			if x, y := inHand(a.State), inHand(b.State); x != y {
				return x - y
			}
			return a.During.Start.Compare(b.During.Start)
		})
		return out, nil
	})
}

// inHand puts what runs first.
func inHand(s running.State) int {
	if s == running.Running || s == running.Paused {
		return 0
	}
	return 1
}

func absences(t site.Technician) []hours.Range {
	var out []hours.Range
	for _, a := range t.Absences {
		out = append(out, a.During)
	}
	return hours.Normalize(out)
}

func sortedKeys(m map[int64][]string) []int64 {
	out := make([]int64, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// wantedOn gives the steps of each job that are booked for a technician on a
// day, or that they work on.
func wantedOn(ctx context.Context, r store.Reader, technician string, day hours.Range, now time.Time) (map[int64][]string, error) {
	out := map[int64][]string{}
	add := func(job int64, step string) {
		if !slices.Contains(out[job], step) {
			out[job] = append(out[job], step)
		}
	}
	booked, err := r.Bookings(ctx, store.BookingFilter{Now: now, During: day, Refs: []Ref{{Kind: site.KindTechnician, ID: technician}}})
	if err != nil {
		return nil, err
	}
	for _, b := range booked {
		for _, step := range b.Steps {
			add(b.Job, step)
		}
	}
	busy, err := r.RunningSteps(ctx, technician)
	for _, s := range busy {
		add(s.Job, s.Step)
	}
	return out, err
}

// dayOf adds the steps of one job.
func (w *Workshop) dayOf(ctx context.Context, r store.Reader, out *Day, id int64, steps []string, technician string) error {
	job, err := r.Job(ctx, id, w.Now())
	if err != nil {
		return err
	}
	b, err := w.bench(ctx, r, job, w.Now())
	if err != nil {
		return err
	}
	for _, step := range steps {
		i := b.Index(step)
		if i < 0 {
			continue
		}
		s := b.Network.Steps[i].Step
		d := DayStep{
			Job: id, Reference: job.Reference, Step: step, Title: s.Title, During: b.place(step), State: b.State(step), Bay: b.scene.Bay,
			Tools: b.toolPlaces(step), HoldPoint: s.HoldPoint, Minutes: s.Estimate.Likely, Partners: b.partners(step, technician),
		}
		for _, p := range job.Parts {
			if slices.Contains(p.Steps, step) {
				d.Parts = append(d.Parts, p)
			}
		}
		if d.State == running.Open || d.State == running.Paused {
			d.Against = slices.DeleteFunc(b.MayStart(step, technician, w.Now(), b.scene), func(k running.Blocker) bool {
				return k.Kind == running.ToolNotIssued || k.Kind == running.ToolElsewhere
			})
		}
		out.Steps = append(out.Steps, d)
	}
	return nil
}

// partners are the names of the others who are booked for a step.
func (b *bench) partners(step, technician string) []string {
	var out []string
	for _, k := range b.bookings {
		name := b.scene.Technicians[k.Resource].Name
		if k.Kind == site.KindTechnician && k.Resource != technician && slices.Contains(k.Steps, step) && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}
