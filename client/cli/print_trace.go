package cli

import (
	"fmt"
	"io"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printSummary says what a finding puts in doubt.
func (a *app) printSummary(w io.Writer, c clock, tool string, s *bayholdv1.TraceSummary) {
	since := "ever since it came, for there is no proof that it was good"
	if s.GetStartTime() != nil {
		since = "since " + c.full(s.GetStartTime().AsTime())
	}
	found := fmt.Sprintf("%s was found out of tolerance by %s.", tool, s.GetTitle())
	if s.GetLines() == 0 {
		writeText(w, fmt.Sprintf("%s No recorded tightening is in doubt (%s).", found, since), a.width())
		return
	}
	writeText(w, fmt.Sprintf("%s In doubt, %s: %s: %d outside the joint's tolerance, %d doubtful, %d not judged, %d inside. Open: %d.", found, since,
		counted(int(s.GetLines()), "tightening", "tightenings"), s.GetOutside(), s.GetDoubtful(), s.GetNotJudged(), s.GetInside(), s.GetOpen()), a.width())
	if n := s.GetUnproven(); n > 0 && s.GetStartTime() != nil {
		writeText(w, fmt.Sprintf("For the setting or direction of %d of them there is no proof at all that the tool was good.", n), a.width())
	}
}

func (a *app) printTrace(w io.Writer, c clock, tool string, resp *bayholdv1.TraceToolResponse) {
	a.printSummary(w, c, tool, resp.GetSummary())
	if len(resp.GetLines()) > 0 {
		fmt.Fprintln(w)
		writeTable(w, traceTable(c, resp.GetLines()), a.width())
		a.printTraceNotes(w, resp.GetLines())
	}
	if n := len(resp.GetCleared()); n > 0 {
		by := map[string]int{}
		for _, x := range resp.GetCleared() {
			by[x.GetBy()]++
		}
		fmt.Fprintln(w)
		for _, x := range resp.GetCleared() {
			if by[x.GetBy()] > 0 {
				writeText(w, fmt.Sprintf("Out of doubt by %s: %s of that time.", x.GetBy(), counted(by[x.GetBy()], "tightening", "tightenings")), a.width())
				by[x.GetBy()] = 0
			}
		}
	}
	fmt.Fprintln(w)
	for _, line := range resp.GetCheckRule() {
		writeText(w, line, a.width())
	}
	if others := len(resp.GetFindings()) - 1; others > 0 {
		fmt.Fprintln(w, "\nOther findings of this tool:")
		for _, s := range resp.GetFindings() {
			if s.GetFinding() != resp.GetSummary().GetFinding() {
				fmt.Fprintf(w, "  %s, %s, %d open\n", s.GetTitle(), counted(int(s.GetLines()), "line", "lines"), s.GetOpen())
			}
		}
	}
	if resp.GetSummary().GetOpen() > 0 {
		fmt.Fprintf(w, "\nClose lines: %s\n", a.again("calibration", "close", tool, resp.GetLines()[0].GetTightening().GetId(), "--as", "DECISION", "--note", "WHY"))
		a.printSafety(w)
	}
}

func traceTable(c clock, list []*bayholdv1.TraceLine) table {
	t := table{cols: []column{
		{title: "line"}, {title: "when"}, {title: "job", wrap: true}, {title: "joint", wrap: true}, {title: "wanted, N·m"},
		{title: "had, N·m"}, {title: "impact", wrap: true}, {title: "decision", wrap: true, drop: 1},
	}}
	for _, l := range list {
		x := l.GetTightening()
		joint := first(x.GetJoint(), x.GetStep())
		if x.GetFastener() != "" {
			joint += ", " + x.GetFastener()
		}
		if x.GetStage() > 1 {
			joint += fmt.Sprintf(", stage %d", x.GetStage())
		}
		t.add(x.GetId(), c.day(x.GetTime().AsTime()), x.GetJob(), joint+turnedWord(x), wantedText(x), hadText(l),
			strings.ToLower(enumWord(l.GetImpact().String(), "TRACE_IMPACT_")), decisionText(c, l.GetDecision()))
	}
	return t
}

func turnedWord(x *bayholdv1.Tightening) string {
	if x.GetCounterclockwise() {
		return ", ccw"
	}
	return ""
}

func wantedText(x *bayholdv1.Tightening) string {
	switch {
	case x.GetAngleDeg() > 0:
		return fmt.Sprintf("%g°", x.GetAngleDeg())
	case x.GetTolerance() > 0:
		return fmt.Sprintf("%g ±%.3g %%", x.GetWantedNm(), x.GetTolerance()*100)
	}
	return fmt.Sprintf("%g", x.GetWantedNm())
}

// hadText shows what a joint will have had, and by how much the tool gave more
// or less than it was set to.
func hadText(l *bayholdv1.TraceLine) string {
	if l.GetTorqueNm() == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f (%+.1f %%)", l.GetTorqueNm(), -l.GetDeviation()/(1+l.GetDeviation())*100)
}

func decisionText(c clock, d *bayholdv1.TraceDecision) string {
	if d == nil {
		return "open"
	}
	return fmt.Sprintf("%s: %s (%s, %s)", strings.ToLower(enumWord(d.GetAnswer().String(), "TRACE_ANSWER_")), d.GetNote(), d.GetPerson(), c.day(d.GetTime().AsTime()))
}

// printTraceNotes prints what figures rest on, each note once.
func (a *app) printTraceNotes(w io.Writer, list []*bayholdv1.TraceLine) {
	var notes []string
	lines := map[string][]string{}
	for _, l := range list {
		for _, n := range l.GetNotes() {
			if lines[n] == nil {
				notes = append(notes, n)
			}
			lines[n] = append(lines[n], l.GetTightening().GetId())
		}
	}
	if len(notes) == 0 {
		return
	}
	fmt.Fprintln(w, "\nWhat the figures rest on:")
	t := facts()
	for _, n := range notes {
		at := strings.Join(lines[n], ", ")
		if len(lines[n]) > 3 {
			at = fmt.Sprintf("%s and %d more", lines[n][0], len(lines[n])-1)
		}
		t.add(at, n)
	}
	writeTable(w, t, a.width())
}
