package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/tooling"
)

// ToolQuery chooses tools.
type ToolQuery struct {
	Page
	Type string // only of this type; empty: of all
	// Free asks for tools that can be had for all of this time; the zero
	// range does not ask.
	Free hours.Range
	// CalibrationBy asks for tools that need calibration and are out of it at
	// this instant; zero does not ask.
	CalibrationBy time.Time
}

func (q ToolQuery) check() error {
	var fs fault.Fields
	if q.Free != (hours.Range{}) {
		checkRange(&fs, "free_during", q.Free.Start, q.Free.End)
	}
	if !q.CalibrationBy.IsZero() {
		checkTime(&fs, "calibration_ends_by", q.CalibrationBy)
	}
	return fs.Err("TOOLS", "the tools asked for cannot be listed")
}

// FoundTools is a page of tools.
type FoundTools struct {
	Tools []site.Tool
	// Affected are, with CalibrationBy, the coming bookings of these tools
	// that end after their calibration does.
	Affected []site.Booking
}

// Tools lists tools by asset tag.
func (w *Workshop) Tools(ctx context.Context, slug string, q ToolQuery) (FoundTools, error) {
	if err := q.check(); err != nil {
		return FoundTools{}, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (FoundTools, error) {
		if q.Type != "" {
			if _, err := r.ToolType(ctx, q.Type); err != nil {
				return FoundTools{}, err
			}
		}
		return w.findTools(ctx, r, q)
	})
}

func (w *Workshop) findTools(ctx context.Context, r store.Reader, q ToolQuery) (FoundTools, error) {
	var out FoundTools
	tools, err := r.Tools(ctx, Page{After: q.After})
	if err != nil {
		return out, err
	}
	types, err := typesByID(ctx, r)
	if err != nil {
		return out, err
	}
	taken := map[string]bool{}
	if q.Free != (hours.Range{}) {
		bookings, err := r.Bookings(ctx, store.BookingFilter{Now: w.Now(), During: q.Free})
		if err != nil {
			return out, err
		}
		for _, b := range bookings {
			if b.Kind == site.KindTool {
				taken[b.Resource] = true
			}
		}
		if err := w.takeOut(ctx, r, q.Free, taken); err != nil {
			return out, err
		}
	}
	for _, t := range tools {
		if q.Limit > 0 && len(out.Tools) == q.Limit {
			break
		}
		if q.wants(t, types[t.Type], taken) {
			out.Tools = append(out.Tools, t)
		}
	}
	if !q.CalibrationBy.IsZero() {
		out.Affected, err = w.outOfCalibration(ctx, r, out.Tools)
	}
	return out, err
}

// takeOut marks the tools that somebody has during a time, without a booking or
// late.
func (w *Workshop) takeOut(ctx context.Context, r store.Reader, during hours.Range, taken map[string]bool) error {
	zone, err := zoneOf(ctx, r)
	if err != nil {
		return err
	}
	held, err := heldOf(ctx, r, nil)
	for tag, i := range held {
		if away, ok := tooling.Away(i, w.Now(), zone); ok && away.Overlaps(during) {
			taken[tag] = true
		}
	}
	return err
}

func (q ToolQuery) wants(t site.Tool, kind site.ToolType, taken map[string]bool) bool {
	switch {
	case q.Type != "" && t.Type != q.Type:
		return false
	case q.Free != (hours.Range{}) && (taken[t.Tag] || !tooling.Serves(t, kind, q.Free)):
		return false
	case !q.CalibrationBy.IsZero():
		return kind.Calibrated && t.Condition != site.Retired && !t.CalibratedUntil.After(q.CalibrationBy)
	}
	return true
}

// outOfCalibration reads the coming bookings that end after their tool's
// calibration does.
func (w *Workshop) outOfCalibration(ctx context.Context, r store.Reader, tools []site.Tool) ([]site.Booking, error) {
	if len(tools) == 0 {
		return nil, nil
	}
	ends := map[string]time.Time{}
	refs := make([]Ref, 0, len(tools))
	for _, t := range tools {
		ends[t.Tag] = t.CalibratedUntil
		refs = append(refs, Ref{Kind: site.KindTool, ID: t.Tag})
	}
	now := w.Now()
	bookings, err := r.Bookings(ctx, store.BookingFilter{
		Now: now, Refs: refs, During: hours.Range{Start: now, End: now.Add(maxRange)},
	})
	if err != nil {
		return nil, err
	}
	leaves, err := r.LeaveJobs(ctx)
	return slices.DeleteFunc(bookings, func(b site.Booking) bool {
		return leaves[b.Job] || calibration.Covers(ends[b.Resource], b.During)
	}), err
}

func typesByID(ctx context.Context, r store.Reader) (map[string]site.ToolType, error) {
	list, err := r.ToolTypes(ctx, Page{})
	out := make(map[string]site.ToolType, len(list))
	for _, t := range list {
		out[t.ID] = t
	}
	return out, err
}
