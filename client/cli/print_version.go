package cli

import (
	"fmt"
	"io"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printDiff prints what differs between two versions, step by step.
func (a *app) printDiff(w io.Writer, name string, d *bayholdv1.DiffProcedureResponse) {
	if d.GetFromVersion() == d.GetToVersion() {
		fmt.Fprintf(w, "There is no other version to set against version %d of %s.\n", d.GetFromVersion(), id(name))
		return
	}
	n := len(d.GetChanges())
	if n == 0 {
		fmt.Fprintf(w, "Versions %d and %d of %s say the same.\n", d.GetFromVersion(), d.GetToVersion(), id(name))
		return
	}
	fmt.Fprintf(w, "%s, from version %d to version %d: %s.\n\n", id(name), d.GetFromVersion(), d.GetToVersion(), counted(n, "change", "changes"))
	writeTable(w, diffTable(d.GetChanges()), a.width())
}

// diffTable lists changes, those of a step under its id. What was added,
// removed or moved is told in the server's sentence.
func diffTable(list []*bayholdv1.ProcedureChange) table {
	t := table{cols: []column{{}, {title: "what", wrap: true}, {title: "was", wrap: true}, {title: "is", wrap: true}}}
	step, begun := "", false
	for _, c := range list {
		if c.GetField() == "" {
			t.section(capital(c.GetMessage()))
			step, begun = "", false
			continue
		}
		if !begun || c.GetStep() != step {
			step, begun = c.GetStep(), true
			if step == "" {
				t.section("The procedure itself")
			} else {
				t.section("Step " + step)
			}
		}
		t.add("", c.GetField(), first(c.GetWas(), "-"), first(c.GetIs(), "-"))
	}
	return t
}

// capital begins a sentence with a capital.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// counted shows how many there are of a thing.
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// printStandingOf says how a version stands now, and what that means.
func (a *app) printStandingOf(w io.Writer, p *bayholdv1.Procedure) {
	text := fmt.Sprintf("Version %d of %s is %s.", p.GetVersion(), id(p.GetName()),
		strings.ToLower(enumWord(p.GetState().String(), "PROCEDURE_STATE_")))
	switch p.GetState() {
	case bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED:
		text += " It never changes again; plans are made with the newest issued version from now on."
	case bayholdv1.ProcedureState_PROCEDURE_STATE_WITHDRAWN:
		text += " No plan is made with it from now on."
	}
	writeText(w, text+" Jobs that are booked keep the version that they were planned with.", a.width())
}

// printFindings prints what a judgement of files found: faults, then advice,
// then how many of each.
func (a *app) printFindings(w io.Writer, files int, faults, advice []*bayholdv1.LintFinding) {
	a.printFindingList(w, "Faults, which keep the files from being imported:", faults)
	a.printFindingList(w, "Advice:", advice)
	fmt.Fprintf(w, "%s: %s, %s.\n", counted(files, "file", "files"),
		counted(len(faults), "fault", "faults"), counted(len(advice), "piece of advice", "pieces of advice"))
}

func (a *app) printFindingList(w io.Writer, heading string, list []*bayholdv1.LintFinding) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w, heading)
	for _, f := range list {
		lead := ""
		if f.GetFile() != "" {
			lead = f.GetFile() + ":"
		}
		if f.GetLine() > 0 {
			lead += count(f.GetLine()) + ":"
		}
		lines := wrap(strings.TrimSpace(lead+" "+f.GetMessage()+" ("+f.GetRule()+")"), a.width()-len(findingIndent))
		for i, line := range lines {
			if i > 0 {
				line = findingIndent + line
			}
			fmt.Fprintln(w, line)
		}
	}
	fmt.Fprintln(w)
}

// findingIndent sets off the second and later lines of a finding.
const findingIndent = "    "
