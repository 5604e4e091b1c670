package running

import (
	"fmt"
	"slices"
	"time"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// Tool is a tool with who has it.
type Tool struct {
	site.Tool
	Type  site.ToolType
	Issue *site.Issue // the open one; nil if it is in its place
}

// Scene is what is around a job at the moment that is judged.
type Scene struct {
	Job         int64
	Bay         string // slug of the job's bay
	Tools       map[string]Tool
	Booked      map[string][]string // asset tags by the id of the step that they are booked for
	Technicians map[string]site.Technician
	// Elsewhere names the step of another job that a technician works on, as
	// "12/chain/renew".
	Elsewhere map[string]string
	// Zone is where times are told in.
	Zone *time.Location
}

func (s Scene) when(t time.Time) string {
	if s.Zone == nil {
		return t.UTC().Format("Mon 02 Jan 15:04")
	}
	return t.In(s.Zone).Format("Mon 02 Jan 15:04")
}

// tools tells what stands against a step's tools: each that it needs must be
// booked, with the job or in its bay, fit, complete and in calibration.
func (s Scene) tools(w Work, i int, at time.Time) []Blocker {
	step := w.Network.Steps[i]
	var out []Blocker
	if wanted, have := w.needed(i), len(s.Booked[step.ID]); have < len(wanted) {
		out = append(out, Blocker{Kind: ToolNotBooked, Step: step.ID, Message: fmt.Sprintf(
			"%d of the %d tools that it needs are booked for it (%s): book the rest", have, len(wanted), words(wanted))})
	}
	for _, tag := range s.Booked[step.ID] {
		tool, known := s.Tools[tag]
		if !known {
			continue
		}
		for _, b := range s.hand(tool, at) {
			b.Step = step.ID
			out = append(out, b)
		}
	}
	return out
}

// needed are the tools that the job holds over a step.
func (w Work) needed(i int) []procedure.ToolNeed {
	var out []procedure.ToolNeed
	for _, h := range w.Network.Holds {
		if slices.Contains(h.Steps, i) {
			out = append(out, h.Tool)
		}
	}
	return out
}

func words(needs []procedure.ToolNeed) string {
	out := ""
	for i, n := range needs {
		if i > 0 {
			out += "; "
		}
		out += n.String()
	}
	return out
}

// hand tells what keeps a tool from being used for the job at a time.
func (s Scene) hand(t Tool, at time.Time) []Blocker {
	var out []Blocker
	add := func(kind BlockerKind, format string, args ...any) {
		out = append(out, Blocker{Kind: kind, Tool: t.Tag, Message: t.Tag + " " + fmt.Sprintf(format, args...)})
	}
	switch i := t.Issue; {
	case i == nil:
		where := ""
		if t.Home != "" {
			where = " (" + t.Home + ")"
		}
		add(ToolNotIssued, "is not issued: it should be in its place%s; draw it first", where)
	case i.Job != 0 && i.Job != s.Job:
		add(ToolElsewhere, "is issued to %s for job %d: fetch it and have it handed over", i.Technician, i.Job)
	case i.Job == 0 && i.Bay != s.Bay:
		where := "no bay in particular"
		if i.Bay != "" {
			where = i.Bay
		}
		add(ToolElsewhere, "is issued to %s for %s, not for this job's bay: have it handed over", i.Technician, where)
	}
	if t.Condition != site.Serviceable {
		add(ToolCondition, "is %s: take another one, or have it made fit", t.Condition)
	}
	if !t.Complete() {
		add(ToolCondition, "is not complete (%s): find what is missing before it is used", lacking(t.Tool))
	}
	if b := s.lapsed(t, at); b != nil {
		out = append(out, *b)
	}
	return out
}

// lapsed is what stands against a tool whose calibration is over; nil if it
// is good.
func (s Scene) lapsed(t Tool, at time.Time) *Blocker {
	switch {
	case !t.Type.Calibrated || at.Before(t.CalibratedUntil):
		return nil
	case t.CalibratedUntil.IsZero():
		return &Blocker{Kind: ToolLapsed, Tool: t.Tag, Message: t.Tag + " has no calibration: take one that has"}
	}
	return &Blocker{Kind: ToolLapsed, Tool: t.Tag, Message: fmt.Sprintf(
		"%s is out of calibration since %s: take one that is in it", t.Tag, s.when(t.CalibratedUntil))}
}

// lacking says which pieces a set lacks.
func lacking(t site.Tool) string {
	out := ""
	for _, list := range []struct {
		pieces []site.Piece
		what   string
	}{{t.Missing, "missing"}, {t.Damaged, "damaged"}} {
		for _, p := range list.pieces {
			if out != "" {
				out += ", "
			}
			out += fmt.Sprintf("%d × %s %s", p.Count, p.Name, list.what)
		}
	}
	return out
}
