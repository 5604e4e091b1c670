package cli

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printSteps prints steps in order: what must be said before each, what is
// done, then all that belongs to it.
func (a *app) printSteps(w io.Writer, steps []*bayholdv1.Step) {
	if len(steps) == 0 {
		a.none(w, "steps")
		return
	}
	for i, s := range steps {
		if i > 0 {
			fmt.Fprintln(w)
		}
		a.printCautions(w, s.GetCautions())
		writeTable(w, table{bare: true, cols: []column{{}, {wrap: true}}, rows: [][]string{
			{fmt.Sprintf("%2d", i+1), s.GetId() + ": " + s.GetTitle()},
		}}, a.width())
		writeTable(w, stepDetails(s), a.width())
	}
}

// printCautions prints cautions, signal word first, so that they are read
// before what follows.
func (a *app) printCautions(w io.Writer, list []*bayholdv1.Caution) {
	t := table{bare: true, cols: []column{{}, {wrap: true}}}
	for _, c := range list {
		t.add(fmt.Sprintf("%-7s", strings.TrimPrefix(c.GetSignal().String(), "SIGNAL_")), c.GetText())
	}
	writeTable(w, t, a.width())
}

// stepDetails is what belongs to a step; what it has not is left out.
func stepDetails(s *bayholdv1.Step) table {
	var needs, parts, checks []string
	for _, n := range s.GetTools() {
		needs = append(needs, toolNeed(n))
	}
	for _, p := range s.GetParts() {
		parts = append(parts, partNeed(p))
	}
	for _, c := range s.GetChecks() {
		checks = append(checks, checkText(c))
	}
	hold := ""
	if s.GetHoldPoint() {
		hold = "nobody passes until the checks are recorded and signed"
	}
	turns := ""
	if s.GetTurnsEngine() {
		turns = "turns the engine under power: every locking tool off first"
	}
	t := table{bare: true, cols: []column{{}, {}, {wrap: true}}}
	for _, row := range [][2]string{
		{"How", s.GetInstruction()},
		{"Time", stepTime(s)},
		{"People", crew(s)},
		{"Tools", strings.Join(needs, "\n")},
		{"Torque", torqueText(s.GetTorque())},
		{"Parts", strings.Join(parts, "\n")},
		{"Checks", strings.Join(checks, "\n")},
		{"HOLD POINT", hold},
		{"POWER", turns},
		{"Order", stepOrder(s)},
	} {
		if row[1] != "" {
			t.add("  ", row[0], row[1])
		}
	}
	return t
}

// stepTime shows how long a step takes, and how its time can be cut.
func stepTime(s *bayholdv1.Step) string {
	minutes := func(n int32) string { return hours(time.Duration(n) * time.Minute) }
	e := s.GetEstimate()
	text := minutes(e.GetLikelyMinutes())
	if low, high := e.GetLowMinutes(), e.GetHighMinutes(); high > low && low > 0 {
		text += " (" + minutes(low) + " to " + minutes(high) + ")"
	}
	if s.GetUnbroken() {
		text += ", in one go"
	}
	if s.GetJoinedToNext() {
		text += ", then the next step at once"
	}
	if wait := s.GetWaitAfterMinutes(); wait > 0 {
		text += ", then a wait of " + minutes(wait)
	}
	return text
}

// crew shows who does a step.
func crew(s *bayholdv1.Step) string {
	if s.GetUnattended() {
		return "nobody: it goes on by itself"
	}
	out := make([]string, len(s.GetCrew()))
	for i, c := range s.GetCrew() {
		out[i] = strings.TrimSpace(fmt.Sprintf("%d %s", c.GetPeople(), strings.Join(c.GetSkills(), ", ")))
	}
	return strings.Join(out, "\n")
}

// toolNeed shows what tool is needed.
func toolNeed(n *bayholdv1.ToolNeed) string {
	text := id(n.GetToolType())
	if text == "" {
		text = strings.Join(strings.Fields("any "+strings.ToLower(n.GetPurpose())+" tool"), " ")
	}
	switch low, high := n.GetTorqueLowNm(), n.GetTorqueNm(); {
	case low > 0 && high > 0:
		text += fmt.Sprintf(" for %g to %g N·m", low, high)
	case high > 0:
		text += fmt.Sprintf(" for %g N·m", high)
	}
	if until := n.GetUntilStep(); until != "" {
		text += ", held to the end of " + until
	}
	return text
}

// partNeed shows a part, how many of it, and whether it is renewed anyway.
func partNeed(p *bayholdv1.Part) string {
	text := fmt.Sprintf("%d × %s", p.GetQuantity(), first(p.GetTitle(), p.GetId()))
	if p.GetTitle() != "" {
		text += " (" + p.GetId() + ")"
	}
	if !p.GetSingleUse() {
		text += ", if worn"
	}
	return text
}

// checkText shows what is measured or confirmed, and what passes.
func checkText(c *bayholdv1.Check) string {
	text, unit := c.GetTitle(), ""
	if c.GetUnit() != "" {
		unit = " " + c.GetUnit()
	}
	switch low, high := c.Min, c.Max; {
	case low != nil && high != nil && *low == *high:
		text += fmt.Sprintf(": %g%s", *low, unit)
	case low != nil && high != nil:
		text += fmt.Sprintf(": %g to %g%s", *low, *high, unit)
	case low != nil:
		text += fmt.Sprintf(": at least %g%s", *low, unit)
	case high != nil:
		text += fmt.Sprintf(": at most %g%s", *high, unit)
	case unit != "":
		text += ": in" + unit
	}
	return text
}

// torqueText shows how fasteners are tightened: the passes, then what there is
// to know of fasteners, wrench and joint.
func torqueText(t *bayholdv1.Torque) string {
	if t == nil {
		return ""
	}
	stages := make([]string, len(t.GetStages()))
	for i, s := range t.GetStages() {
		stages[i] = fmt.Sprintf("%g N·m", s.GetTorqueNm())
		if s.GetAngleDegrees() != 0 {
			stages[i] = fmt.Sprintf("+%g°", s.GetAngleDegrees())
		}
	}
	what := strings.TrimSpace(fmt.Sprintf("%d × %s", t.GetFasteners(), t.GetThread()))
	switch {
	case t.GetThread() == "":
		what = counted(int(t.GetFasteners()), "fastener", "fasteners")
	case t.GetPropertyClass() != "":
		what += " class " + t.GetPropertyClass()
	}
	out := []string{what + ": " + strings.Join(stages, ", ")}
	if t.GetSingleUse() {
		out = append(out, "new fasteners each time")
	}
	if t.GetSequence() != "" {
		out = append(out, "in order: "+t.GetSequence())
	}
	if t.GetPeakNm() > 0 {
		out = append(out, fmt.Sprintf("the tool must bear %g N·m", t.GetPeakNm()))
	}
	if t.GetTolerance() > 0 {
		out = append(out, fmt.Sprintf("tolerance of the joint ±%.3g %%", 100*t.GetTolerance()))
	}
	if t.GetDrive() != "" {
		out = append(out, "socket of "+t.GetDrive()+" drive")
	}
	if ad := t.GetAdapter(); ad != nil {
		out = append(out, adapterText(ad))
	}
	return strings.Join(out, "\n")
}

// adapterText shows an adapter. The wanted torque stands above it; the wrench
// is set to another, which depends on its length.
func adapterText(ad *bayholdv1.TorqueAdapter) string {
	length, angle := ad.GetExtensionMm(), ad.GetAngleDegrees()
	text := fmt.Sprintf("adapter of %g mm", math.Abs(length))
	switch {
	case angle != 0:
		text += fmt.Sprintf(" at %g° to the handle", angle)
	case length > 0:
		text += " in line with the handle"
	}
	if length < 0 {
		text += ", pointing back"
	}
	if length == 0 || angle == 90 || angle == 270 {
		return text // the lever stays as it is
	}
	return text + ": the job sheet tells what the wrench is set to"
}

// stepOrder says what comes before or after a step, its place in the list
// apart.
func stepOrder(s *bayholdv1.Step) string {
	var out []string
	for _, o := range []struct {
		word string
		list []string
	}{
		{"after", s.GetAfter()},
		{"before", s.GetBefore()},
		{"ends before the set-up of", bare(s.GetOnlyBefore())},
		{"begins after the put-back of", bare(s.GetOnlyAfter())},
	} {
		if len(o.list) > 0 {
			out = append(out, o.word+" "+strings.Join(o.list, ", "))
		}
	}
	if s.GetAnytime() {
		out = append([]string{"at any time"}, out...)
	}
	return strings.Join(out, "; ")
}
