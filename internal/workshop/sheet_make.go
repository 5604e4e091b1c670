package workshop

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/torque"
)

// sheetMaker writes a sheet.
type sheetMaker struct {
	out      *Sheet
	net      procedure.Network
	bookings []site.Booking
	people   map[string]string // names by id
	tools    map[string]site.Tool
	types    map[string]site.ToolType
	bays     map[string]string    // names by id
	owners   map[string]string    // titles by id
	parts    map[string]OwnerPart // of preparations' steps, by the id of the job's step
	numbers  map[int]int          // of lines, by the index of their step in the network
}

func newSheetMaker(ctx context.Context, r store.Reader, out *Sheet, net procedure.Network) (*sheetMaker, error) {
	m := &sheetMaker{
		out: out, net: net, people: map[string]string{}, tools: map[string]site.Tool{}, bays: map[string]string{},
		owners: map[string]string{}, parts: map[string]OwnerPart{}, numbers: map[int]int{},
	}
	var err error
	if out.Site, err = r.Site(ctx); err != nil {
		return m, err
	}
	if out.Zone, err = time.LoadLocation(out.Site.TimeZone); err != nil {
		return m, err
	}
	// A cancelled job's bookings are all cancelled: its sheet still shows them.
	filter := store.BookingFilter{Job: out.Job.ID, Now: out.Printed, All: out.Job.State == site.Cancelled}
	if m.bookings, err = r.Bookings(ctx, filter); err != nil {
		return m, err
	}
	bays, err := r.Bays(ctx, Page{})
	if err != nil {
		return m, err
	}
	for _, b := range bays {
		m.bays[b.ID] = b.Name
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
		for part, list := range map[OwnerPart][]procedure.Step{SetUp: p.SetUp, PutBack: p.PutBack} {
			for _, s := range list {
				m.parts[p.ID+"/"+s.ID] = part
			}
		}
	}
	m.out.Newest = make(map[string]int, len(m.out.Job.Procedures))
	for _, ref := range m.out.Job.Procedures {
		p, err := r.Procedure(ctx, ref.ID, ref.Version)
		if err != nil {
			return err
		}
		m.owners[p.ID] = p.Title
		m.out.Procedures = append(m.out.Procedures, PlannedProcedure{ref, p.Title})
		newest, err := r.IssuedProcedure(ctx, ref.ID)
		if err != nil && fault.KindOf(err) != fault.NotFound {
			return err
		}
		m.out.Newest[ref.ID] = newest.Version
	}
	return nil
}

func (m *sheetMaker) write() {
	at := make(map[string]int, len(m.net.Steps))
	for i, s := range m.net.Steps {
		at[s.ID] = i
	}
	for n, placed := range m.out.Job.Steps {
		if i, ok := at[placed.ID]; ok {
			m.numbers[i] = n + 1
		}
	}
	said := map[string]bool{}
	for n, placed := range m.out.Job.Steps {
		i, ok := at[placed.ID]
		if !ok {
			continue // a job's steps are those of its network
		}
		line := m.line(n+1, i, placed)
		line.Cautions = m.cautions(i, !said[m.net.Steps[i].Owner], placed.During.Start)
		said[m.net.Steps[i].Owner] = true
		m.out.Lines = append(m.out.Lines, line)
	}
	for _, b := range m.bookings {
		switch b.Kind {
		case site.KindBay:
			m.out.Bay = m.bays[b.Resource]
		case site.KindTool:
			t := m.tools[b.Resource]
			kind := m.types[t.Type]
			m.out.Spans = append(m.out.Spans, SheetSpan{
				Tag: t.Tag, Name: kind.Name, Home: t.Home, During: b.During, Pieces: kind.Pieces,
				Condition: t.Condition, Calibrated: kind.Calibrated, CalibratedUntil: t.CalibratedUntil,
			})
		}
	}
}

// cautions are what is said before a step that begins then, the most serious
// first: its own; its owner's if the step is the owner's first on the sheet, which
// need not be the first in the network; and one that names the locks, if the step
// turns the engine under power.
func (m *sheetMaker) cautions(step int, first bool, begins time.Time) []procedure.Caution {
	owner := m.net.Steps[step].Owner
	var out []procedure.Caution
	if m.net.Steps[step].Step.TurnsEngine {
		out = append(out, underPower(m.locks(begins)))
	}
	for _, c := range m.net.Cautions {
		own := c.From == "" && c.Step == step
		if (own || first && c.From == owner) && !slices.Contains(out, c.Caution) {
			out = append(out, c.Caution)
		}
	}
	ranks := procedure.Signals()
	slices.SortStableFunc(out, func(a, b procedure.Caution) int {
		return slices.Index(ranks, a.Signal) - slices.Index(ranks, b.Signal)
	})
	return out
}

// underPower is said before a step that cranks or runs the engine: a lock that is
// still fitted bends or breaks what it holds, and pieces fly (common practice).
func underPower(locks []string) procedure.Caution {
	text := "This step turns the engine under power: no locking tool may be on it."
	if len(locks) > 0 {
		text += " See that these are off, and count them: " + strings.Join(locks, ", ") + "."
	}
	return procedure.Caution{Signal: procedure.Warning, Code: procedure.LocksOut, Text: text}
}

// locks are the tags of the locking tools that may have been fitted by then.
func (m *sheetMaker) locks(by time.Time) []string {
	var out []string
	for _, b := range m.bookings {
		if b.Kind == site.KindTool && m.types[m.tools[b.Resource].Type].Purpose == site.Locking && b.During.Start.Before(by) {
			out = append(out, b.Resource)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (m *sheetMaker) line(number, i int, placed site.JobStep) SheetLine {
	step := m.net.Steps[i]
	out := SheetLine{
		Number: number, ID: step.ID, Owner: cmp.Or(m.owners[step.Owner], step.Owner), Part: m.parts[step.ID],
		Step: step.Step, During: placed.During, HoldPoint: step.Step.HoldPoint,
	}
	for _, a := range m.net.Arcs {
		if a.From == i && a.Joined {
			out.JoinedTo = m.numbers[a.To]
		}
	}
	for _, c := range step.Step.Crew {
		out.Sign += c.People
	}
	var who []string
	for _, b := range m.bookings {
		if !slices.Contains(b.Steps, step.ID) {
			continue
		}
		switch b.Kind {
		case site.KindTechnician:
			if !slices.Contains(who, b.Resource) { // one booking for each stretch of a step
				who = append(who, b.Resource)
				out.People = append(out.People, m.people[b.Resource])
			}
		case site.KindTool:
			if !slices.Contains(out.Tools, b.Resource) {
				out.Tools = append(out.Tools, b.Resource)
			}
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
	for _, tag := range l.Tools {
		kind := m.types[m.tools[tag].Type]
		if kind.Purpose != site.Torque || !procedure.Fits(kind, need, m.net.Family) {
			continue
		}
		out := &SheetWrench{Tag: tag, Name: kind.Name, Driven: kind.Ratio > 0, Ratio: kind.Ratio}
		out.Set, out.Problem = settings(*t, kind)
		return out
	}
	out := &SheetWrench{}
	if bear > 0 {
		out.Problem = "no tool that is booked for the step covers all its stages"
	}
	return out
}

// settings tells what a tool is set to so that the fasteners get the torque of
// each stage, or why that cannot be told.
func settings(t procedure.Torque, kind site.ToolType) (set []float64, problem string) {
	if kind.Ratio > 0 {
		if t.Adapter != nil {
			return nil, "a multiplier reacts on its foot: it takes no adapter"
		}
		for _, s := range t.Stages {
			set = append(set, s.Torque/kind.Ratio)
		}
		return set, ""
	}
	tool := torque.Tool{
		ID: kind.ID, Min: kind.TorqueMin, Max: kind.TorqueMax, Resolution: kind.Resolution, Length: kind.Length,
	}
	choices, refusals := torque.Choose([]torque.Tool{tool}, nil, torque.Need{
		Stages: t.Stages, Peak: t.Peak, Tolerance: t.Tolerance, Adapter: t.Adapter,
	})
	if len(choices) == 0 {
		return nil, refusals[0].Why
	}
	return choices[0].Set, ""
}
