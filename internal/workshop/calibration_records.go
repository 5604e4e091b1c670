package workshop

import (
	"cmp"
	"context"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/hours"
	"bayhold/internal/running"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// records are what is known of the calibration of tools, by asset tag.
type records struct {
	zone         *time.Location
	now          time.Time
	rules        houseRules
	certificates map[string][]CertificateRecord      // by day
	checks       map[string][]CheckRecord            // by time
	events       map[string][]ToolEvent              // by time
	tightenings  map[string][]store.TighteningRecord // by time
	bookings     map[string][]site.Booking           // that have begun, by start
	steps        map[int64][]running.Event           // the course of the jobs of these bookings
	decisions    map[string][]store.DecisionRecord   // by time
}

// readRecords reads the records of tools.
func readRecords(ctx context.Context, r store.Reader, now time.Time, tags []string) (records, error) {
	out := records{
		now: now, certificates: map[string][]CertificateRecord{}, checks: map[string][]CheckRecord{},
		events: map[string][]ToolEvent{}, tightenings: map[string][]store.TighteningRecord{},
		bookings: map[string][]site.Booking{}, decisions: map[string][]store.DecisionRecord{},
	}
	var err error
	if out.zone, err = zoneOf(ctx, r); err != nil {
		return out, err
	}
	if out.rules, err = readRules(ctx, r, tags...); err != nil {
		return out, err
	}
	certificates, err := r.Certificates(ctx, store.CertificateFilter{Tools: tags})
	if err != nil {
		return out, err
	}
	group(out.certificates, certificates, func(c CertificateRecord) string { return c.Tool })
	checks, err := r.Checks(ctx, tags)
	if err != nil {
		return out, err
	}
	group(out.checks, checks, func(c CheckRecord) string { return c.Tool })
	events, err := r.ToolEvents(ctx, tags)
	if err != nil {
		return out, err
	}
	group(out.events, events, func(e ToolEvent) string { return e.Tool })
	tightenings, err := r.TighteningsBy(ctx, tags)
	if err != nil {
		return out, err
	}
	group(out.tightenings, tightenings, func(t store.TighteningRecord) string { return t.Tool })
	decisions, err := r.Decisions(ctx, tags)
	if err != nil {
		return out, err
	}
	group(out.decisions, decisions, func(d store.DecisionRecord) string { return d.Tool })
	return out, out.readBookings(ctx, r, tags)
}

// group sorts a list by asset tag, and keeps its order.
func group[T any](into map[string][]T, list []T, tag func(T) string) {
	for _, v := range list {
		into[tag(v)] = append(into[tag(v)], v)
	}
}

// readBookings reads the bookings that had begun, and what is recorded of their
// jobs.
func (rs *records) readBookings(ctx context.Context, r store.Reader, tags []string) error {
	filter := store.BookingFilter{Now: rs.now, During: hours.Range{
		Start: time.Date(minYear, 1, 1, 0, 0, 0, 0, time.UTC), End: rs.now,
	}, Refs: make([]Ref, 0, len(tags))}
	for _, tag := range tags {
		filter.Refs = append(filter.Refs, Ref{Kind: site.KindTool, ID: tag})
	}
	bookings, err := r.Bookings(ctx, filter)
	if err != nil {
		return err
	}
	leaves, err := r.LeaveJobs(ctx)
	if err != nil {
		return err
	}
	var jobs []int64
	for _, b := range bookings {
		if b.State == site.Confirmed && !leaves[b.Job] {
			rs.bookings[b.Resource] = append(rs.bookings[b.Resource], b)
			jobs = append(jobs, b.Job)
		}
	}
	rs.steps, err = r.EventsOfJobs(ctx, jobs)
	return err
}

// history is what the rules need to know of a tool. A tightening is a use and a
// load. A booking is a use on each of its days, as long as nothing is recorded
// of its job: then it is one at the start of each step that it serves.
func (rs records) history(tag string, kind site.ToolType) calibration.History {
	_, terms := rs.rules.timeline(tag, kind, rs.recorded(tag))
	h := calibration.History{Terms: terms}
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
	known := map[string]bool{} // jobs that something is recorded of
	for _, t := range rs.tightenings[tag] {
		x := t.Tightening
		known[x.Job] = true
		use := calibration.Use{At: x.At, Job: x.Job, Step: cmp.Or(x.Step, x.Joint)}
		if x.Angle == 0 {
			use.Cycles = 1
			h.Events = append(h.Events, calibration.Event{At: x.At, Kind: calibration.Load, Torque: x.Setting()})
		}
		h.Uses = append(h.Uses, use)
	}
	for _, b := range rs.bookings[tag] {
		switch {
		case len(rs.steps[b.Job]) > 0:
			for _, e := range rs.steps[b.Job] {
				if e.Act == running.Start && slices.Contains(b.Steps, e.Step) {
					h.Uses = append(h.Uses, calibration.Use{At: e.At, Job: b.Reference, Step: e.Step})
				}
			}
		case !known[b.Reference]:
			for _, at := range rs.daysOf(b) {
				h.Uses = append(h.Uses, calibration.Use{At: at})
			}
		}
	}
	return h
}

// recorded is when the first certificate of a tool was written down; zero if
// none was.
func (rs records) recorded(tag string) time.Time {
	var out time.Time
	for _, c := range rs.certificates[tag] {
		if out.IsZero() || c.RecordedAt.Before(out) {
			out = c.RecordedAt
		}
	}
	return out
}

// first is how long a calibration of a tool lasted before anything was decided
// anew.
func (rs records) first(tag string, kind site.ToolType) calibration.DuePolicy {
	first, _ := rs.rules.timeline(tag, kind, rs.recorded(tag))
	return first
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
	h := rs.history(t.Tag, kind)
	due := calibration.DueAt(h, measured(t, kind), rs.first(t.Tag, kind), rs.zone, rs.now)
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
		if why, ends := typeRule(rs.rules.policy().Due, kind).Ends(e, measured(t, kind)); ends && e.At.Equal(due.At) {
			due.Reason = why
		}
	}
	return due
}
