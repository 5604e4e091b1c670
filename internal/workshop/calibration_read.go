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

// Certificate reads a certificate of a tool.
func (w *Workshop) Certificate(ctx context.Context, slug, tag string, id int64) (CertificateRecord, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (CertificateRecord, error) {
		list, err := r.Certificates(ctx, store.CertificateFilter{Tools: []string{tag}, ID: id})
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, "NOT_FOUND", "tool %q has no certificate %d: ask for the list to see what there is", tag, id)
		}
		if err != nil {
			return CertificateRecord{}, err
		}
		return list[0], nil
	})
}

// Document reads the paper of a certificate of a tool; nil if none is kept.
func (w *Workshop) Document(ctx context.Context, slug, tag string, id int64) ([]byte, error) {
	if _, err := w.Certificate(ctx, slug, tag, id); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]byte, error) { return r.Document(ctx, id) })
}

// CertificateQuery chooses certificates, and continues a list by day.
type CertificateQuery struct {
	Tool     string // only of this tool; empty: of all
	AfterDay hours.Date
	AfterID  int64
	Limit    int
}

// Certificates lists certificates by day.
func (w *Workshop) Certificates(ctx context.Context, slug string, q CertificateQuery) ([]CertificateRecord, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]CertificateRecord, error) {
		f := store.CertificateFilter{AfterDay: q.AfterDay, AfterID: q.AfterID, Limit: q.Limit}
		if q.Tool != "" {
			if _, err := r.Tool(ctx, q.Tool); err != nil {
				return nil, err
			}
			f.Tools = []string{q.Tool}
		}
		return r.Certificates(ctx, f)
	})
}

// Due lists the tools that need calibration and are out of it at an instant, the
// most urgent first, each with the bookings that end after its calibration does.
func (w *Workshop) Due(ctx context.Context, slug string, horizon time.Time) ([]ToolCalibration, error) {
	var fs fault.Fields
	checkTime(&fs, "horizon_time", horizon)
	if err := fs.Err("DUE", "the due list cannot be made"); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]ToolCalibration, error) {
		found, err := w.findTools(ctx, r, ToolQuery{CalibrationBy: horizon})
		if err != nil || len(found.Tools) == 0 {
			return nil, err
		}
		types, err := typesByID(ctx, r)
		if err != nil {
			return nil, err
		}
		rs, err := readRecords(ctx, r, w.Now(), tagsOf(found.Tools))
		if err != nil {
			return nil, err
		}
		affected := map[string][]site.Booking{}
		for _, b := range found.Affected {
			affected[b.Resource] = append(affected[b.Resource], b)
		}
		out := make([]ToolCalibration, 0, len(found.Tools))
		for _, t := range found.Tools {
			out = append(out, ToolCalibration{Tool: t, Due: rs.due(t, types[t.Type]), Affected: affected[t.Tag]})
		}
		slices.SortStableFunc(out, func(a, b ToolCalibration) int { return a.Due.At.Compare(b.Due.At) })
		return out, nil
	})
}

func tagsOf(tools []site.Tool) []string {
	out := make([]string, 0, len(tools))
	for _, t := range tools {
		out = append(out, t.Tag)
	}
	return out
}

// ReviewInterval tells what the certificates of a tool say about its interval
// in days, by each method; present 0 is the policy's.
func (w *Workshop) ReviewInterval(ctx context.Context, slug, tag string, present float64) ([]calibration.Proposal, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]calibration.Proposal, error) {
		_, kind, err := calibrated(ctx, r, tag)
		if err != nil {
			return nil, err
		}
		list, err := r.Certificates(ctx, store.CertificateFilter{Tools: []string{tag}})
		if err != nil {
			return nil, err
		}
		results := resultsOf(list)
		if present == 0 {
			present = policyDays(dueRule(kind))
		}
		var out []calibration.Proposal
		for _, review := range []func(float64, []calibration.Result, calibration.ReviewPolicy) (calibration.Proposal, error){
			calibration.ReviewStaircase, calibration.ReviewByTest, calibration.ReviewExponential,
		} {
			p, err := review(present, results, rules().Review)
			if err != nil {
				return nil, err
			}
			out = append(out, p)
		}
		return out, nil
	})
}

// policyDays is an interval in days; twelve months are a year of 365.
func policyDays(p calibration.DuePolicy) float64 { return float64(p.Months*365/12 + p.Days) }

// resultsOf gives what each certificate found, by day, with the days since the
// one before.
func resultsOf(list []CertificateRecord) []calibration.Result {
	var out []calibration.Result
	for i, c := range list {
		interval := 0.0
		if i > 0 {
			before := list[i-1].Certificate.Date
			interval = c.Certificate.Date.At(0, time.UTC).Sub(before.At(0, time.UTC)).Hours() / 24
		}
		if result, ok := calibration.ResultOf(c.Certificate, c.Assessment, interval); ok {
			out = append(out, result)
		}
	}
	return out
}

// AuditedTool is what an auditor asks of one tool.
type AuditedTool struct {
	Tool         site.Tool
	Certificates []CertificateRecord  // dated within the time, by day
	Checks       []CheckRecord        // within the time, by time
	Periods      []calibration.Period // that touch the time
	Gaps         []AuditedGap
}

// AuditedGap is a day on which a tool was in use and not in calibration.
type AuditedGap struct {
	calibration.Gap
	Bookings []site.Booking // that it was in use for
}

// AuditCalibration tells of every tool that needs calibration and is not retired
// how it stood in a time, by what certificates prove.
func (w *Workshop) AuditCalibration(ctx context.Context, slug string, during hours.Range) ([]AuditedTool, error) {
	var fs fault.Fields
	checkRange(&fs, "during", during.Start, during.End)
	if err := fs.Err("AUDIT", "the time asked for cannot be audited"); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]AuditedTool, error) {
		tools, err := r.Tools(ctx, Page{})
		if err != nil {
			return nil, err
		}
		types, err := typesByID(ctx, r)
		if err != nil {
			return nil, err
		}
		tools = slices.DeleteFunc(tools, func(t site.Tool) bool {
			return !types[t.Type].Calibrated || t.Condition == site.Retired
		})
		rs, err := readRecords(ctx, r, w.Now(), tagsOf(tools))
		if err != nil {
			return nil, err
		}
		out := make([]AuditedTool, 0, len(tools))
		for _, t := range tools {
			out = append(out, rs.audit(t, types[t.Type], during))
		}
		return out, nil
	})
}

// audit tells how a tool stood in a time.
func (rs records) audit(t site.Tool, kind site.ToolType, during hours.Range) AuditedTool {
	out := AuditedTool{Tool: t}
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
	h, tool := rs.history(t.Tag), measured(t, kind)
	for _, p := range calibration.Periods(h, tool, dueRule(kind), rs.zone, rs.now) {
		if p.During.Start.Before(during.End) && during.Start.Before(p.During.End) {
			out.Periods = append(out.Periods, p)
		}
	}
	for _, g := range calibration.Gaps(h, tool, dueRule(kind), rs.zone, during, rs.now) {
		out.Gaps = append(out.Gaps, AuditedGap{g, rs.usedFor(t.Tag, g)})
	}
	return out
}

// usedFor gives the bookings whose use makes up a gap, by start.
func (rs records) usedFor(tag string, g calibration.Gap) []site.Booking {
	var out []site.Booking
	for _, b := range rs.bookings[tag] {
		days := rs.daysOf(b)
		if slices.ContainsFunc(g.Uses, func(u calibration.Use) bool {
			return slices.ContainsFunc(days, u.At.Equal)
		}) {
			out = append(out, b)
		}
	}
	slices.SortFunc(out, func(a, b site.Booking) int {
		return cmp.Or(a.During.Start.Compare(b.During.Start), cmp.Compare(a.ID, b.ID))
	})
	return out
}
