package board

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// sheet is a job sheet in words, as both layouts print it.
type sheet struct {
	Workshop  string
	Job       int64
	Reference string   // empty if it has none
	Alerts    []string // what must be known before anything else
	Head      []fact
	Tools     []tool
	Parts     []part
	Days      []day
	Safety    []string
	Signals   []caution // what the signal words mean
}

// fact is a value with its name.
type fact struct{ Name, Value string }

// tool is a piece to draw.
type tool struct {
	Tag, Name, Home string
	When            []string // each time for which it is booked
	Notes           []string // what it is counted by, its calibration
	Alerts          []string // why not to use it as it is
}

// part is a line of the parts list.
type part struct {
	Title, ID   string
	Need, Steps string
	State       string
	Alert       string // empty if it comes in time
}

// day holds the steps that begin on one day.
type day struct {
	Title  string
	Groups []group
}

// group holds steps in a row that belong to one preparation or procedure.
type group struct {
	Title string
	Steps []step
}

// safety closes every sheet.
var safety = []string{
	"The vehicle maker's data, local law and the judgement of a qualified technician come first. Where they differ from this sheet, follow them.",
	"This sheet plans and records. It does not certify: not the work, not a tool, not the vehicle.",
	"Figures shipped with the demo workshop are invented. Do not tighten, set or measure anything by them.",
}

// signals says what the signal words mean (ANSI Z535.4 and Z535.6, from memory).
var signals = []caution{
	newCaution("DANGER", "death or serious injury, if it is not avoided."),
	newCaution("WARNING", "death or serious injury is possible."),
	newCaution("CAUTION", "a minor or moderate injury is possible."),
	newCaution("NOTICE", "damage is possible, not injury."),
}

// newSheet puts a sheet into words.
func newSheet(s workshop.Sheet) sheet {
	w := writer{s.Zone, s.Unit}
	if w.zone == nil {
		w.zone = time.UTC
	}
	out := sheet{
		Workshop: clean(s.Site.Name), Job: s.Job.ID, Reference: clean(s.Job.Reference),
		Alerts: w.alerts(s), Head: w.head(s), Tools: w.tools(s.Spans), Days: w.days(s.Lines),
		Safety: safety, Signals: signals,
	}
	for _, p := range s.Job.Parts {
		out.Parts = append(out.Parts, w.part(p, s.Lines))
	}
	return out
}

func (w writer) alerts(s workshop.Sheet) []string {
	var out []string
	switch s.Job.State {
	case site.Confirmed:
	case site.Tentative:
		text := "TENTATIVE: this job is not confirmed."
		if !s.Job.ExpiresAt.IsZero() {
			text += " It lapses " + w.full(s.Job.ExpiresAt) + "."
		}
		out = append(out, text)
	case site.Cancelled:
		out = append(out, "CANCELLED: do not work by this sheet.")
	default:
		out = append(out, clean(string(s.Job.State)))
	}
	for _, p := range s.Procedures {
		switch newest, known := s.Newest[p.ID]; {
		case !known || newest == p.Version:
		case newest == 0:
			out = append(out, fmt.Sprintf("WITHDRAWN: no version of %q is in force any more. Ask before you begin.", clean(p.Title)))
		case newest > p.Version:
			out = append(out, fmt.Sprintf("NEWER VERSION: %q is planned with version %d; version %d has been issued since. Ask before you begin.",
				clean(p.Title), p.Version, newest))
		default:
			out = append(out, fmt.Sprintf("WITHDRAWN: %q is planned with version %d; version %d is in force. Ask before you begin.",
				clean(p.Title), p.Version, newest))
		}
	}
	return out
}

func (w writer) head(s workshop.Sheet) []fact {
	job := s.Job
	out := []fact{
		{"Workshop", clean(s.Site.Name)},
		{"Job", fmt.Sprintf("%d", job.ID)},
		{"Reference", clean(job.Reference)},
		{"Engine family", clean(s.Family)},
	}
	for _, p := range s.Procedures {
		out = append(out, fact{"Procedure", fmt.Sprintf("%s (%s, version %d)", clean(p.Title), clean(p.ID), p.Version)})
	}
	out = append(out,
		fact{"Bay", clean(s.Bay)},
		fact{"Start", w.full(job.Planned.Start)},
		fact{"Hand-back", w.full(job.Planned.End)})
	if !job.Promise.IsZero() {
		out = append(out, fact{"Promised", w.full(job.Promise)})
	}
	if job.Note != "" {
		out = append(out, fact{"Note", clean(job.Note)})
	}
	return append(out, fact{"Printed", fmt.Sprintf("%s (times of %s)", w.full(s.Printed), clean(w.zone.String()))})
}

// tools lists each tool once, by when it is wanted first.
func (w writer) tools(spans []workshop.SheetSpan) []tool {
	var out []tool
	for i, s := range spans {
		same := func(other workshop.SheetSpan) bool { return other.Tag == s.Tag }
		if slices.ContainsFunc(spans[:i], same) {
			continue
		}
		t := tool{Tag: clean(s.Tag), Name: clean(s.Name), Home: cmp.Or(clean(s.Home), "not said")}
		end := s.During.End
		for _, other := range spans[i:] {
			if same(other) {
				t.When = append(t.When, w.span(other.During))
				end = other.During.End
			}
		}
		t.Notes, t.Alerts = w.standing(s, end)
		out = append(out, t)
	}
	return out
}

// standing tells what a tool is counted by and how its calibration stands up to
// the end of its last booking.
func (w writer) standing(s workshop.SheetSpan, end time.Time) (notes, alerts []string) {
	if len(s.Pieces) > 0 {
		pieces := make([]string, len(s.Pieces))
		for i, p := range s.Pieces {
			pieces[i] = fmt.Sprintf("%d × %s", p.Count, clean(p.Name))
		}
		notes = append(notes, "count "+strings.Join(pieces, ", "))
	}
	if s.Condition != site.Serviceable {
		alerts = append(alerts, fmt.Sprintf("%s when this was printed: ask before you draw it", clean(string(s.Condition))))
	}
	switch {
	case !s.Calibrated:
	case s.CalibratedUntil.IsZero():
		alerts = append(alerts, "NO CALIBRATION: do not use it")
	case s.CalibratedUntil.Before(end):
		alerts = append(alerts, "CALIBRATION ENDS "+w.full(s.CalibratedUntil)+": do not use it from then on")
	default:
		notes = append(notes, "calibrated until "+w.full(s.CalibratedUntil))
	}
	return notes, alerts
}

func (w writer) part(p site.JobPart, lines []workshop.SheetLine) part {
	out := part{Title: clean(p.Title), ID: clean(p.ID), State: "nothing said"}
	var needs []string
	if p.Quantity > 0 {
		needs = append(needs, fmt.Sprintf("%d, single use", p.Quantity))
	}
	if p.IfWorn > 0 {
		needs = append(needs, fmt.Sprintf("%d if worn", p.IfWorn))
	}
	out.Need = strings.Join(needs, "; ")
	switch p.State {
	case site.PartHere:
		out.State = "here"
	case site.PartOrdered:
		out.State = "ordered, no date"
	case site.PartExpected:
		out.State = "expected " + w.time(p.Expected)
	}
	var steps, late []string
	for _, id := range p.Steps {
		for _, l := range lines {
			if l.ID != id {
				continue
			}
			steps = append(steps, fmt.Sprint(l.Number))
			if p.State == site.PartExpected && l.During.Start.Before(p.Expected) {
				late = append(late, fmt.Sprint(l.Number))
			}
		}
	}
	out.Steps = strings.Join(steps, ", ")
	if len(late) > 0 {
		out.Alert = "TOO LATE for step " + strings.Join(late, ", ")
	}
	return out
}

// days parts the steps by the day on which they begin, and there by what they
// belong to.
func (w writer) days(lines []workshop.SheetLine) []day {
	var out []day
	for _, l := range lines {
		title := w.day(l.During.Start)
		if len(out) == 0 || out[len(out)-1].Title != title {
			out = append(out, day{Title: title})
		}
		d := &out[len(out)-1]
		owner := clean(l.Owner)
		switch l.Part {
		case workshop.SetUp:
			owner += ": set up"
		case workshop.PutBack:
			owner += ": put back"
		}
		if len(d.Groups) == 0 || d.Groups[len(d.Groups)-1].Title != owner {
			d.Groups = append(d.Groups, group{Title: owner})
		}
		g := &d.Groups[len(d.Groups)-1]
		g.Steps = append(g.Steps, w.step(l))
	}
	return out
}
