package board

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/torque"
	"bayhold/internal/workshop"
)

// record is what was done on a job in words, as both layouts print it.
type record struct {
	Workshop  string
	Job       int64
	Reference string
	Alerts    []string // what is not as it should be
	Head      []fact
	Steps     []recordStep
	Tools     []recordTool
	Safety    []string
}

// recordStep is what was recorded of one step, in the order of time.
type recordStep struct {
	Number    int
	Title, ID string
	State     string
	HoldPoint bool
	Lines     []recordLine
}

// recordLine is one thing that was recorded.
type recordLine struct {
	When, Who, What string
	Alert           bool // it is not as it should be, or was let pass
	at              time.Time
	id              int64 // among those of one kind and time
}

// recordTool is a tool with what it was used under.
type recordTool struct {
	Tag, Name string
	Notes     []string
}

var recordSafety = []string{
	"This is what was recorded, by whom and when. It does not certify: not the work, not a tool, not the vehicle.",
	"Nothing in it was changed afterwards: a correction stands beside what it corrects.",
	"The vehicle maker's data, local law and the judgement of a qualified technician come first.",
}

// recorder writes a record in words.
type recorder struct {
	writer
	names map[string]string
}

func newRecord(r workshop.JobRecord) record {
	w := recorder{writer{r.Zone, torque.NewtonMetre}, r.Names}
	if w.zone == nil {
		w.zone = time.UTC
	}
	out := record{
		Workshop: clean(r.Site.Name), Job: r.Job.ID, Reference: clean(r.Job.Reference), Head: w.facts(r), Safety: recordSafety,
	}
	for i, s := range r.Steps {
		step := w.step(r.Lines[i], s)
		out.Steps = append(out.Steps, step)
		for _, l := range step.Lines {
			if l.Alert {
				out.Alerts = append(out.Alerts, fmt.Sprintf("Step %d: %s", step.Number, l.What))
			}
		}
		if s.State == running.Finished && s.Unsigned > 0 {
			out.Alerts = append(out.Alerts, fmt.Sprintf("Step %d lacks %s.", step.Number, plural(s.Unsigned, "signature")))
		}
	}
	if r.Closing == nil {
		out.Alerts = slices.Insert(out.Alerts, 0, fmt.Sprintf("OPEN: %d of %d steps are done, and more may be recorded.", r.Done, len(r.Steps)))
	}
	for _, t := range r.Tools {
		out.Tools = append(out.Tools, w.tool(t))
	}
	return out
}

func (w recorder) facts(r workshop.JobRecord) []fact {
	out := []fact{
		{"Workshop", clean(r.Site.Name)}, {"Job", fmt.Sprint(r.Job.ID)}, {"Reference", clean(r.Job.Reference)}, {"Engine family", clean(r.Family)},
	}
	for _, p := range r.Procedures {
		out = append(out, fact{"Procedure", fmt.Sprintf("%s (%s, version %d)", clean(p.Title), clean(p.ID), p.Version)})
	}
	out = append(out, fact{"Bay", clean(r.Bay)}, fact{"In the bay", w.full(r.Job.Planned.Start) + " to " + w.full(r.Job.Planned.End)})
	if !r.Job.Promise.IsZero() {
		out = append(out, fact{"Promised", w.full(r.Job.Promise)})
	}
	if c := r.Closing; c != nil {
		text := w.full(c.At) + " by " + clean(c.Actor)
		if c.Note != "" {
			text += ": " + clean(c.Note)
		}
		out = append(out, fact{"Closed", text})
	}
	return append(out, fact{"Printed", fmt.Sprintf("%s (times of %s)", w.full(r.Printed), clean(w.zone.String()))})
}

// stateWords says where a step stands.
var stateWords = map[running.State]string{
	running.Open: "not begun", running.Running: "running", running.Paused: "paused", running.Finished: "done", running.Waived: "WAIVED",
}

func (w recorder) step(l workshop.SheetLine, s workshop.StepRecorded) recordStep {
	out := recordStep{Number: l.Number, Title: clean(l.Step.Title), ID: clean(s.ID), State: stateWords[s.State], HoldPoint: l.HoldPoint}
	add := func(e running.Entry, alert bool, format string, args ...any) {
		out.Lines = append(out.Lines, recordLine{When: w.when(e), Who: w.who(e), What: fmt.Sprintf(format, args...), Alert: alert, at: e.At, id: e.ID})
	}
	said := func(note string) string {
		if note = clean(note); note != "" {
			return ": " + note
		}
		return ""
	}
	acts := map[running.Act]string{running.Start: "begun", running.Pause: "paused", running.Resume: "gone on with", running.Finish: "finished"}
	for _, e := range s.Events {
		what := acts[e.Act]
		if e.Act == running.Start && e.Run > 1 {
			what = fmt.Sprintf("begun once more, run %d", e.Run)
		}
		add(e.Entry, false, "%s%s", what, said(e.Note))
	}
	for _, o := range s.Overrides {
		add(o.Entry, true, "LET PASS at its %s%s; against it stood: %s", strings.ToLower(string(o.Act)), said(o.Note), reasonsOf(o.Against))
	}
	for _, p := range s.Parts {
		text := fmt.Sprintf("%d × %s fitted, new", p.Quantity, clean(p.Part))
		if len(p.Fasteners) > 0 {
			text += fmt.Sprintf(", in place of fastener %s", ranges(p.Fasteners))
		}
		if p.Lot != "" {
			text += ", lot " + clean(p.Lot)
		}
		add(p.Entry, false, "%s", text)
	}
	for _, d := range s.Delays {
		add(d.Entry, false, "takes %s longer%s", minutes(d.Minutes), said(d.Note))
	}
	for _, g := range s.SignOffs {
		add(g.Entry, false, "signed%s", said(g.Note))
	}
	if v := s.Waiver; v != nil {
		add(v.Entry, true, "WAIVED, not done%s", said(v.Note))
	}
	for _, g := range alike(s.Readings, s.Corrected) {
		add(g[0].Entry, g[0].Outside() && s.Corrected[g[0].ID] == 0, "%s", w.reading(l, g, s.Corrected[g[0].ID])+said(g[0].Note))
	}
	slices.SortStableFunc(out.Lines, func(a, b recordLine) int { return a.at.Compare(b.at) })
	return out
}

func reasonsOf(list []running.Blocker) string {
	out := make([]string, 0, len(list))
	for _, b := range list {
		out = append(out, clean(b.Message))
	}
	return strings.Join(out, "; ")
}

// alike draws readings together that differ in nothing but their fastener.
func alike(list []running.Reading, corrected map[int64]int64) [][]running.Reading {
	var out [][]running.Reading
	for _, r := range list {
		if n := len(out); n > 0 {
			a := out[n-1][0]
			same := a.Kind == r.Kind && r.Kind != running.Check && a.Stage == r.Stage && a.Value == r.Value && a.Tool == r.Tool && a.Run == r.Run &&
				a.Attempt == r.Attempt && a.At.Equal(r.At) && a.Technician == r.Technician && a.Note == r.Note && a.Corrects == 0 && r.Corrects == 0 &&
				corrected[a.ID] == 0 && corrected[r.ID] == 0
			if same {
				out[n-1] = append(out[n-1], r)
				continue
			}
		}
		out = append(out, []running.Reading{r})
	}
	return out
}

// reading writes readings that are alike: "fasteners 1-4, stage 1: 45 N·m (43.2
// to 46.8 N·m), with TW-200-1 set to 45 N·m, certificate HM-4711".
func (w recorder) reading(l workshop.SheetLine, list []running.Reading, by int64) string {
	r := list[0]
	var b strings.Builder
	if r.Kind == running.Check {
		title := clean(r.CheckID)
		for _, c := range l.Step.Checks {
			if c.ID == r.CheckID {
				title = clean(c.Title)
			}
		}
		fmt.Fprintf(&b, "%s: %s", title, together(r.Words()))
	} else {
		numbers := make([]int, 0, len(list))
		for _, o := range list {
			numbers = append(numbers, o.Fastener)
		}
		word := "fastener"
		if len(list) > 1 {
			word = "fasteners"
		}
		fmt.Fprintf(&b, "%s %s, stage %d: %s", word, ranges(numbers), r.Stage, together(r.Words()))
		if r.Attempt > 1 {
			fmt.Fprintf(&b, ", on fastener number %d in this place", r.Attempt)
		}
	}
	if r.Outside() {
		b.WriteString(", OUTSIDE")
	}
	if r.Tool != "" {
		b.WriteString(", with " + clean(r.Tool))
		if r.Set > 0 {
			b.WriteString(" set to " + together(measureSet(w.unit, r.Set)))
		}
		if r.Certificate != "" {
			b.WriteString(", certificate " + clean(r.Certificate))
		}
	}
	fmt.Fprintf(&b, " [%d]", r.ID)
	if r.Corrects != 0 {
		fmt.Fprintf(&b, ", corrects [%d]", r.Corrects)
	}
	if by != 0 {
		fmt.Fprintf(&b, ", CORRECTED by [%d]", by)
	}
	return b.String()
}

// ranges writes ascending numbers with runs drawn together: "1-4, 7".
func ranges(list []int) string {
	list = slices.Sorted(slices.Values(list))
	var out []string
	for i := 0; i < len(list); {
		k := i
		for k+1 < len(list) && list[k+1] == list[k]+1 {
			k++
		}
		if k > i {
			out = append(out, fmt.Sprintf("%d-%d", list[i], list[k]))
		} else {
			out = append(out, fmt.Sprint(list[i]))
		}
		i = k + 1
	}
	return strings.Join(out, ", ")
}

// late is from when on the time of arrival is told beside the own time.
const late = 2 * time.Minute

func (w recorder) when(e running.Entry) string {
	out := w.full(e.At)
	if e.RecordedAt.Sub(e.At) >= late {
		out += " (came in " + w.time(e.RecordedAt) + ")"
	}
	return out
}

// who names the technician, and the user if that is somebody else.
func (w recorder) who(e running.Entry) string {
	name := clean(cmp.Or(w.names[e.Technician], e.Technician))
	switch {
	case name == "":
		return clean(e.Actor)
	case e.Actor == "" || e.Actor == e.Technician:
		return name
	}
	return name + " (by " + clean(e.Actor) + ")"
}

func (w recorder) tool(t workshop.ToolUsed) recordTool {
	out := recordTool{Tag: clean(t.Tag), Name: clean(t.Name)}
	for _, u := range t.Uses {
		text := plural(u.Readings, "reading") + ", " + w.full(u.First)
		if !u.Last.Equal(u.First) {
			text += " to " + w.full(u.Last)
		}
		switch {
		case u.Certificate != "":
			text += ", under certificate " + clean(u.Certificate)
			if u.Laboratory != "" {
				text += " of " + clean(u.Laboratory) + ", measured " + u.Day
			}
			if u.Document != "" {
				text += ", paper kept (SHA-256 " + u.Document + ")"
			}
		case u.CalibratedUntil.IsZero():
			text += ", without a calibration"
		default:
			text += ", without a certificate"
		}
		if !u.CalibratedUntil.IsZero() {
			text += ", in calibration until " + w.full(u.CalibratedUntil)
		}
		out.Notes = append(out.Notes, text)
	}
	for _, i := range t.Issues {
		text := "with " + clean(cmp.Or(w.names[i.Technician], i.Technician)) + " from " + w.full(i.IssuedAt)
		switch {
		case i.Open():
			text += ", still out"
		case i.Outcome == site.HandedOver:
			text += ", handed over " + w.full(i.ReturnedAt)
		default:
			text += ", returned " + w.full(i.ReturnedAt)
		}
		out.Notes = append(out.Notes, text)
	}
	return out
}

// text lays the record out for a monospaced page.
func (r record) text() string {
	p := &printer{}
	p.rule("=")
	title := fmt.Sprintf("RECORD OF JOB %d", r.Job)
	if r.Reference != "" {
		title += ", " + r.Reference
	}
	p.hang("", title, "")
	p.rule("=")
	for _, f := range r.Head {
		p.fact(0, f)
	}
	if len(r.Alerts) > 0 {
		p.line("")
		for _, a := range r.Alerts {
			p.hang("*** ", a, "***")
		}
	}
	p.heading("Steps")
	for _, s := range r.Steps {
		mark := s.State
		if s.HoldPoint {
			mark = "HOLD POINT, " + mark
		}
		p.hang(fmt.Sprintf("%3d. ", s.Number), s.Title+" ("+s.ID+")", mark)
		for _, l := range s.Lines {
			sign := "     "
			if l.Alert {
				sign = "  *  "
			}
			p.hang(sign, l.When+"  "+l.Who, "")
			p.hang("       ", l.What, "")
		}
	}
	p.heading("Tools")
	if len(r.Tools) == 0 {
		p.line("none")
	}
	for _, t := range r.Tools {
		p.hang(t.Tag+"  ", t.Name, "")
		for _, n := range t.Notes {
			p.hang("     ", n, "")
		}
	}
	p.heading("What this is")
	for _, s := range r.Safety {
		p.hang("- ", s, "")
	}
	return p.String()
}
