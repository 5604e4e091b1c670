package cli

import (
	"fmt"
	"io"
	"strconv"
	"strings"

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
		holds = append(holds, holdText(h))
	}
	writeTable(w, facts(
		[2]string{"Preparation", id(p.GetName())},
		[2]string{"Name", p.GetDisplayName()},
		[2]string{"Family", id(p.GetEngineFamily())},
		[2]string{"Needs", ids(p.GetNeeds())},
		[2]string{"Excludes", ids(p.GetExcludes())},
		[2]string{"Bay", strings.Join(p.GetBayFeatures(), ", ")},
		[2]string{"Held by", strings.Join(holds, "\n")},
	), a.width())
	fmt.Fprintln(w, "\nSetting up:")
	a.printCautions(w, p.GetCautions()) // they are said before its first step
	a.printSteps(w, p.GetSetUp())
	fmt.Fprintln(w, "\nPutting back:")
	a.printSteps(w, p.GetPutBack())
	fmt.Fprintln(w)
	a.printSafety(w)
}

// holdText shows a tool that stays on the engine, and from which step to which.
func holdText(h *bayholdv1.PreparationHold) string {
	text := toolNeed(h.GetTool())
	if h.GetFromStep() != "" {
		text += ", from " + h.GetFromStep()
	}
	if h.GetToStep() != "" {
		text += ", to " + h.GetToStep()
	}
	return text
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

// printSafety says what comes before anything a plan or a procedure says.
func (a *app) printSafety(w io.Writer) {
	writeText(w, "The vehicle maker's data, local law and the judgement of a qualified technician come first.", a.width())
}
