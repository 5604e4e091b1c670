package workshop

import (
	"cmp"
	"context"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// AuditedTool is what an auditor asks of one tool.
type AuditedTool struct {
	Tool         site.Tool
	Type         site.ToolType
	Certificates []CertificateRecord  // dated within the time, by day
	Checks       []CheckRecord        // within the time, by time
	Periods      []calibration.Period // that touch the time
	Gaps         []AuditedGap
	Traces       []TraceSummary // of findings within the time, and older ones that are open
	Open         []TraceLine    // the open lines of these, by time
}

// AuditedGap is a day on which a tool was in use and not in calibration.
type AuditedGap struct {
	calibration.Gap
	Bookings []site.Booking // that it was in use for
	Steps    []UsedStep     // by time
	Cycles   int            // that were counted by hand
}

// UsedStep is a step for which a tool was in use.
type UsedStep struct {
	At        time.Time // of a tightening, or the start of the step
	Job, Step string    // the job's reference; the step's id or title
	Recorded  bool      // else it is only known to have been planned then
}

// Audit is how calibration stood in a time.
type Audit struct {
	Site    site.Site
	Zone    *time.Location
	During  hours.Range
	Made    time.Time
	Tools   []AuditedTool // by asset tag
	Checks  []string      // the rule by which an intermediate check counts, in words
	Classes string        // where the permissible deviations of the classes come from
}

// AuditCalibration tells of every tool that needed calibration how it stood in a
// time, by what certificates prove. One that is retired is left out if there is
// nothing to tell of it.
func (w *Workshop) AuditCalibration(ctx context.Context, slug string, during hours.Range) (Audit, error) {
	var fs fault.Fields
	checkRange(&fs, "during", during.Start, during.End)
	if err := fs.Err("AUDIT", "the time asked for cannot be audited"); err != nil {
		return Audit{}, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Audit, error) {
		out := Audit{During: during, Made: w.Now()}
		tools, err := r.Tools(ctx, Page{})
		if err != nil {
			return out, err
		}
		types, err := typesByID(ctx, r)
		if err != nil {
			return out, err
		}
		tools = slices.DeleteFunc(tools, func(t site.Tool) bool { return !types[t.Type].Calibrated })
		rs, err := readRecords(ctx, r, out.Made, tagsOf(tools))
		if err != nil {
			return out, err
		}
		out.Zone, out.Checks, out.Classes = rs.zone, rs.rules.policy().Check.Text(), rs.rules.policy().Classes.Source
		if out.Site, err = r.Site(ctx); err != nil {
			return out, err
		}
		for _, t := range tools {
			a, err := rs.audit(ctx, r, t, types[t.Type], during)
			if err != nil {
				return out, err
			}
			told := len(a.Certificates) + len(a.Checks) + len(a.Periods) + len(a.Gaps) + len(a.Traces)
			if t.Condition != site.Retired || told > 0 {
				out.Tools = append(out.Tools, a)
			}
		}
		return out, nil
	})
}

// audit tells how a tool stood in a time.
func (rs records) audit(ctx context.Context, r store.Reader, t site.Tool, kind site.ToolType, during hours.Range) (AuditedTool, error) {
	out := AuditedTool{Tool: t, Type: kind}
	first, last := hours.DateOf(during.Start, rs.zone), hours.DateOf(during.End.Add(-1), rs.zone)
	for _, c := range rs.certificates[t.Tag] {
		if day := c.Certificate.Date; day.Compare(first) >= 0 && day.Compare(last) <= 0 {
			out.Certificates = append(out.Certificates, c)
		}
	}
	for _, c := range rs.checks[t.Tag] {
		if during.Has(c.Check.At) {
			out.Checks = append(out.Checks, c)
		}
	}
	h, tool := rs.history(t.Tag, kind), measured(t, kind)
	for _, p := range calibration.Periods(h, tool, rs.first(t.Tag, kind), rs.zone, rs.now) {
		if p.During.Start.Before(during.End) && during.Start.Before(p.During.End) {
			out.Periods = append(out.Periods, p)
		}
	}
	for _, g := range calibration.Gaps(h, tool, rs.first(t.Tag, kind), rs.zone, during, rs.now) {
		gap, err := rs.gap(ctx, r, t.Tag, g)
		if err != nil {
			return out, err
		}
		out.Gaps = append(out.Gaps, gap)
	}
	rs.openTraces(&out, during)
	return out, nil
}

// openTraces adds the traces that an auditor asks about.
func (rs records) openTraces(out *AuditedTool, during hours.Range) {
	for _, f := range slices.Backward(rs.findings(out.Tool.Tag)) {
		t := rs.trace(out.Tool, out.Type, f)
		if !f.At.Before(during.End) || !during.Has(f.At) && t.Summary.Open == 0 {
			continue
		}
		out.Traces = append(out.Traces, t.Summary)
		for _, l := range t.Lines {
			if l.Decision == nil {
				out.Open = append(out.Open, l)
			}
		}
	}
	slices.SortStableFunc(out.Open, func(a, b TraceLine) int { return a.At.Compare(b.At) })
}

// gap tells what a tool was used for on a day outside calibration.
func (rs records) gap(ctx context.Context, r store.Reader, tag string, g calibration.Gap) (AuditedGap, error) {
	out := AuditedGap{Gap: g, Bookings: rs.usedFor(tag, g)}
	seen := map[UsedStep]bool{}
	add := func(s UsedStep) {
		key := s
		key.At = time.Time{}
		if !seen[key] {
			out.Steps = append(out.Steps, s)
		}
		seen[key] = true
	}
	for _, u := range g.Uses {
		switch {
		case u.Job != "" || u.Step != "":
			add(UsedStep{At: u.At, Job: u.Job, Step: u.Step, Recorded: true})
		default:
			out.Cycles += u.Cycles
		}
	}
	day := hours.Range{Start: g.Day.At(0, rs.zone), End: g.Day.AddDays(1).At(0, rs.zone)}
	for _, b := range out.Bookings {
		if len(rs.steps[b.Job]) > 0 {
			continue // what is recorded says more
		}
		job, err := r.Job(ctx, b.Job, rs.now)
		if err != nil {
			return out, err
		}
		for _, s := range job.Steps {
			if slices.Contains(b.Steps, s.ID) && s.During.Start.Before(day.End) && day.Start.Before(s.During.End) {
				add(UsedStep{At: s.During.Start, Job: b.Reference, Step: s.ID})
			}
		}
	}
	slices.SortStableFunc(out.Steps, func(a, b UsedStep) int { return a.At.Compare(b.At) })
	return out, nil
}

// usedFor gives the bookings whose use makes up a gap, by start.
func (rs records) usedFor(tag string, g calibration.Gap) []site.Booking {
	var out []site.Booking
	for _, b := range rs.bookings[tag] {
		days := rs.daysOf(b)
		if slices.ContainsFunc(g.Uses, func(u calibration.Use) bool {
			return u.Job == b.Reference && b.During.Has(u.At) || u.Job == "" && slices.ContainsFunc(days, u.At.Equal)
		}) {
			out = append(out, b)
		}
	}
	slices.SortFunc(out, func(a, b site.Booking) int {
		return cmp.Or(a.During.Start.Compare(b.During.Start), cmp.Compare(a.ID, b.ID))
	})
	return out
}
