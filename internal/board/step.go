package board

import (
	"fmt"
	"strings"
	"time"

	"bayhold/internal/procedure"
	"bayhold/internal/torque"
	"bayhold/internal/workshop"
)

// step is a step in words.
type step struct {
	Number      int
	Title       string
	Cautions    []caution // said before it
	HoldPoint   string    // empty if it is none
	Instruction []string  // paragraphs
	Facts       []fact    // time, people, tools, parts
	Tightening  *tightening
	Checks      []check
	After       []string // what holds when it is done
	Sign        []string // a line to sign for each
}

// caution is a warning with its signal word.
type caution struct {
	Signal string
	Injury bool // carries the safety alert symbol: somebody may be hurt
	Text   string
}

func newCaution(signal procedure.Signal, text string) caution {
	// NOTICE is about damage and goes without the symbol (ANSI Z535.6, from memory).
	return caution{Signal: clean(string(signal)), Injury: signal != procedure.Notice, Text: clean(text)}
}

// tightening is what is done to fasteners.
type tightening struct {
	Facts  []fact
	Alert  string   // why no set value can be told; empty if they can
	Stages []string // what to do in each
}

// check is something to measure or confirm.
type check struct {
	Title, Limits string
	Unit          string // of the value to write down
	YesNo         bool   // confirmed, not measured
}

func (w writer) step(l workshop.SheetLine) step {
	out := step{
		Number: l.Number, Title: clean(l.Step.Title), Instruction: paragraphs(l.Step.Instruction),
		Facts: w.facts(l), Tightening: newTightening(l, w.unit), After: w.after(l),
	}
	for _, c := range l.Cautions {
		out.Cautions = append(out.Cautions, newCaution(c.Signal, c.Text))
	}
	for _, c := range l.Step.Checks {
		out.Checks = append(out.Checks, newCheck(c))
	}
	sign := l.Sign
	if l.HoldPoint {
		out.HoldPoint = holdPoint(l.Step.Checks)
		sign = max(sign, 1)
	}
	for i := range sign {
		label := "Signed"
		if sign > 1 {
			label = fmt.Sprintf("Signed %d of %d", i+1, sign)
		}
		out.Sign = append(out.Sign, label)
	}
	return out
}

func holdPoint(checks []procedure.Check) string {
	if len(checks) == 0 {
		return "HOLD POINT: nobody passes until this step is signed."
	}
	titles := make([]string, len(checks))
	for i, c := range checks {
		titles[i] = clean(c.Title)
	}
	verb := "is"
	if len(titles) > 1 {
		verb = "are"
	}
	return fmt.Sprintf("HOLD POINT: nobody passes until %s %s recorded and signed.", quoted(titles), verb)
}

func (w writer) facts(l workshop.SheetLine) []fact {
	s := l.Step
	out := []fact{{"Planned", fmt.Sprintf("%s (%s)", w.within(l.During), s.Estimate)}}
	if s.Mode == procedure.Unattended {
		out = append(out, fact{"Unattended", "it takes its time by itself, outside working hours too"})
	}
	if s.Unbroken {
		out = append(out, fact{"Unbroken", "begin only if there is time to finish: never half done"})
	}
	if people := people(l); people != "" {
		out = append(out, fact{"People", people})
	}
	if len(l.Tools) > 0 {
		out = append(out, fact{"Tools", clean(strings.Join(l.Tools, ", "))})
	}
	for _, p := range s.Parts {
		use := "if worn"
		if p.SingleUse {
			use = "new, single use"
		}
		out = append(out, fact{"Part", fmt.Sprintf("%d × %s (%s): %s", p.Quantity, clean(p.Title), clean(p.ID), use)})
	}
	return out
}

// people names who is booked and what the step asks for: "Ada, Cem (2 with timing)".
func people(l workshop.SheetLine) string {
	asked := make([]string, len(l.Step.Crew))
	for i, c := range l.Step.Crew {
		asked[i] = c.String()
	}
	names := strings.Join(l.People, ", ")
	switch {
	case len(asked) == 0:
		return clean(names)
	case names == "":
		names = "nobody booked"
	}
	return clean(fmt.Sprintf("%s (%s)", names, strings.Join(asked, "; ")))
}

func newCheck(c procedure.Check) check {
	out := check{Title: clean(c.Title), Unit: clean(c.Unit)}
	switch {
	case c.Min != nil && c.Max != nil && *c.Min == *c.Max:
		out.Limits = "must be " + number(*c.Min)
	case c.Min != nil && c.Max != nil:
		out.Limits = number(*c.Min) + " to " + number(*c.Max)
	case c.Min != nil:
		out.Limits = "at least " + number(*c.Min)
	case c.Max != nil:
		out.Limits = "at most " + number(*c.Max)
	case c.Unit == "":
		out.YesNo = true
		return out
	default:
		out.Limits = "no limits given, in "
	}
	if out.Unit != "°" { // the sign stands at its figure
		out.Limits += " "
	}
	out.Limits = strings.TrimSpace(out.Limits + out.Unit)
	return out
}

func (w writer) after(l workshop.SheetLine) []string {
	var out []string
	if l.JoinedTo > 0 {
		out = append(out, fmt.Sprintf("Go straight on with step %d: no gap between them.", l.JoinedTo))
	}
	if n := l.Step.WaitAfter; n > 0 {
		until := w.time(l.During.End.Add(time.Duration(n) * time.Minute))
		out = append(out, fmt.Sprintf("WAIT %s when it is done, before any step that follows on it (as planned: until %s).", minutes(n), until))
	}
	return out
}

// newTightening tells how a step's fasteners are tightened; nil if there are none.
func newTightening(l workshop.SheetLine, u torque.Unit) *tightening {
	t := l.Step.Torque
	if t == nil {
		return nil
	}
	out := &tightening{Facts: []fact{{"Tighten", fasteners(*t)}}}
	add := func(name, value string) { out.Facts = append(out.Facts, fact{name, value}) }
	if t.SingleUse {
		add("Fasteners", "single use: fit new ones")
	}
	if t.Sequence != "" {
		add("Order", clean(t.Sequence))
	}
	if a := t.Adapter; a != nil {
		add("Adapter", fmt.Sprintf("%s mm long, at %s° to the wrench: set values hold for this one, at this angle only",
			number(a.Extension), number(a.Angle)))
	}
	if t.Peak > 0 {
		add("Load", "up to "+measure(u, t.Peak)+" on the tool")
	}
	if t.Tolerance > 0 {
		add("Tolerance", "± "+rounded(100*t.Tolerance)+" % of each torque")
	}
	var wrench workshop.SheetWrench
	if l.Wrench != nil {
		wrench = *l.Wrench
	}
	if bear, _ := t.Range(); bear > 0 && (wrench.Problem != "" || wrench.Tag == "") {
		why := "no tool is booked for it"
		if wrench.Problem != "" {
			why = clean(wrench.Problem)
		}
		if wrench.Tag != "" {
			why = clean(wrench.Tag) + ": " + why
		}
		out.Alert = together("NO SET VALUE: " + why + ". Do not tighten before this is settled.")
	}
	for i, s := range t.Stages {
		out.Stages = append(out.Stages, together(stage(i, s, *t, wrench, u)))
	}
	return out
}

// fasteners writes what is tightened: "6 fasteners × 2 stages, M10x1.25, class 10.9".
func fasteners(t procedure.Torque) string {
	words := []string{plural(t.Fasteners, "fastener") + " × " + plural(len(t.Stages), "stage")}
	if t.Thread != "" {
		words = append(words, clean(t.Thread))
	}
	if t.Class != "" {
		words = append(words, "class "+clean(t.Class))
	}
	if t.Drive != "" {
		words = append(words, "drive "+clean(t.Drive))
	}
	return strings.Join(words, ", ")
}

func each(fasteners int) string {
	if fasteners == 1 {
		return "it"
	}
	return "each"
}

// stage says what to do in one pass. An angle stays an angle.
func stage(i int, s torque.Stage, t procedure.Torque, wrench workshop.SheetWrench, u torque.Unit) string {
	if s.Torque == 0 {
		return fmt.Sprintf("turn %s %s° further, by angle", each(t.Fasteners), number(s.Angle))
	}
	want := measure(u, s.Torque)
	if wrench.Tag == "" || wrench.Problem != "" || i >= len(wrench.Set) {
		return want + " wanted; no set value: see above"
	}
	tag, set := clean(wrench.Tag), want
	if wrench.Set[i] != s.Torque {
		set = measureSet(u, wrench.Set[i])
	}
	switch {
	case wrench.Driven:
		return fmt.Sprintf("drive %s with %s for %s wanted (multiplier, ratio %s)", tag, set, want, number(wrench.Ratio))
	case t.Adapter != nil:
		return fmt.Sprintf("set %s to %s for %s wanted (adapter)", tag, set, want)
	}
	return fmt.Sprintf("set %s to %s", tag, set)
}
