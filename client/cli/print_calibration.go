package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// toolOf gives the asset tag from the name of a certificate.
func toolOf(name string) string {
	tool, _, _ := strings.Cut(name, "/certificates/")
	return id(tool)
}

func verdictWord(v bayholdv1.Verdict) string {
	if v == bayholdv1.Verdict_VERDICT_UNSPECIFIED {
		return ""
	}
	return enumWord(v.String(), "VERDICT_")
}

func reasonWord(r bayholdv1.DueReason) string {
	switch r {
	case bayholdv1.DueReason_DUE_REASON_STATED:
		return "date set by hand"
	case bayholdv1.DueReason_DUE_REASON_DATE:
		return "interval over"
	case bayholdv1.DueReason_DUE_REASON_CYCLES:
		return "cycles used up"
	case bayholdv1.DueReason_DUE_REASON_NEVER_CALIBRATED:
		return "no certificate"
	}
	return strings.ToLower(enumWord(r.String(), "DUE_REASON_"))
}

// percent shows a deviation with its sign.
func percent(x float64) string { return fmt.Sprintf("%+.2f %%", x*100) }

// turned shows a direction; nothing for the usual one.
func turned(d bayholdv1.TurningDirection) string {
	if d == bayholdv1.TurningDirection_TURNING_DIRECTION_COUNTERCLOCKWISE {
		return " ccw"
	}
	return ""
}

func (a *app) printCertificates(w io.Writer, list []*bayholdv1.Certificate) {
	if len(list) == 0 {
		a.none(w, "certificates")
		return
	}
	writeTable(w, certificateTable(list), a.width())
}

func certificateTable(list []*bayholdv1.Certificate) table {
	t := table{cols: []column{
		{title: "date"},
		{title: "tool"},
		{title: "number", wrap: true},
		{title: "laboratory", wrap: true},
		{title: "as found", drop: 1},
		{title: "verdict", wrap: true},
	}}
	for _, c := range list {
		found := ""
		if s := c.GetAssessment().GetAsFound(); s.GetVerdict() != 0 {
			found = percent(s.GetWorstDeviation())
		}
		t.add(c.GetDate(), toolOf(c.GetName()), c.GetNumber(), c.GetLaboratory(), found, verdictWord(c.GetAssessment().GetVerdict()))
	}
	return t
}

func (a *app) printCertificate(w io.Writer, c *bayholdv1.Certificate) {
	s := c.GetAssessment()
	air := ""
	if c.TemperatureC != nil {
		air = fmt.Sprintf("%g °C", c.GetTemperatureC())
	}
	if c.Humidity != nil {
		air = strings.TrimPrefix(air+fmt.Sprintf(", %g %% humidity", c.GetHumidity()*100), ", ")
	}
	accepted := "the tool may be used"
	if !s.GetAccepted() {
		accepted = "the tool must not be used"
	}
	writeTable(w, facts(
		[2]string{"Certificate", c.GetNumber()},
		[2]string{"Tool", toolOf(c.GetName())},
		[2]string{"Laboratory", c.GetLaboratory()},
		[2]string{"Date", c.GetDate()},
		[2]string{"Air", air},
		[2]string{"Rule", enumWord(c.GetRule().String(), "DECISION_RULE_")},
		[2]string{"Permitted", fmt.Sprintf("±%.4g %% of the reading (%s)", s.GetPermissibleDeviation()*100, s.GetSource())},
		[2]string{"Paper", documentText(c.GetDocumentSha256())},
		[2]string{"Verdict", verdictWord(s.GetVerdict()) + ": " + accepted},
	), a.width())
	a.printSide(w, "As found", s.GetAsFound())
	a.printSide(w, "As left", s.GetAsLeft())
}

// documentText shows that a paper is kept, by its hash.
func documentText(hash string) string {
	if hash == "" {
		return ""
	}
	return "kept, SHA-256 " + hash
}

// printSide prints the readings of a tool before or after adjustment.
func (a *app) printSide(w io.Writer, heading string, s *bayholdv1.AssessedSide) {
	if len(s.GetPoints()) == 0 || s.GetVerdict() == 0 {
		return
	}
	fmt.Fprintf(w, "\n%s: %s, %s at worst\n", heading, strings.ToLower(verdictWord(s.GetVerdict())), percent(s.GetWorstDeviation()))
	t := table{cols: []column{{title: "set, N·m"}, {title: "read, N·m"}, {title: "deviation"}, {title: "conforms"}, {title: "verdict"}}}
	for _, p := range s.GetPoints() {
		set := fmt.Sprintf("%g%s", p.GetNominalNm(), turned(p.GetDirection()))
		for _, r := range p.GetReadings() {
			conforms := ""
			if r.Conformity != nil {
				conforms = fmt.Sprintf("%.1f %%", r.GetConformity()*100)
			}
			t.add(set, fmt.Sprintf("%g", r.GetMeasuredNm()), percent(r.GetDeviation()), conforms, verdictWord(r.GetVerdict()))
			set = ""
		}
	}
	writeTable(w, t, a.width())
}

func (a *app) printRecorded(w io.Writer, c clock, resp *bayholdv1.RecordCertificateResponse) {
	a.printCertificate(w, resp.GetCertificate())
	if len(resp.GetWarnings()) > 0 {
		fmt.Fprintln(w, "\nLook at this again:")
		t := facts()
		for _, x := range resp.GetWarnings() {
			t.add(x.GetField(), x.GetMessage())
		}
		writeTable(w, t, a.width())
	}
	fmt.Fprintln(w)
	a.printCalibrated(w, c, resp.GetStanding())
	a.printTraced(w, c, id(resp.GetStanding().GetTool().GetName()), resp.GetTrace())
}

// printCalibrated prints until when a tool is in calibration, and what that hits.
func (a *app) printCalibrated(w io.Writer, c clock, s *bayholdv1.ToolCalibration) {
	due := s.GetDue()
	cycles := ""
	if due != nil && due.CyclesLeft != nil {
		cycles = fmt.Sprintf("%d used, %d left", due.GetCyclesUsed(), due.GetCyclesLeft())
	}
	writeTable(w, facts(
		[2]string{"Tool", id(s.GetTool().GetName())},
		[2]string{"In calibration until", first(c.at(due.GetDueTime()), "never was")},
		[2]string{"Because", reasonWord(due.GetReason())},
		[2]string{"Certificate", due.GetCertificateNumber()},
		[2]string{"Cycles", cycles},
		[2]string{"Run out about", c.at(due.GetProjectedTime())},
	), a.width())
	a.printAffected(w, c, s.GetAffectedBookings())
}

func (a *app) printChecked(w io.Writer, c clock, resp *bayholdv1.RecordCheckResponse) {
	check := resp.GetCheck()
	switch {
	case check.GetGood():
		writeText(w, "The check proves the tool good.", a.width())
	case check.GetFailed():
		writeText(w, "The check found the tool out of tolerance: it is out of calibration.", a.width())
	default:
		writeText(w, "The check proves nothing.", a.width())
	}
	for _, d := range check.GetDoubts() {
		writeText(w, "- "+d, a.width())
	}
	a.printSide(w, "Readings on "+id(check.GetTester()), check.GetReadings())
	if len(resp.GetRule()) > 0 {
		fmt.Fprintln(w, "\nThe rule:")
		for _, line := range resp.GetRule() {
			writeText(w, line, a.width())
		}
	}
	fmt.Fprintln(w)
	a.printCalibrated(w, c, resp.GetStanding())
	a.printTraced(w, c, id(resp.GetStanding().GetTool().GetName()), resp.GetTrace())
}

// printTraced says what a finding puts in doubt, if there is one.
func (a *app) printTraced(w io.Writer, c clock, tool string, s *bayholdv1.TraceSummary) {
	if s == nil {
		return
	}
	fmt.Fprintln(w)
	a.printSummary(w, c, tool, s)
	if s.GetLines() > 0 {
		fmt.Fprintf(w, "See each of them: %s\n", a.again("calibration", "trace", tool))
	}
}

func (a *app) printDue(w io.Writer, c clock, horizon time.Time, resp *bayholdv1.ListDueResponse) {
	if len(resp.GetTools()) == 0 {
		writeText(w, "No tool falls due by "+c.show(horizon)+".", a.width())
		return
	}
	writeText(w, "Tools due by "+c.show(horizon)+":", a.width())
	writeTable(w, dueTable(c, resp.GetTools()), a.width())
	for _, s := range resp.GetTools() {
		if left := s.GetDue(); left.CyclesLeft != nil && left.GetProjectedTime() != nil && left.GetProjectedTime().AsTime().Before(left.GetDueTime().AsTime()) {
			writeText(w, fmt.Sprintf("%s: at the rate so far its cycles run out about %s (%d left).",
				id(s.GetTool().GetName()), c.at(left.GetProjectedTime()), left.GetCyclesLeft()), a.width())
		}
	}
}

// dueTable lists tools by when they fall due, each with the bookings that would
// lose it.
func dueTable(c clock, list []*bayholdv1.ToolCalibration) table {
	t := table{cols: []column{
		{title: "tool"}, {title: "due"}, {title: "because", wrap: true}, {title: "certificate", wrap: true, drop: 2},
		{title: "condition", wrap: true, drop: 1}, {title: "would lose it", wrap: true},
	}}
	for _, s := range list {
		var hit []string
		for _, cl := range claimsOf(c, s.GetAffectedBookings()) {
			hit = append(hit, cl.reference+" "+c.show(cl.at.from))
		}
		t.add(id(s.GetTool().GetName()), first(c.at(s.GetDue().GetDueTime()), "-"), reasonWord(s.GetDue().GetReason()),
			s.GetDue().GetCertificateNumber(), condition(c, s.GetTool()), first(strings.Join(hit, ", "), "none"))
	}
	return t
}

func (a *app) printReview(w io.Writer, resp *bayholdv1.ReviewIntervalResponse) {
	if resp.GetPresentSource() != "" {
		writeText(w, "The present interval is "+resp.GetPresentSource()+".", a.width())
		fmt.Fprintln(w)
	}
	for i, p := range resp.GetProposals() {
		if i > 0 {
			fmt.Fprintln(w)
		}
		proposal := "no change"
		if p.GetProposedDays() != p.GetPresentDays() {
			proposal = fmt.Sprintf("%.0f days", p.GetProposedDays())
		}
		raw, data, confidence := "", "none", ""
		if p.GetRawDays() != 0 {
			raw = fmt.Sprintf("%.0f days", p.GetRawDays())
		}
		if p.GetResults() > 0 {
			data = fmt.Sprintf("%d of %d calibrations in tolerance, %s to %s", p.GetInTolerance(), p.GetResults(), p.GetFirstDate(), p.GetLastDate())
		}
		if p.GetConfidence() != 0 {
			confidence = fmt.Sprintf("%.2f %% that the interval misses its target", p.GetConfidence()*100)
		}
		writeTable(w, facts(
			[2]string{"Method", enumWord(p.GetMethod().String(), "REVIEW_METHOD_")},
			[2]string{"Present", fmt.Sprintf("%.0f days", p.GetPresentDays())},
			[2]string{"Data", data},
			[2]string{"Confidence", confidence},
			[2]string{"Method gives", raw},
			[2]string{"Proposal", proposal},
			[2]string{"Why", strings.Join(p.GetReasons(), "\n")},
		), a.width())
	}
}

func (a *app) printAudit(w io.Writer, c clock, during *bayholdv1.TimeRange, resp *bayholdv1.AuditCalibrationResponse) {
	writeText(w, "Calibration from "+c.full(during.GetStart().AsTime())+" to "+c.full(during.GetEnd().AsTime())+":", a.width())
	if len(resp.GetTools()) == 0 {
		a.none(w, "tools that need calibration")
		return
	}
	gaps, open := 0, 0
	for _, t := range resp.GetTools() {
		fmt.Fprintln(w)
		a.printAudited(w, c, t)
		gaps += len(t.GetGaps())
		open += len(t.GetOpenLines())
	}
	fmt.Fprintf(w, "\nTools: %d. Days of use outside calibration: %d. Open lines of reverse traces: %d.\n", len(resp.GetTools()), gaps, open)
}

func (a *app) printAudited(w io.Writer, c clock, t *bayholdv1.AuditedTool) {
	var certificates, periods, checks, gaps, traces []string
	for _, x := range t.GetCertificates() {
		certificates = append(certificates, fmt.Sprintf("%s  %s, %s: %s", x.GetDate(), x.GetNumber(), x.GetLaboratory(),
			strings.ToLower(verdictWord(x.GetAssessment().GetVerdict()))))
	}
	for _, x := range t.GetPeriods() {
		periods = append(periods, fmt.Sprintf("%s by %s, then %s", c.rangeOf(x.GetDuring()), x.GetCertificateNumber(), reasonWord(x.GetEnded())))
	}
	for _, x := range t.GetChecks() {
		outcome := "proves nothing"
		switch {
		case x.GetGood():
			outcome = "good"
		case x.GetFailed():
			outcome = "out of tolerance"
		}
		checks = append(checks, fmt.Sprintf("%s on %s: %s", c.at(x.GetTime()), id(x.GetTester()), outcome))
	}
	for _, x := range t.GetGaps() {
		gaps = append(gaps, gapText(c, x))
	}
	for _, x := range t.GetTraces() {
		traces = append(traces, fmt.Sprintf("%s: %s in doubt, %d outside, %d open", x.GetTitle(),
			counted(int(x.GetLines()), "tightening", "tightenings"), x.GetOutside(), x.GetOpen()))
	}
	for _, l := range t.GetOpenLines() {
		x := l.GetTightening()
		traces = append(traces, fmt.Sprintf("open: %s, %s, %s, %s: wanted %s, had %s: %s", x.GetId(), c.at(x.GetTime()), first(x.GetJob(), "no job"),
			first(x.GetJoint(), x.GetStep(), "no joint"), wantedText(x), hadText(l), strings.ToLower(enumWord(l.GetImpact().String(), "TRACE_IMPACT_"))))
	}
	writeTable(w, facts(
		[2]string{"Tool", id(t.GetTool().GetName()) + ", " + id(t.GetTool().GetToolType())},
		[2]string{"Certificates", first(strings.Join(certificates, "\n"), "none")},
		[2]string{"In calibration", first(strings.Join(periods, "\n"), "not by any certificate")},
		[2]string{"Checks", strings.Join(checks, "\n")},
		[2]string{"Used outside", first(strings.Join(gaps, "\n"), "never")},
		[2]string{"Traces", strings.Join(traces, "\n")},
	), a.width())
}

// gapText says on which day a tool was in use outside calibration, and for what.
func gapText(c clock, x *bayholdv1.CalibrationGap) string {
	var used []string
	named := map[string]bool{}
	for _, s := range x.GetSteps() {
		text := strings.TrimPrefix(s.GetJob()+" "+s.GetStep(), " ")
		if !s.GetRecorded() {
			text += " (planned)"
		}
		used, named[s.GetJob()] = append(used, text), true
	}
	for _, b := range x.GetBookings() {
		if !named[b.GetReference()] {
			used, named[b.GetReference()] = append(used, b.GetReference()+" held it"), true
		}
	}
	if n := x.GetCycles(); n > 0 {
		used = append(used, counted(int(n), "cycle", "cycles")+" counted by hand")
	}
	return fmt.Sprintf("%s  %s; %s", x.GetDate(), reasonWord(x.GetReason()), first(strings.Join(used, ", "), "in use"))
}
