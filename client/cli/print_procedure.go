package cli

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) printFamilies(w io.Writer, list []*bayholdv1.EngineFamily) {
	if len(list) == 0 {
		a.none(w, "engine families")
		return
	}
	t := table{cols: []column{{title: "family"}, {title: "name", wrap: true}}}
	for _, f := range list {
		t.add(id(f.GetName()), f.GetDisplayName())
	}
	writeTable(w, t, a.width())
}

func (a *app) printPreparations(w io.Writer, list []*bayholdv1.Preparation) {
	if len(list) == 0 {
		a.none(w, "preparations")
		return
	}
	t := table{cols: []column{
		{title: "preparation"},
		{title: "name", wrap: true},
		{title: "family"},
		{title: "needs", wrap: true},
		{title: "steps", drop: 1},
	}}
	for _, p := range list {
		t.add(id(p.GetName()), p.GetDisplayName(), id(p.GetEngineFamily()), ids(p.GetNeeds()),
			strconv.Itoa(len(p.GetSetUp()))+"+"+strconv.Itoa(len(p.GetPutBack())))
	}
	writeTable(w, t, a.width())
}

func (a *app) printPreparation(w io.Writer, p *bayholdv1.Preparation) {
	var holds []string
	for _, h := range p.GetHolds() {
		holds = append(holds, toolNeed(h.GetTool()))
	}
	writeTable(w, facts(
		[2]string{"Preparation", id(p.GetName())},
		[2]string{"Name", p.GetDisplayName()},
		[2]string{"Family", id(p.GetEngineFamily())},
		[2]string{"Needs", ids(p.GetNeeds())},
		[2]string{"Excludes", ids(p.GetExcludes())},
		[2]string{"Bay", strings.Join(p.GetBayFeatures(), ", ")},
		[2]string{"Held by", strings.Join(holds, "\n")},
		[2]string{"Cautions", cautions(p.GetCautions())},
	), a.width())
	fmt.Fprintln(w, "\nSetting up:")
	a.printSteps(w, p.GetSetUp())
	fmt.Fprintln(w, "\nPutting back:")
	a.printSteps(w, p.GetPutBack())
	fmt.Fprintln(w)
	a.printSafety(w)
}

func (a *app) printProcedures(w io.Writer, list []*bayholdv1.Procedure) {
	if len(list) == 0 {
		a.none(w, "procedures")
		return
	}
	t := table{cols: []column{
		{title: "procedure"}, {title: "name", wrap: true}, {title: "family"}, {title: "version", drop: 2}, {title: "state", drop: 1},
	}}
	for _, p := range list {
		t.add(id(p.GetName()), p.GetDisplayName(), id(p.GetEngineFamily()), strconv.Itoa(int(p.GetVersion())),
			enumWord(p.GetState().String(), "PROCEDURE_STATE_"))
	}
	writeTable(w, t, a.width())
}

func (a *app) printProcedure(w io.Writer, p *bayholdv1.Procedure) {
	writeTable(w, facts(
		[2]string{"Procedure", id(p.GetName())},
		[2]string{"Name", p.GetDisplayName()},
		[2]string{"Family", id(p.GetEngineFamily())},
		[2]string{"Version", fmt.Sprintf("%d, %s", p.GetVersion(), strings.ToLower(enumWord(p.GetState().String(), "PROCEDURE_STATE_")))},
		[2]string{"Needs", ids(p.GetNeeds())},
		[2]string{"Bay", strings.Join(p.GetBayFeatures(), ", ")},
	), a.width())
	fmt.Fprintln(w)
	a.printSteps(w, p.GetSteps())
	fmt.Fprintln(w)
	a.printSafety(w)
}

// printSteps prints steps in order, each with what must be said before it.
func (a *app) printSteps(w io.Writer, steps []*bayholdv1.Step) {
	if len(steps) == 0 {
		a.none(w, "steps")
		return
	}
	t := table{cols: []column{
		{title: "step", wrap: true},
		{title: "what is done", wrap: true},
		{title: "time"},
		{title: "people", wrap: true},
		{title: "tools", wrap: true},
	}}
	for _, s := range steps {
		var needs []string
		for _, n := range s.GetTools() {
			needs = append(needs, toolNeed(n))
		}
		title := s.GetTitle()
		if said := cautions(s.GetCautions()); said != "" {
			title = said + "\n" + title
		}
		if torque := torqueText(s.GetTorque()); torque != "" {
			title += "\n" + torque
		}
		t.add(s.GetId(), title, stepTime(s), crew(s.GetCrew()), strings.Join(needs, "\n"))
	}
	writeTable(w, t, a.width())
}

// stepTime shows how long a step takes as a rule.
func stepTime(s *bayholdv1.Step) string {
	text := hours(time.Duration(s.GetEstimate().GetLikelyMinutes()) * time.Minute)
	if wait := s.GetWaitAfterMinutes(); wait > 0 {
		text += "\n+ " + hours(time.Duration(wait)*time.Minute)
	}
	return text
}

// crew shows who does a step.
func crew(list []*bayholdv1.Crew) string {
	out := make([]string, len(list))
	for i, c := range list {
		out[i] = strings.TrimSpace(fmt.Sprintf("%d %s", c.GetPeople(), strings.Join(c.GetSkills(), ", ")))
	}
	return strings.Join(out, "\n")
}

// toolNeed shows what tool is needed.
func toolNeed(n *bayholdv1.ToolNeed) string {
	text := id(n.GetToolType())
	if text == "" {
		text = "any " + strings.ToLower(n.GetPurpose()) + " tool"
	}
	switch low, high := n.GetTorqueLowNm(), n.GetTorqueNm(); {
	case low > 0 && high > 0:
		text += fmt.Sprintf(" for %g to %g Nm", low, high)
	case high > 0:
		text += fmt.Sprintf(" for %g Nm", high)
	}
	if until := n.GetUntilStep(); until != "" {
		text += " to " + until
	}
	return text
}

// torqueText shows how fasteners are tightened.
func torqueText(t *bayholdv1.Torque) string {
	if t == nil {
		return ""
	}
	var stages []string
	for _, s := range t.GetStages() {
		if s.GetAngleDegrees() != 0 {
			stages = append(stages, fmt.Sprintf("+%g°", s.GetAngleDegrees()))
		} else {
			stages = append(stages, fmt.Sprintf("%g Nm", s.GetTorqueNm()))
		}
	}
	text := fmt.Sprintf("%d × %s: %s", t.GetFasteners(), t.GetThread(), strings.Join(stages, ", "))
	if t.GetPeakNm() > 0 {
		text += fmt.Sprintf(", peak %g Nm", t.GetPeakNm())
	}
	return text
}

// cautions shows cautions, one a line, signal word first.
func cautions(list []*bayholdv1.Caution) string {
	out := make([]string, len(list))
	for i, c := range list {
		out[i] = strings.TrimPrefix(c.GetSignal().String(), "SIGNAL_") + ": " + c.GetText()
	}
	return strings.Join(out, "\n")
}

// printSafety says what comes before anything a plan or a procedure says.
func (a *app) printSafety(w io.Writer) {
	writeText(w, "The vehicle maker's data, local law and the judgement of a qualified technician come first.", a.width())
}
