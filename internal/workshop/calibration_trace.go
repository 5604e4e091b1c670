package workshop

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// finding is a tool found out of tolerance, with its name and, if a certificate
// found it so, that certificate's number.
type finding struct {
	Name, Number string
	calibration.Finding
}

func certificateFinding(id int64) string { return "certificates/" + strconv.FormatInt(id, 10) }
func checkFinding(id string) string      { return "checks/" + id }

// findings are those of a tool, the latest first.
func (rs records) findings(tag string) []finding {
	var out []finding
	for _, c := range rs.certificates[tag] {
		if f, found := calibration.FindingOf(c.Certificate, c.Assessment, rs.zone); found {
			out = append(out, finding{certificateFinding(c.ID), c.Certificate.Number, f})
		}
	}
	for _, c := range rs.checks[tag] {
		if f, found := calibration.FindingOfCheck(c.Check, c.Result); found {
			out = append(out, finding{checkFinding(c.Check.ID), "", f})
		}
	}
	slices.SortStableFunc(out, func(a, b finding) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(b.Name, a.Name)) })
	return out
}

// evidence is every proof that a tool was good.
func (rs records) evidence(t site.Tool, kind site.ToolType) []calibration.Evidence {
	var out []calibration.Evidence
	for _, c := range rs.certificates[t.Tag] {
		if e, good := calibration.EvidenceOf(c.Certificate, c.Assessment, measured(t, kind), rs.zone); good {
			out = append(out, e)
		}
	}
	for _, c := range rs.checks[t.Tag] {
		if e, good := rs.rules.policy().EvidenceOfCheck(c.Check, c.Result); good {
			out = append(out, e)
		}
	}
	return out
}

// TraceSummary counts the lines of a reverse trace.
type TraceSummary struct {
	Finding string      // "certificates/12" or "checks/3"
	Title   string      // the same for people
	Window  hours.Range // in doubt; no start: there is no proof that the tool ever was good
	// Unproven are the lines for whose setting and direction there is no proof:
	// their window has no beginning.
	Unproven int
	Lines    int
	Outside, Doubtful,
	NotJudged, Inside int // of these
	Open int // about which nothing was decided
}

// TraceLine is a tightening in doubt, with what was recorded beside it.
type TraceLine struct {
	calibration.Line
	Source, Person string
}

// ToolTrace is the reverse trace of a finding.
type ToolTrace struct {
	Summary     TraceSummary
	Permissible float64
	Lines       []TraceLine           // by time
	Cleared     []calibration.Cleared // of that time, by time
	Rule        []string              // by which intermediate checks count, in words
	Findings    []TraceSummary        // all of the tool, the latest first
}

// trace follows a finding back.
func (rs records) trace(t site.Tool, kind site.ToolType, f finding) ToolTrace {
	list := make([]calibration.Tightening, 0, len(rs.tightenings[t.Tag]))
	known := map[string]store.TighteningRecord{}
	for _, x := range rs.tightenings[t.Tag] {
		list = append(list, x.Tightening)
		known[x.Tightening.ID] = x
	}
	report := calibration.Trace(f.Finding, rs.evidence(t, kind), list)
	var decided []calibration.Decision
	for _, d := range rs.decisions[t.Tag] {
		if d.Finding == f.Name {
			decided = append(decided, d.Decision)
		}
	}
	open := report.Decide(decided)
	out := ToolTrace{Permissible: f.Permissible, Cleared: report.Cleared, Rule: rs.rules.policy().Check.Text(), Summary: TraceSummary{
		Finding: f.Name, Title: f.Source, Window: report.Window, Lines: len(report.Lines), Open: open,
		Outside: report.Count(calibration.Outside), Doubtful: report.Count(calibration.Doubtful),
		NotJudged: report.Count(calibration.NotJudged), Inside: report.Count(calibration.Inside),
	}}
	out.Summary.Window.Start = time.Time{}
	for _, l := range report.Lines {
		switch start := &out.Summary.Window.Start; {
		case l.Since == nil:
			out.Summary.Unproven++
		case start.IsZero() || l.Since.From.Before(*start):
			*start = l.Since.From
		}
	}
	if len(report.Lines) == 0 {
		out.Summary.Window = report.Window
	}
	for _, l := range report.Lines {
		x := known[l.ID]
		out.Lines = append(out.Lines, TraceLine{Line: l, Source: x.Source, Person: x.Person})
	}
	return out
}

// summary counts the lines of a finding; nil if there is no such finding.
func (rs records) summary(t site.Tool, kind site.ToolType, name string) *TraceSummary {
	for _, f := range rs.findings(t.Tag) {
		if f.Name == name {
			out := rs.trace(t, kind, f).Summary
			return &out
		}
	}
	return nil
}

// find gives a finding by its name or the number of its certificate; the latest
// if it is not named. NotFound if there is none such.
func (rs records) find(tag, name string) (finding, error) {
	all := rs.findings(tag)
	for _, f := range all {
		if name == "" || f.Name == name || f.Number != "" && f.Number == name {
			return f, nil
		}
	}
	switch {
	case len(all) == 0:
		return finding{}, fault.New(fault.NotFound, "NO_FINDING", "tool %q was never found out of tolerance: there is nothing to trace", tag)
	default:
		return finding{}, fault.New(fault.NotFound, "NO_FINDING", "%q did not find tool %q out of tolerance; the latest to do so was %s", name, tag, all[0].Source)
	}
}

// Trace follows a tool back to what it has tightened since it was last known
// good. The finding is named as TraceSummary does, or by the number of a
// certificate; empty: the latest.
func (w *Workshop) Trace(ctx context.Context, slug, tag, name string) (ToolTrace, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (ToolTrace, error) {
		tool, kind, err := calibrated(ctx, r, tag)
		if err != nil {
			return ToolTrace{}, err
		}
		rs, err := readRecords(ctx, r, w.Now(), []string{tag})
		if err != nil {
			return ToolTrace{}, err
		}
		f, err := rs.find(tag, name)
		if err != nil {
			return ToolTrace{}, err
		}
		out := rs.trace(tool, kind, f)
		for _, f := range rs.findings(tag) {
			out.Findings = append(out.Findings, rs.trace(tool, kind, f).Summary)
		}
		return out, nil
	})
}

// maxClosed is how many lines may be closed in one act.
const maxClosed = 1000

// ClosedLines are lines of a trace that were closed, and how the trace stands.
type ClosedLines struct {
	Lines   []TraceLine
	Summary TraceSummary
}

// CloseLines keeps a decision about lines of a trace, all or none. Who decided
// is who acts. NotFound if one of them is no line of the trace.
func (w *Workshop) CloseLines(ctx context.Context, act Act, tag, name string, lines []string, d calibration.Decision) (ClosedLines, error) {
	if err := checkClosing(lines, d); err != nil {
		return ClosedLines{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (ClosedLines, error) {
		var out ClosedLines
		tool, kind, err := lockCalibrated(ctx, tx, tag)
		if err != nil {
			return out, err
		}
		rs, err := readRecords(ctx, tx.Reader, tx.Now(), []string{tag})
		if err != nil {
			return out, err
		}
		f, err := rs.find(tag, name)
		if err != nil {
			return out, err
		}
		before := rs.trace(tool, kind, f)
		var missing fault.Fields
		var decided []calibration.Decision
		for i, id := range lines {
			if !slices.ContainsFunc(before.Lines, func(l TraceLine) bool { return l.ID == id }) {
				missing.Add(fmt.Sprintf("lines[%d]", i), "%s is no line of it", id)
			}
			decided = append(decided, calibration.Decision{Line: id, Answer: d.Answer, Note: d.Note, Person: act.Caller.User, At: tx.Now()})
		}
		if len(missing) > 0 {
			return out, &fault.Error{
				Kind: fault.NotFound, Reason: "NO_LINE", Fields: missing,
				Message: fmt.Sprintf("not all of these are lines of the trace of %s; nothing was closed", f.Source),
			}
		}
		if err := tx.AddDecisions(ctx, tag, f.Name, decided); err != nil {
			return out, err
		}
		tx.Log(store.Event{Kind: "trace.closed", Subject: "tools/" + tag, Details: map[string]any{
			"finding": f.Name, "before": decisions(before.Lines, lines), "after": decided,
		}})
		for _, d := range decided {
			rs.decisions[tag] = append(rs.decisions[tag], store.DecisionRecord{Tool: tag, Finding: f.Name, Decision: d})
		}
		after := rs.trace(tool, kind, f)
		out.Summary = after.Summary
		for _, l := range after.Lines {
			if slices.Contains(lines, l.ID) {
				out.Lines = append(out.Lines, l)
			}
		}
		return out, nil
	})
}

// decisions are those that stand about lines of a trace.
func decisions(list []TraceLine, lines []string) []calibration.Decision {
	out := []calibration.Decision{}
	for _, l := range list {
		if l.Decision != nil && slices.Contains(lines, l.ID) {
			out = append(out, *l.Decision)
		}
	}
	return out
}

func checkClosing(lines []string, d calibration.Decision) error {
	if err := d.Validate(); err != nil {
		return err
	}
	var fs fault.Fields
	checkText(&fs, "decision.note", d.Note, true)
	if len(lines) == 0 || len(lines) > maxClosed {
		fs.Add("lines", "must be 1 to %d", maxClosed)
	}
	seen := map[string]bool{}
	for i, id := range lines {
		if seen[id] {
			fs.Add(fmt.Sprintf("lines[%d]", i), "%s is named twice", id)
		}
		seen[id] = true
	}
	return fs.Err("CLOSE_LINES", "the lines cannot be closed so")
}
