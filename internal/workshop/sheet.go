package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Sheet is what a technician works by, and what is signed.
type Sheet struct {
	Site       site.Site
	Zone       *time.Location // of every time on it
	Printed    time.Time
	Job        site.Job // its parts list too
	Family     string   // the engine family's name
	Bay        string
	Procedures []PlannedProcedure
	Lines      []SheetLine
	Spans      []SheetSpan // the tools to draw, by when they are wanted
}

// SheetLine is a step as it stands on a sheet.
type SheetLine struct {
	Number    int    // from 1
	Owner     string // title of the preparation or procedure it belongs to
	Step      procedure.Step
	During    hours.Range
	Cautions  []procedure.Caution // said before it
	People    []string            // names of technicians
	Tools     []string            // asset tags at hand
	Wrench    *SheetWrench        // nil if it tightens nothing
	Sign      int                 // how many sign it off
	HoldPoint bool
}

// SheetWrench is what a step's tightening is done with.
type SheetWrench struct {
	Tag  string // asset tag; empty if none of the step's tools tightens
	Name string
	// Set is what the tool is set to for each stage, in newton metres, an
	// adapter considered; 0 for angles.
	Set []float64
	// Driven says that the tool is a multiplier: Set is what drives it.
	Driven bool
}

// SheetSpan is a tool with the time for which it is booked.
type SheetSpan struct {
	Tag, Name, Home string
	During          hours.Range
}

// Sheet gives the sheet of a job, as it was planned. Precondition for a
// reservation, which has none.
func (w *Workshop) Sheet(ctx context.Context, slug string, id int64) (Sheet, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Sheet, error) {
		out := Sheet{Printed: w.Now()}
		var err error
		if out.Job, err = r.Job(ctx, id, w.Now()); err != nil {
			return out, err
		}
		net, err := r.Work(ctx, id)
		if err != nil {
			return out, err
		}
		if len(net.Steps) == 0 {
			return out, fault.New(fault.Precondition, "NO_STEPS", "job %d is a reservation: it has no steps and no sheet", id)
		}
		m, err := newSheetMaker(ctx, r, &out, net)
		if err != nil {
			return out, err
		}
		m.write()
		return out, nil
	})
}

// sheetMaker writes a sheet.
type sheetMaker struct {
	out      *Sheet
	net      procedure.Network
	bookings []site.Booking
	people   map[string]string // names by id
	tools    map[string]site.Tool
	types    map[string]site.ToolType
	owners   map[string]string // titles by id
}

func newSheetMaker(ctx context.Context, r store.Reader, out *Sheet, net procedure.Network) (*sheetMaker, error) {
	m := &sheetMaker{out: out, net: net, people: map[string]string{}, tools: map[string]site.Tool{}, owners: map[string]string{}}
	var err error
	if out.Site, err = r.Site(ctx); err != nil {
		return m, err
	}
	if out.Zone, err = time.LoadLocation(out.Site.TimeZone); err != nil {
		return m, err
	}
	if m.bookings, err = r.Bookings(ctx, store.BookingFilter{Job: out.Job.ID, Now: out.Printed, All: true}); err != nil {
		return m, err
	}
	technicians, err := r.Technicians(ctx, Page{})
	if err != nil {
		return m, err
	}
	for _, t := range technicians {
		m.people[t.ID] = t.Name
	}
	tools, err := r.Tools(ctx, Page{})
	if err != nil {
		return m, err
	}
	for _, t := range tools {
		m.tools[t.Tag] = t
	}
	if m.types, err = typesByID(ctx, r); err != nil {
		return m, err
	}
	return m, m.titles(ctx, r)
}

// titles reads the names of the family and of what the steps belong to.
func (m *sheetMaker) titles(ctx context.Context, r store.Reader) error {
	families, err := r.EngineFamilies(ctx, Page{})
	if err != nil {
		return err
	}
	for _, f := range families {
		if f.ID == m.out.Job.EngineFamily {
			m.out.Family = f.Name
		}
	}
	preparations, err := r.Preparations(ctx, Page{}, "")
	if err != nil {
		return err
	}
	for _, p := range preparations {
		m.owners[p.ID] = p.Title
	}
	for _, ref := range m.out.Job.Procedures {
		p, err := r.Procedure(ctx, ref.ID, ref.Version)
		if err != nil {
			return err
		}
		m.owners[p.ID] = p.Title
		m.out.Procedures = append(m.out.Procedures, PlannedProcedure{ref, p.Title})
	}
	return nil
}

func (m *sheetMaker) write() {
	at := make(map[string]int, len(m.net.Steps))
	for i, s := range m.net.Steps {
		at[s.ID] = i
	}
	for n, placed := range m.out.Job.Steps {
		i, ok := at[placed.ID]
		if !ok {
			continue // a job's steps are those of its network
		}
		m.out.Lines = append(m.out.Lines, m.line(n+1, i, placed))
	}
	for _, b := range m.bookings {
		switch b.Kind {
		case site.KindBay:
			m.out.Bay = b.Resource
		case site.KindTool:
			t := m.tools[b.Resource]
			m.out.Spans = append(m.out.Spans, SheetSpan{Tag: t.Tag, Name: m.types[t.Type].Name, Home: t.Home, During: b.During})
		}
	}
}

func (m *sheetMaker) line(number, i int, placed site.JobStep) SheetLine {
	step := m.net.Steps[i]
	out := SheetLine{
		Number: number, Owner: m.owners[step.Owner], Step: step.Step, During: placed.During, HoldPoint: step.Step.HoldPoint,
	}
	for _, c := range m.net.Cautions {
		if c.Step == i {
			out.Cautions = append(out.Cautions, c.Caution)
		}
	}
	for _, c := range step.Step.Crew {
		out.Sign += c.People
	}
	for _, b := range m.bookings {
		if !slices.Contains(b.Steps, step.ID) {
			continue
		}
		switch b.Kind {
		case site.KindTechnician:
			if name := m.people[b.Resource]; !slices.Contains(out.People, name) {
				out.People = append(out.People, name)
			}
		case site.KindTool:
			out.Tools = append(out.Tools, b.Resource)
		}
	}
	slices.Sort(out.People)
	slices.Sort(out.Tools)
	out.Wrench = m.wrench(out)
	return out
}

// wrench finds the tool among a step's that does its tightening, and what it is
// set to.
func (m *sheetMaker) wrench(l SheetLine) *SheetWrench {
	t := l.Step.Torque
	if t == nil {
		return nil
	}
	bear, measure := t.Range()
	need := procedure.ToolNeed{Purpose: string(site.Torque), Torque: bear, TorqueLow: measure}
	out := &SheetWrench{}
	for _, tag := range l.Tools {
		kind := m.types[m.tools[tag].Type]
		if kind.Purpose != site.Torque || !procedure.Fits(kind, need, m.net.Family) {
			continue
		}
		out.Tag, out.Name, out.Driven = tag, kind.Name, kind.Ratio > 0
		for _, s := range t.Stages {
			out.Set = append(out.Set, setFor(*t, kind, s.Torque))
		}
		break
	}
	return out
}

// setFor is what a tool is set to so that the fastener gets a torque.
func setFor(t procedure.Torque, kind site.ToolType, want float64) float64 {
	switch {
	case want == 0:
		return 0
	case kind.Ratio > 0:
		return want / kind.Ratio
	case t.Adapter != nil:
		if set, err := t.Adapter.Set(want, kind.Length); err == nil {
			return set
		}
	}
	return want
}
