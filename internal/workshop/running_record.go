package workshop

import (
	"context"
	"slices"
	"strings"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/torque"
)

// JobRecord is what was done on a job, complete enough to answer for it years
// later: who did what when, with which tool under which certificate.
type JobRecord struct {
	Sheet // the job as it was planned, its steps by planned start
	// Steps is what was recorded, in the order of Lines.
	Steps []StepRecorded
	Tools []ToolUsed // by tag
	// Names gives the names of technicians by their slugs.
	Names   map[string]string
	Closing *running.Closing // nil while the job is open
	// Done is how many of its steps are finished or waived.
	Done int
}

// StepRecorded is what was recorded of a step, in the order in which it came in.
type StepRecorded struct {
	ID         string
	State      running.State
	Unsigned   int // how many signatures it lacks
	Events     []running.Event
	SignOffs   []running.SignOff
	Readings   []running.Reading
	Parts      []running.PartUsed
	Overrides  []running.Override
	Delays     []running.Delay
	Waiver     *running.Waiver // nil if it was not waived
	Corrected  map[int64]int64 // readings that gave way, with those that took their place
	Interrupts []int           // fasteners that wait for new ones
}

// ToolUsed is a tool that was drawn for the job, or measured at it.
type ToolUsed struct {
	Tag, Name string
	Uses      []ToolUse // with each certificate, the earliest first
	Issues    []site.Issue
}

// ToolUse is what a tool's calibration was when it was used.
type ToolUse struct {
	First, Last     time.Time
	Readings        int
	Certificate     string // empty: none was needed, or none was known
	Laboratory      string
	Day             string // of the measurement, YYYY-MM-DD
	CalibratedUntil time.Time
	Document        string // SHA-256 of the paper; empty if none is kept
}

// JobRecord reads the record of a job.
func (w *Workshop) JobRecord(ctx context.Context, slug string, id int64) (JobRecord, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (JobRecord, error) {
		out := JobRecord{Names: map[string]string{}}
		out.Printed, out.Unit = w.Now(), torque.NewtonMetre
		var err error
		if out.Job, err = r.Job(ctx, id, w.Now()); err != nil {
			return out, err
		}
		b, err := w.bench(ctx, r, out.Job, w.Now())
		if err != nil {
			return out, err
		}
		m, err := newSheetMaker(ctx, r, &out.Sheet, b.Network)
		if err != nil {
			return out, err
		}
		m.write()
		for id, t := range b.scene.Technicians {
			out.Names[id] = t.Name
		}
		out.Closing = b.Record.Closing
		for _, l := range out.Lines {
			s := b.stepRecorded(l.ID)
			if s.State == running.Finished || s.State == running.Waived {
				out.Done++
			}
			out.Steps = append(out.Steps, s)
		}
		out.Tools, err = b.toolsUsed(ctx, r)
		return out, err
	})
}

// stepRecorded gathers what was recorded of a step.
func (b *bench) stepRecorded(step string) StepRecorded {
	out := StepRecorded{
		ID: step, State: b.State(step), Unsigned: b.Unsigned(step), Corrected: map[int64]int64{}, Interrupts: b.Interrupted(step),
		Events:    of(step, b.Record.Events, func(v running.Event) string { return v.Step }),
		SignOffs:  of(step, b.Record.SignOffs, func(v running.SignOff) string { return v.Step }),
		Readings:  of(step, b.Record.Readings, func(v running.Reading) string { return v.Step }),
		Parts:     of(step, b.Record.Parts, func(v running.PartUsed) string { return v.Step }),
		Overrides: of(step, b.Record.Overrides, func(v running.Override) string { return v.Step }),
		Delays:    of(step, b.Record.Delays, func(v running.Delay) string { return v.Step }),
	}
	for _, r := range out.Readings {
		if r.Corrects != 0 {
			out.Corrected[r.Corrects] = r.ID
		}
	}
	for _, v := range b.Record.Waivers {
		if v.Step == step {
			out.Waiver = &v
		}
	}
	return out
}

// of picks what belongs to a step.
func of[T any](step string, list []T, id func(T) string) []T {
	return slices.DeleteFunc(slices.Clone(list), func(v T) bool { return id(v) != step })
}

// toolsUsed tells which tools were drawn for the job or measured at it, and
// under which certificates.
func (b *bench) toolsUsed(ctx context.Context, r store.Reader) ([]ToolUsed, error) {
	issues, err := r.Issues(ctx, store.IssueFilter{Job: b.job.ID})
	if err != nil {
		return nil, err
	}
	used := map[string]*ToolUsed{}
	tool := func(tag string) *ToolUsed {
		if used[tag] == nil {
			used[tag] = &ToolUsed{Tag: tag, Name: b.scene.Tools[tag].Type.Name}
		}
		return used[tag]
	}
	slices.Reverse(issues) // the earliest first
	for _, i := range issues {
		t := tool(i.Tool)
		t.Issues = append(t.Issues, i)
	}
	for _, v := range b.Record.Readings {
		if v.Tool != "" {
			tool(v.Tool).use(v)
		}
	}
	out := make([]ToolUsed, 0, len(used))
	for _, t := range used {
		out = append(out, *t)
	}
	slices.SortFunc(out, func(x, y ToolUsed) int { return strings.Compare(x.Tag, y.Tag) })
	return out, certify(ctx, r, out)
}

// use counts a reading under the certificate that held then.
func (t *ToolUsed) use(v running.Reading) {
	at := slices.IndexFunc(t.Uses, func(u ToolUse) bool {
		return u.Certificate == v.Certificate && u.CalibratedUntil.Equal(v.CalibratedUntil)
	})
	if at < 0 {
		t.Uses = append(t.Uses, ToolUse{First: v.At, Last: v.At, Certificate: v.Certificate, CalibratedUntil: v.CalibratedUntil})
		at = len(t.Uses) - 1
	}
	u := &t.Uses[at]
	u.Readings++
	if v.At.Before(u.First) {
		u.First = v.At
	}
	if v.At.After(u.Last) {
		u.Last = v.At
	}
}

// certify fills in whose certificates they are.
func certify(ctx context.Context, r store.Reader, tools []ToolUsed) error {
	tags := make([]string, 0, len(tools))
	for _, t := range tools {
		tags = append(tags, t.Tag)
	}
	list, err := r.Certificates(ctx, store.CertificateFilter{Tools: tags})
	if err != nil {
		return err
	}
	for i := range tools {
		for k := range tools[i].Uses {
			u := &tools[i].Uses[k]
			for _, c := range list {
				if c.Tool == tools[i].Tag && c.Certificate.Number == u.Certificate && u.Certificate != "" {
					u.Laboratory, u.Day, u.Document = c.Certificate.Laboratory, c.Certificate.Date.String(), c.DocumentHash
				}
			}
		}
	}
	return nil
}

// certificates tells under which certificate each of these readings' tools was
// in calibration when it was used, as it is known now.
func (b *bench) certificates(ctx context.Context, r store.Reader, list []running.Reading, now time.Time) error {
	var tags []string
	for _, v := range list {
		if v.Tool != "" && !slices.Contains(tags, v.Tool) {
			tags = append(tags, v.Tool)
		}
	}
	if len(tags) == 0 {
		return nil
	}
	known, err := readRecords(ctx, r, now, tags)
	if err != nil {
		return err
	}
	for i := range list {
		v := &list[i]
		t := b.scene.Tools[v.Tool]
		if v.Tool == "" || !t.Type.Calibrated || v.Certificate != "" {
			continue
		}
		v.Certificate = calibration.DueAt(known.history(v.Tool, t.Type), measured(t.Tool, t.Type), known.first(v.Tool, t.Type), known.zone, v.At).Certificate
	}
	return nil
}
