package board

import (
	"cmp"
	"embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
	"bayhold/internal/workshop"
)

//go:embed audit.html audit.css
var auditLayouts embed.FS

var auditPage = template.Must(template.New("audit.html").ParseFS(auditLayouts, "audit.html", "audit.css"))

// AuditHTML writes an audit as a page that stands by itself, without scripts and
// without requests, meant to be printed on A4.
func (Sheets) AuditHTML(w io.Writer, a workshop.Audit) error {
	return auditPage.Execute(w, newAudit(a))
}

// audit is an audit in words, as the page prints it.
type audit struct {
	Workshop, From, Until, Made string
	Tools                       []auditedTool
	Days, Open                  int // of use outside calibration; lines of traces
	Rule                        []string
	Classes                     string
}

type auditedTool struct {
	Tag, Name     string
	Facts         []fact
	Certificates  [][]string // date, number, laboratory, as found, as left, verdict
	Periods       [][]string // from, until, by, why it ended
	Checks        [][]string // when, tester, outcome
	Gaps          []auditedGap
	Traces        []string
	Open          [][]string // line, when, job, joint, wanted, had, impact
	Clean, Traced bool
}

type auditedGap struct {
	Day, Why string
	Uses     []string
}

func newAudit(a workshop.Audit) audit {
	w := auditWriter{zone: a.Zone}
	if w.zone == nil {
		w.zone = time.UTC
	}
	out := audit{
		Workshop: cmp.Or(a.Site.Name, a.Site.ID), From: w.at(a.During.Start), Until: w.at(a.During.End), Made: w.at(a.Made),
		Rule: a.Checks, Classes: a.Classes,
	}
	for _, t := range a.Tools {
		out.Tools = append(out.Tools, w.tool(t))
		out.Days += len(t.Gaps)
		out.Open += len(t.Open)
	}
	return out
}

// auditWriter puts an audit into words, in the site's time.
type auditWriter struct{ zone *time.Location }

func (w auditWriter) at(t time.Time) string { return t.In(w.zone).Format("2006-01-02 15:04 MST") }

func (w auditWriter) span(r hours.Range) string { return w.at(r.Start) + " to " + w.at(r.End) }

func (w auditWriter) tool(t workshop.AuditedTool) auditedTool {
	out := auditedTool{Tag: t.Tool.Tag, Name: t.Type.Name, Clean: len(t.Gaps) == 0, Traced: len(t.Traces) > 0}
	if t.Type.ISOType != "" {
		out.Facts = append(out.Facts, fact{"ISO 6789", strings.TrimSpace("type " + t.Type.ISOType + " class " + t.Type.ISOClass)})
	}
	if t.Type.TorqueMax > 0 {
		out.Facts = append(out.Facts, fact{"Range", fmt.Sprintf("%g to %g N·m", t.Type.TorqueMin, t.Type.TorqueMax)})
	}
	if t.Type.Permissible > 0 {
		out.Facts = append(out.Facts, fact{"May deviate", fmt.Sprintf("%.3g %% of the reading, by its own data", t.Type.Permissible*100)})
	}
	out.Facts = append(out.Facts, fact{"Condition", strings.ToLower(string(t.Tool.Condition))})
	for _, c := range t.Certificates {
		out.Certificates = append(out.Certificates, []string{
			c.Certificate.Date.String(), c.Certificate.Number, c.Certificate.Laboratory,
			sideText(c.Assessment.AsFound), sideText(c.Assessment.AsLeft), verdictText(c.Assessment.Overall()),
		})
	}
	for _, p := range t.Periods {
		out.Periods = append(out.Periods, []string{w.at(p.During.Start), w.at(p.During.End), p.Certificate, reasonText(p.Ended)})
	}
	for _, c := range t.Checks {
		out.Checks = append(out.Checks, []string{w.at(c.Check.At), c.Check.Tester.Tag, checkText(c.Result), strings.Join(c.Result.Doubts, "; ")})
	}
	for _, g := range t.Gaps {
		out.Gaps = append(out.Gaps, w.gap(g))
	}
	for _, s := range t.Traces {
		out.Traces = append(out.Traces, w.trace(s))
	}
	for _, l := range t.Open {
		out.Open = append(out.Open, w.line(l))
	}
	return out
}

func (w auditWriter) gap(g workshop.AuditedGap) auditedGap {
	out := auditedGap{Day: g.Day.String(), Why: reasonText(g.Reason)}
	if !g.Since.IsZero() {
		out.Why += ", since " + w.at(g.Since)
	}
	named := map[string]bool{}
	for _, s := range g.Steps {
		text := w.at(s.At) + "  " + strings.TrimSpace(s.Job+" "+s.Step)
		if !s.Recorded {
			text += " (planned; nothing is recorded)"
		}
		out.Uses, named[s.Job] = append(out.Uses, text), true
	}
	for _, b := range g.Bookings {
		if !named[b.Reference] {
			out.Uses, named[b.Reference] = append(out.Uses, b.Reference+" held it "+w.span(b.During)), true
		}
	}
	if g.Cycles > 0 {
		out.Uses = append(out.Uses, fmt.Sprintf("%d cycles, counted by hand", g.Cycles))
	}
	return out
}

func (w auditWriter) trace(s workshop.TraceSummary) string {
	since := "without a beginning, for there is no proof that it was good"
	if !s.Window.Start.IsZero() {
		since = "since " + w.at(s.Window.Start)
	}
	out := fmt.Sprintf("Found out of tolerance by %s. Tightenings in doubt, %s: %d, of which %d outside the joint's tolerance, %d doubtful, %d not judged, %d inside. Open: %d.",
		s.Title, since, s.Lines, s.Outside, s.Doubtful, s.NotJudged, s.Inside, s.Open)
	if s.Unproven > 0 && !s.Window.Start.IsZero() {
		out += fmt.Sprintf(" For the setting or direction of %d of them there is no proof at all that the tool was good.", s.Unproven)
	}
	return out
}

func (w auditWriter) line(l workshop.TraceLine) []string {
	joint := cmp.Or(l.Joint, l.Step)
	if l.Fastener != "" {
		joint += ", " + l.Fastener
	}
	wanted, had := fmt.Sprintf("%g", l.Wanted), "-"
	switch {
	case l.Angle > 0:
		wanted = fmt.Sprintf("%g°", l.Angle)
	case l.Tolerance > 0:
		wanted += fmt.Sprintf(" ±%.3g %%", l.Tolerance*100)
	}
	if l.Torque > 0 {
		had = fmt.Sprintf("%.1f", l.Torque)
	}
	return []string{l.ID, w.at(l.At), l.Job, joint, wanted, had, impactTexts[l.Impact]}
}

var impactTexts = map[calibration.Impact]string{
	calibration.Outside: "outside", calibration.Doubtful: "doubtful", calibration.NotJudged: "not judged", calibration.Inside: "inside",
}

func sideText(s calibration.Side) string {
	if s.Verdict == "" {
		return "-"
	}
	return fmt.Sprintf("%+.2f %%", s.Worst*100)
}

func verdictText(v calibration.Verdict) string {
	return strings.ToLower(strings.ReplaceAll(string(v), "_", " "))
}

func checkText(r calibration.CheckResult) string {
	switch {
	case r.Good:
		return "good"
	case r.Failed:
		return "out of tolerance"
	}
	return "proves nothing"
}

var reasonTexts = map[calibration.Reason]string{
	calibration.ByDate: "interval over", calibration.ByCycles: "cycles used up", calibration.ByOverload: "overload",
	calibration.NotAccepted: "certificate not accepted", calibration.NeverCalibrated: "no certificate",
	calibration.Superseded: "next certificate", workshop.Stated: "date set by hand",
}

func reasonText(r calibration.Reason) string {
	return cmp.Or(reasonTexts[r], strings.ToLower(strings.ReplaceAll(string(r), "_", " ")))
}
