package workshop

import (
	"context"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
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
)

// ToolCalibration is how a tool stands.
type ToolCalibration struct {
	Tool     site.Tool
	Due      calibration.Due // At is the tool's CalibratedUntil, by which it is planned and booked
	Affected []site.Booking  // standing bookings that it cannot serve
}

// rules are what calibration is judged by.
func rules() calibration.Policy { return calibration.DefaultPolicy() }

// dueRule is how long a calibration of a tool of this type holds: the house
// rule, but for what the type says itself.
func dueRule(kind site.ToolType) calibration.DuePolicy {
	rule := rules().Due
	if kind.CalibrationMonths > 0 {
		rule.Months, rule.Days = kind.CalibrationMonths, 0
	}
	if kind.CalibrationCycles > 0 {
		rule.Cycles = kind.CalibrationCycles
	}
	return rule
}

// measured is a tool as the rules of calibration see it.
func measured(t site.Tool, kind site.ToolType) calibration.Tool {
	return calibration.Tool{
		Tag: t.Tag, Kind: calibration.Kind(kind.ISOType), Class: kind.ISOClass,
		Min: kind.TorqueMin, Max: kind.TorqueMax, Permissible: kind.Permissible,
	}
}

// records are what is known of the calibration of tools, by asset tag.
type records struct {
	zone         *time.Location
	now          time.Time
	certificates map[string][]CertificateRecord // by day
	checks       map[string][]CheckRecord       // by time
	events       map[string][]ToolEvent         // by time
	bookings     map[string][]site.Booking      // that have begun, by start
}

// readRecords reads the records of tools.
func readRecords(ctx context.Context, r store.Reader, now time.Time, tags []string) (records, error) {
	out := records{
		now: now, certificates: map[string][]CertificateRecord{}, checks: map[string][]CheckRecord{},
		events: map[string][]ToolEvent{}, bookings: map[string][]site.Booking{},
	}
	var err error
	if out.zone, err = zoneOf(ctx, r); err != nil {
		return out, err
	}
	certificates, err := r.Certificates(ctx, store.CertificateFilter{Tools: tags})
	if err != nil {
		return out, err
	}
	for _, c := range certificates {
		out.certificates[c.Tool] = append(out.certificates[c.Tool], c)
	}
	checks, err := r.Checks(ctx, tags)
	if err != nil {
		return out, err
	}
	for _, c := range checks {
		out.checks[c.Tool] = append(out.checks[c.Tool], c)
	}
	events, err := r.ToolEvents(ctx, tags)
	if err != nil {
		return out, err
	}
	for _, e := range events {
		out.events[e.Tool] = append(out.events[e.Tool], e)
	}
	return out, out.readBookings(ctx, r, tags)
}

// readBookings reads the bookings that had begun: until it is recorded what a
// tool was used for, they are its use.
func (rs records) readBookings(ctx context.Context, r store.Reader, tags []string) error {
	filter := store.BookingFilter{Now: rs.now, During: hours.Range{
		Start: time.Date(minYear, 1, 1, 0, 0, 0, 0, time.UTC), End: rs.now,
	}, Refs: make([]Ref, 0, len(tags))}
	for _, tag := range tags {
		filter.Refs = append(filter.Refs, Ref{Kind: site.KindTool, ID: tag})
	}
	bookings, err := r.Bookings(ctx, filter)
	for _, b := range bookings {
		if b.State == site.Confirmed {
			rs.bookings[b.Resource] = append(rs.bookings[b.Resource], b)
		}
	}
	return err
}

// history is what the rules need to know of a tool.
func (rs records) history(tag string) calibration.History {
	var h calibration.History
	for _, c := range rs.certificates[tag] {
		h.Calibrations = append(h.Calibrations, c.Certificate.Calibration(c.Assessment, rs.zone))
	}
	for _, e := range rs.events[tag] {
		if e.Cycles > 0 {
			h.Uses = append(h.Uses, calibration.Use{At: e.Event.At, Cycles: e.Cycles})
		} else {
			h.Events = append(h.Events, e.Event)
		}
	}
	for _, b := range rs.bookings[tag] {
		for _, at := range rs.daysOf(b) {
			h.Uses = append(h.Uses, calibration.Use{At: at})
		}
	}
	return h
}

// daysOf gives an instant on each day of a booking that has begun: its start,
// then midnights.
func (rs records) daysOf(b site.Booking) []time.Time {
	out := []time.Time{b.During.Start}
	for day := hours.DateOf(b.During.Start, rs.zone).AddDays(1); ; day = day.AddDays(1) {
		at := day.At(0, rs.zone)
		if !at.Before(b.During.End) || at.After(rs.now) {
			return out
		}
		out = append(out, at.UTC())
	}
}

// due tells until when a tool is in calibration: what stands with the tool, and
// why it ends then. A date set by hand stands until there is a certificate.
func (rs records) due(t site.Tool, kind site.ToolType) calibration.Due {
	h := rs.history(t.Tag)
	due := calibration.DueAt(h, measured(t, kind), dueRule(kind), rs.zone, rs.now)
	if len(h.Calibrations) > 0 && !t.CalibratedUntil.After(due.At) {
		due.At = t.CalibratedUntil
		return due
	}
	due.At = t.CalibratedUntil
	if due.At.IsZero() {
		return due
	}
	due.Reason = Stated
	for _, e := range h.Events {
		if why, ends := dueRule(kind).Ends(e, measured(t, kind)); ends && e.At.Equal(due.At) {
			due.Reason = why
		}
	}
	return due
}

// recalibrate works out anew until when a tool is in calibration, from all that is
// recorded of it, and writes it. The caller has locked the tool. Of one without
// certificates only the event at hand is looked at: those before it may have
// been answered by what was set by hand.
func (w *Workshop) recalibrate(ctx context.Context, tx *store.Tx, before site.Tool, kind site.ToolType, event *calibration.Event) (ToolCalibration, error) {
	out := ToolCalibration{Tool: before}
	rs, err := readRecords(ctx, tx.Reader, tx.Now(), []string{before.Tag})
	if err != nil {
		return out, err
	}
	tool := measured(before, kind)
	if h := rs.history(before.Tag); len(h.Calibrations) > 0 {
		// Whole minutes, as everywhere; cycles may run out within one.
		out.Tool.CalibratedUntil = calibration.DueAt(h, tool, dueRule(kind), rs.zone, rs.now).At.UTC().Truncate(time.Minute)
	} else if event != nil {
		if _, ends := dueRule(kind).Ends(*event, tool); ends && event.At.Before(before.CalibratedUntil) {
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
	out.Affected, err = unserved(ctx, tx.Reader, tx.Now(), out.Tool, kind)
	return out, err
}
