package workshop

import (
	"context"
	"slices"
	"time"

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
