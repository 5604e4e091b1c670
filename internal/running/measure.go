package running

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/torque"
)

// Measured is a reading as somebody tells it.
type Measured struct {
	Fastener, Stage int    // from 1; both 0 for a check
	Check           string // id of a check; empty for a tightening
	Value           float64
	Unit            string // of a check that is measured; must be the check's own
	Yes             *bool  // the answer to a yes-or-no check
	Tool            string // asset tag; empty for a check without one
	Note            string
}

// Judge makes a reading of what somebody measured: with what was wanted, its
// limits, and what the tool was set to. What can never be is an Invalid fault; a
// tool that does not cover it, a stage that comes too early, fasteners that must
// be renewed first are a Precondition.
func (w Work) Judge(step string, m Measured, at time.Time, s Scene) (Reading, error) {
	i := w.Index(step)
	if i < 0 {
		return Reading{}, fault.New(fault.NotFound, "NOT_FOUND", "the job has no step %q", step)
	}
	out := Reading{
		Entry: Entry{Step: step, Run: w.Run(step), At: at, Note: m.Note}, Attempt: 1, Tool: m.Tool,
		Joint: w.Network.Steps[i].Step.Title,
	}
	if math.IsNaN(m.Value) || math.Abs(m.Value) > 1e9 {
		return out, invalid("value", "%v is no value that could be measured", m.Value)
	}
	var tool *Tool
	if m.Tool != "" {
		t, known := s.Tools[m.Tool]
		if !known {
			return out, fault.New(fault.NotFound, "NOT_FOUND", "the site has no tool %q", m.Tool)
		}
		tool = &t
		out.CalibratedUntil = t.CalibratedUntil
		if b := s.lapsed(t, at); b != nil {
			return out, refused(*b)
		}
	}
	if m.Check != "" {
		return out, out.check(w.Network.Steps[i].Step, m)
	}
	return out, out.tighten(w, w.Network.Steps[i], m, tool)
}

func invalid(field, format string, args ...any) error {
	var fs fault.Fields
	fs.Add(field, format, args...)
	return fs.Err("READING", "the reading cannot be kept")
}

// refused is the fault of one reason.
func refused(b Blocker) error {
	f := fault.New(fault.Precondition, string(b.Kind), "%s", b.Message)
	f.Fields = fault.Fields{{Path: b.Step, Message: b.Message}}
	return f
}

// check judges the answer to a check.
func (r *Reading) check(step procedure.Step, m Measured) error {
	at := slices.IndexFunc(step.Checks, func(c procedure.Check) bool { return c.ID == m.Check })
	if at < 0 {
		return invalid("check", "the step has no check %q; it has %s", clip(m.Check), checkIDs(step))
	}
	c := step.Checks[at]
	r.Kind, r.CheckID, r.Unit, r.Value = Check, c.ID, c.Unit, m.Value
	if c.Unit == "" {
		if m.Yes == nil {
			return invalid("yes", "the check %s is a question: answer yes or no", c.ID)
		}
		one := 1.0
		r.Low, r.Value = &one, 0
		if *m.Yes {
			r.Value = 1
		}
		return nil
	}
	switch {
	case m.Yes != nil:
		return invalid("value", "the check %s is measured in %s: give a value", c.ID, c.Unit)
	case !sameUnit(m.Unit, c.Unit):
		return invalid("unit", "the check %s is measured in %s, not in %q", c.ID, c.Unit, clip(m.Unit))
	}
	r.Low, r.High = c.Min, c.Max
	return nil
}

func checkIDs(step procedure.Step) string {
	if len(step.Checks) == 0 {
		return "none"
	}
	ids := make([]string, 0, len(step.Checks))
	for _, c := range step.Checks {
		ids = append(ids, c.ID)
	}
	return strings.Join(ids, ", ")
}

// sameUnit compares units as people type them: "N·m" and "Nm", "°" and "deg".
func sameUnit(a, b string) bool {
	plain := func(s string) string {
		s = strings.ToLower(strings.Map(func(r rune) rune {
			switch r {
			case '·', ' ', '.', '*':
				return -1
			}
			return r
		}, s))
		switch s {
		case "deg", "degree", "degrees":
			return "°"
		}
		return s
	}
	return plain(a) == plain(b)
}

// tighten judges one stage of one fastener.
func (r *Reading) tighten(w Work, step procedure.NetStep, m Measured, tool *Tool) error {
	t := step.Step.Torque
	switch {
	case t == nil:
		return invalid("fastener", "the step tightens nothing: name one of its checks (%s)", checkIDs(step.Step))
	case m.Fastener < 1 || m.Fastener > t.Fasteners:
		return invalid("fastener", "%d: the step has fasteners 1 to %d", m.Fastener, t.Fasteners)
	case m.Stage < 1 || m.Stage > len(t.Stages):
		return invalid("stage", "%d: the tightening has stages 1 to %d (%s)", m.Stage, len(t.Stages), torque.Format(t.Stages, torque.NewtonMetre))
	case m.Value < 0:
		return invalid("value", "%g is less than nothing", m.Value)
	case tool == nil:
		return invalid("tool", "is missing: name the tool that tightened")
	case slices.Contains(w.Interrupted(step.ID), m.Fastener):
		return refused(Blocker{Kind: NewFasteners, Step: step.ID, Message: fmt.Sprintf(
			"the tightening of fastener %d was interrupted: fit a new one, tick it, and begin with stage 1", m.Fastener)})
	}
	stage := t.Stages[m.Stage-1]
	set, ratio, err := Setting(*t, stage, tool.Type)
	if err != nil {
		return refused(Blocker{Kind: ToolUnfit, Step: step.ID, Tool: tool.Tag, Message: tool.Tag + " " + fault.Fault(err).Message})
	}
	r.Attempt = w.Attempt(step.ID, m.Fastener)
	if m.Stage > 1 && !slices.ContainsFunc(w.effective(step.ID), func(o Reading) bool {
		return o.Kind != Check && o.Fastener == m.Fastener && o.Attempt == r.Attempt && o.Stage == m.Stage-1
	}) {
		return refused(Blocker{Kind: ReadingMissing, Step: step.ID, Message: fmt.Sprintf(
			"stage %d of fastener %d comes first", m.Stage-1, m.Fastener)})
	}
	wanted, low, high := limits(*t, stage, w.Usual)
	r.Kind, r.Unit = Torque, torque.NewtonMetre.String()
	if stage.Angle > 0 {
		r.Kind, r.Unit = Angle, "°"
	}
	r.Fastener, r.Stage, r.Value = m.Fastener, m.Stage, m.Value
	r.Wanted, r.Low, r.High, r.Tolerance = &wanted, &low, &high, t.Tolerance
	r.Set = set
	if ratio != 1 {
		r.Ratio = ratio
	}
	return nil
}

// Correct makes the reading that takes the place of another one. What is right
// of the old one stands: what was measured where, its limits, its tool unless
// another is named, and when it was measured.
func (w Work) Correct(old Reading, m Measured, s Scene) (Reading, error) {
	if b := w.standing(); len(b) > 0 {
		return Reading{}, refused(b[0])
	}
	if old.Run != w.Run(old.Step) {
		return Reading{}, fault.New(fault.Precondition, "STEP_STATE", "the reading is of an earlier run of %s, which has been done once more since", old.Step)
	}
	out := old
	out.ID, out.Corrects, out.Note, out.RecordedAt = 0, old.ID, m.Note, time.Time{}
	if math.IsNaN(m.Value) || math.Abs(m.Value) > 1e9 || old.Kind != Check && m.Value < 0 {
		return out, invalid("value", "%v is no value that could be measured", m.Value)
	}
	switch {
	case old.Kind == Check && old.Unit == "" && m.Yes == nil:
		return out, invalid("yes", "the check %s is a question: answer yes or no", old.CheckID)
	case m.Yes != nil && (old.Kind != Check || old.Unit != ""):
		return out, invalid("value", "it is measured in %s: give a value", old.Unit)
	case m.Yes != nil && *m.Yes:
		out.Value = 1
	case m.Yes != nil:
		out.Value = 0
	case m.Unit != "" && !sameUnit(m.Unit, old.Unit):
		return out, invalid("unit", "it was measured in %s, not in %q", old.Unit, clip(m.Unit))
	default:
		out.Value = m.Value
	}
	if m.Tool == "" || m.Tool == old.Tool {
		return out, nil
	}
	return w.otherTool(out, m.Tool, s)
}

// otherTool puts the tool right that a reading names.
func (w Work) otherTool(r Reading, tag string, s Scene) (Reading, error) {
	tool, known := s.Tools[tag]
	if !known {
		return r, fault.New(fault.NotFound, "NOT_FOUND", "the site has no tool %q", tag)
	}
	r.Tool, r.Certificate, r.CalibratedUntil = tag, "", tool.CalibratedUntil
	i := w.Index(r.Step)
	if r.Kind == Check || i < 0 || w.Network.Steps[i].Step.Torque == nil {
		return r, nil
	}
	t := w.Network.Steps[i].Step.Torque
	set, ratio, err := Setting(*t, t.Stages[r.Stage-1], tool.Type)
	if err != nil {
		return r, refused(Blocker{Kind: ToolUnfit, Step: r.Step, Tool: tag, Message: tag + " " + fault.Fault(err).Message})
	}
	r.Set, r.Ratio = set, 0
	if ratio != 1 {
		r.Ratio = ratio
	}
	return r, nil
}

// Words is a reading as people read it: "61 N·m (48 to 52 N·m)".
func (r Reading) Words() string {
	if r.Kind == Check && r.Unit == "" {
		if r.Value == 1 {
			return "yes"
		}
		return "no"
	}
	out := figure(r.Value) + unit(r.Unit)
	switch {
	case r.Low != nil && r.High != nil:
		out += fmt.Sprintf(" (%s to %s%s)", figure(*r.Low), figure(*r.High), unit(r.Unit))
	case r.Low != nil:
		out += fmt.Sprintf(" (at least %s%s)", figure(*r.Low), unit(r.Unit))
	case r.High != nil:
		out += fmt.Sprintf(" (at most %s%s)", figure(*r.High), unit(r.Unit))
	}
	return out
}

// figure writes a number with six digits at the most: no tool shows more.
func figure(x float64) string {
	x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	return strconv.FormatFloat(x, 'f', -1, 64)
}

func unit(u string) string {
	if u == "°" || u == "%" {
		return u
	}
	return " " + u
}

// clip shortens what is quoted in a message.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}
