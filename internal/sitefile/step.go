package sitefile

import (
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

// step reads a step; skills are those of its people if it names none. What can
// be judged of the step itself is left to its Validate.
func (v value) step(skills []string) procedure.Step {
	s := procedure.Step{Line: v.line(), Mode: procedure.Attended}
	o, ok := v.object("id", "title", "instruction", "estimate", "unattended", "unbroken", "joined_to_next",
		"wait_after", "people", "skills", "crew", "tools", "parts", "torque", "checks", "hold_point", "turns_engine", "cautions",
		"after", "before", "anytime", "only_before", "only_after")
	if !ok {
		return placeholder(s)
	}
	s.ID = o.need("id", idAdvice).slug()
	s.Title = o.title("title")
	s.Instruction = o.get("instruction").text(maxText)
	s.Estimate = o.need("estimate", "write minutes such as 30, or low/likely/high such as 20/30/50").estimate()
	s.Unbroken = o.get("unbroken").flag()
	s.JoinedToNext = o.get("joined_to_next").flag()
	s.WaitAfter = o.get("wait_after").minutes()
	s.HoldPoint = o.get("hold_point").flag()
	s.TurnsEngine = o.get("turns_engine").flag()
	s.Anytime = o.get("anytime").flag()
	if o.get("unattended").flag() {
		s.Mode = procedure.Unattended
	}
	s.Crew = o.crew(s.Mode, skills)
	for _, e := range o.get("tools").bounded(maxListed) {
		s.Tools = append(s.Tools, e.need())
	}
	s.Parts = o.get("parts").parts()
	s.Torque = o.get("torque").tightening()
	s.Checks = o.get("checks").checks()
	s.Cautions = o.get("cautions").cautions()
	s.After, s.Before = o.get("after").references(), o.get("before").references()
	s.OnlyBefore, s.OnlyAfter = o.get("only_before").slugs(), o.get("only_after").slugs()
	if s.ID == "" || s.Title == "" || s.Estimate == (procedure.Estimate{}) {
		return placeholder(s) // noted already
	}
	return s
}

// placeholder fills what a step must have, so that what is noted once is not
// noted again by those who judge the whole.
func placeholder(s procedure.Step) procedure.Step {
	if s.ID == "" {
		s.ID = "line-" + strconv.Itoa(s.Line)
	}
	if s.Title == "" {
		s.Title = s.ID
	}
	if s.Estimate == (procedure.Estimate{}) {
		s.Estimate = procedure.Estimate{Low: 1, Likely: 1, High: 1}
	}
	if s.Mode == procedure.Attended && len(s.Crew) == 0 {
		s.Crew = []procedure.Crew{{People: 1}}
	}
	return s
}

// crew reads "people: 2" with "skills: [...]", or a list of crews.
func (o object) crew(mode procedure.Mode, skills []string) []procedure.Crew {
	list, people := o.get("crew"), o.get("people")
	if own := o.get("skills"); own.present() {
		skills = own.slugs()
	}
	if list.present() {
		if people.present() {
			people.fault("stands beside crew: write the one or the other")
		}
		var out []procedure.Crew
		for _, e := range list.bounded(procedure.MaxPeople) {
			if c, ok := e.object("people", "skills"); ok {
				n := max(1, c.need("people", "how many?").integer(1, procedure.MaxPeople))
				out = append(out, procedure.Crew{People: n, Skills: c.get("skills").slugs()})
			}
		}
		return out
	}
	switch {
	case people.present():
		return []procedure.Crew{{People: people.integer(1, procedure.MaxPeople), Skills: skills}}
	case mode == procedure.Unattended:
		return nil
	}
	return []procedure.Crew{{People: 1, Skills: skills}}
}

func (v value) isScalar() bool { return v.present() && v.node.Kind == yaml.ScalarNode }

// need reads a tool that a step asks for: the id of its type, or a map.
func (v value) need() procedure.ToolNeed {
	if v.isScalar() {
		return procedure.ToolNeed{Type: v.slug()}
	}
	o, ok := v.object("type", "purpose", "torque", "until")
	if !ok {
		return procedure.ToolNeed{Purpose: string(site.Other)}
	}
	n := o.tool()
	if t := o.get("torque"); t.present() {
		n.TorqueLow, n.Torque = t.torqueRange()
		if n.TorqueLow == n.Torque {
			n.TorqueLow = 0
		}
	}
	n.Until = o.get("until").slug()
	return n
}

// tool reads what holds and needs have in common.
func (o object) tool() procedure.ToolNeed {
	kind, purpose := o.get("type"), o.get("purpose")
	if kind.present() && purpose.present() {
		purpose.fault("stands beside type: write the one or the other")
		return procedure.ToolNeed{Type: kind.slug()}
	}
	return procedure.ToolNeed{Type: kind.slug(), Purpose: string(choice(purpose, site.Purposes()))}
}

func (v value) parts() []procedure.Part {
	var out []procedure.Part
	for _, e := range v.bounded(procedure.MaxListed) {
		if o, ok := e.object("id", "title", "quantity", "single_use"); ok {
			out = append(out, procedure.Part{
				ID: o.need("id", idAdvice).slug(), Title: o.title("title"),
				Quantity:  o.need("quantity", "how many does the step use?").integer(1, 10_000),
				SingleUse: o.get("single_use").flag(),
			})
		}
	}
	return out
}

func (v value) checks() []procedure.Check {
	var out []procedure.Check
	for _, e := range v.bounded(procedure.MaxListed) {
		o, ok := e.object("id", "title", "unit", "min", "max")
		if !ok {
			continue
		}
		c := procedure.Check{ID: o.need("id", idAdvice).slug(), Title: o.title("title"), Unit: o.get("unit").text(32)}
		for _, b := range []struct {
			key  string
			into **float64
		}{{"min", &c.Min}, {"max", &c.Max}} {
			if f := o.get(b.key); f.present() {
				x := f.number(-1e9, 1e9)
				*b.into = &x
			}
		}
		out = append(out, c)
	}
	return out
}

func (v value) cautions() []procedure.Caution {
	var out []procedure.Caution
	for _, e := range v.bounded(procedure.MaxListed) {
		if o, ok := e.object("signal", "code", "text"); ok {
			out = append(out, procedure.Caution{
				Signal: choice(o.need("signal", "write DANGER, WARNING, CAUTION or NOTICE"), procedure.Signals()),
				Code:   choice(o.get("code"), procedure.Codes()),
				Text:   o.need("text", "say what the danger is and what to do").text(maxText),
			})
		}
	}
	return out
}

// references reads steps that come before or after: ids, or "owner/step".
func (v value) references() []string {
	var out []string
	for _, e := range v.bounded(procedure.MaxListed) {
		if s, ok := e.scalar(); ok {
			out = append(out, s)
		}
	}
	return out
}

// countForm is the number of fasteners before the stages, "6 x 9 Nm".
var countForm = regexp.MustCompile(`^\s*(\d{1,4})\s*[x×]\s*(.+)$`)

// tightening reads how fasteners are tightened: "6 x 9 Nm + 90°", or a map.
func (v value) tightening() *procedure.Torque {
	if !v.present() {
		return nil
	}
	if v.isScalar() {
		t := &procedure.Torque{Fasteners: 1}
		stages := v.node.Value
		if m := countForm.FindStringSubmatch(stages); m != nil {
			t.Fasteners, _ = strconv.Atoi(m[1])
			stages = m[2]
		}
		t.Stages = v.stages(stages)
		return t
	}
	o, ok := v.object("fasteners", "thread", "class", "single_use", "sequence", "stages", "peak", "tolerance", "friction",
		"drive", "adapter", "accepted")
	if !ok {
		return nil
	}
	t := &procedure.Torque{
		Fasteners: max(1, o.need("fasteners", "how many are tightened?").integer(1, 1_000)),
		Thread:    o.get("thread").text(32), Class: o.get("class").text(32),
		SingleUse: o.get("single_use").flag(), Sequence: o.get("sequence").text(maxText),
		Peak:      o.get("peak").newtonMetres(),
		Tolerance: o.get("tolerance").percentage(),
		Friction:  o.get("friction").number(0, 1),
		Drive:     o.get("drive").text(32),
		Adapter:   o.get("adapter").adapter(),
	}
	for _, e := range o.get("accepted").bounded(procedure.MaxListed) {
		t.Accepted = append(t.Accepted, e.text(maxText))
	}
	stages := o.need("stages", "write them such as 100 Nm + 90° + 90°")
	text, ok := stages.scalar()
	if !ok {
		return nil // noted already
	}
	t.Stages = stages.stages(text)
	return t
}

// adapter reads what moves the fastener away from the wrench's drive.
func (v value) adapter() *torque.Adapter {
	o, ok := v.object("extension", "angle")
	if !ok {
		return nil
	}
	return &torque.Adapter{
		Extension: o.need("extension", "how many millimetres from the drive to the fastener?").number(-1_000, 1_000),
		Angle:     o.get("angle").number(0, 180),
	}
}

func (v value) stages(s string) []procedure.Stage {
	read, err := torque.Parse(s)
	if err != nil {
		v.fault("%s", message(err))
		return []procedure.Stage{{Angle: 1}}
	}
	return read
}

// percentage reads "5 %" or a fraction such as 0.05.
func (v value) percentage() float64 {
	s, ok := v.scalar()
	if !ok {
		return 0
	}
	figure, percent := strings.CutSuffix(strings.TrimSpace(s), "%")
	x, err := strconv.ParseFloat(strings.TrimSpace(figure), 64)
	if percent {
		x /= 100
	}
	if err != nil || !(x > 0 && x <= 0.5) {
		v.fault("%q is no tolerance: write one such as 5 %%, at most 50 %%", clip(s))
		return 0
	}
	return x
}
