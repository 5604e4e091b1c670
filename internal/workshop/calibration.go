package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Stated is the reason of a calibration that ends on a date that was set by
// hand: there is no certificate that it could follow from.
const Stated calibration.Reason = "STATED"

// What is recorded of a tool's calibration.
type (
	// CertificateRecord is a certificate, judged.
	CertificateRecord = store.CertificateRecord
	// CheckRecord is an intermediate check, judged.
	CheckRecord = store.CheckRecord
	// ToolEvent is anything else that happened to a tool.
	ToolEvent = store.ToolEvent
	// TighteningRecord is a tightening as it was recorded.
	TighteningRecord = store.TighteningRecord
)

// ToolCalibration is how a tool stands.
type ToolCalibration struct {
	Tool     site.Tool
	Due      calibration.Due // At is the tool's CalibratedUntil, by which it is planned and booked
	Affected []site.Booking  // standing bookings that it cannot serve
}

// measured is a tool as the rules of calibration see it.
func measured(t site.Tool, kind site.ToolType) calibration.Tool {
	return calibration.Tool{
		Tag: t.Tag, Kind: calibration.Kind(kind.ISOType), Class: kind.ISOClass,
		Min: kind.TorqueMin, Max: kind.TorqueMax, Permissible: kind.Permissible,
	}
}

// recalibrate works out anew until when a tool is in calibration, from all that is
// recorded of it, and writes it. The caller has locked the tool. Of one without
// certificates only the event at hand is looked at: those before it may have
// been answered by what was set by hand.
func (w *Workshop) recalibrate(ctx context.Context, tx *store.Tx, before site.Tool, kind site.ToolType, event *calibration.Event) (ToolCalibration, error) {
	rs, err := readRecords(ctx, tx.Reader, tx.Now(), []string{before.Tag})
	if err != nil {
		return ToolCalibration{Tool: before}, err
	}
	return rs.recalibrate(ctx, tx, before, kind, event)
}

func (rs records) recalibrate(ctx context.Context, tx *store.Tx, before site.Tool, kind site.ToolType, event *calibration.Event) (ToolCalibration, error) {
	out := ToolCalibration{Tool: before}
	tool := measured(before, kind)
	if until, certified := rs.calibratedUntil(before, kind); certified {
		out.Tool.CalibratedUntil = until
	} else if event != nil {
		if _, ends := typeRule(rs.rules.policy().Due, kind).Ends(*event, tool); ends && event.At.Before(before.CalibratedUntil) {
			out.Tool.CalibratedUntil = event.At
		}
	}
	out.Due = rs.due(out.Tool, kind)
	if !out.Tool.CalibratedUntil.Equal(before.CalibratedUntil) {
		tx.Log(changed("tool.changed", "tools/"+before.Tag, before, out.Tool))
		if err := tx.PutTool(ctx, out.Tool); err != nil {
			return out, err
		}
	}
	var err error
	out.Affected, err = unserved(ctx, tx.Reader, tx.Now(), out.Tool, kind)
	return out, err
}

// calibratedUntil is until when a tool is in calibration by its certificates;
// false if it has none.
func (rs records) calibratedUntil(t site.Tool, kind site.ToolType) (time.Time, bool) {
	h := rs.history(t.Tag, kind)
	if len(h.Calibrations) == 0 {
		return time.Time{}, false
	}
	// Whole minutes, as everywhere; cycles may run out within one.
	return calibration.DueAt(h, measured(t, kind), rs.first(t.Tag, kind), rs.zone, rs.now).At.UTC().Truncate(time.Minute), true
}

// recalibrateAll does the same for tools that the caller has locked, and gives
// those that fall due at another time than before.
func recalibrateAll(ctx context.Context, tx *store.Tx, tools []site.Tool, types map[string]site.ToolType) ([]ToolCalibration, error) {
	rs, err := readRecords(ctx, tx.Reader, tx.Now(), tagsOf(tools))
	if err != nil {
		return nil, err
	}
	var out []ToolCalibration
	for _, t := range tools {
		now, err := rs.recalibrate(ctx, tx, t, types[t.Type], nil)
		if err != nil {
			return nil, err
		}
		if !now.Tool.CalibratedUntil.Equal(t.CalibratedUntil) {
			out = append(out, now)
		}
	}
	return out, nil
}

// recount works out anew until when tools are in calibration that have been
// used. Those without certificates stay as they are, and so do names of none.
func recount(ctx context.Context, tx *store.Tx, tags []string) error {
	tags = slices.DeleteFunc(slices.Clone(tags), func(tag string) bool { return tag == "" })
	if len(tags) == 0 {
		return nil
	}
	tools, err := tx.Tools(ctx, Page{}, tags...)
	if err != nil {
		return err
	}
	types, err := typesByID(ctx, tx.Reader)
	if err != nil {
		return err
	}
	rs, err := readRecords(ctx, tx.Reader, tx.Now(), tags)
	if err != nil {
		return err
	}
	// Looked at first without a lock: a use seldom changes anything, and rows of
	// resources are locked here after that of the job.
	tools = slices.DeleteFunc(tools, func(t site.Tool) bool {
		kind := types[t.Type]
		until, certified := rs.calibratedUntil(t, kind)
		return !kind.Calibrated || !certified || until.Equal(t.CalibratedUntil)
	})
	if len(tools) == 0 {
		return nil
	}
	if err := tx.Lock(ctx, toolRefs(tools)); err != nil {
		return err
	}
	if tools, err = tx.Tools(ctx, Page{}, tagsOf(tools)...); err != nil {
		return err
	}
	_, err = recalibrateAll(ctx, tx, tools, types)
	return err
}
