package tooling

import (
	"slices"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// FreedFrom tells from when on a return frees the booking that a tool was out
// for; zero if it frees nothing of it.
//
// The steps are those of the job that are not finished. Done says that the
// technician is done with the tool: then it is free from the return on. Without
// that it is free once the steps that the booking serves are over, by their
// places in the job; a reservation, which has no steps, is kept. Steps that have
// begun and are not finished keep it in any case, until they end. A booking that has not begun is kept: nothing can be done with it yet. Whole
// minutes, rounded up; what is left of the booking is never empty.
func FreedFrom(b site.Booking, steps []site.JobStep, begun []string, done bool, now time.Time) time.Time {
	now = minuteUp(now)
	if !b.During.Start.Before(now) || !now.Before(b.During.End) {
		return time.Time{}
	}
	if !done && len(b.Steps) == 0 {
		return time.Time{}
	}
	cut := now
	for _, s := range steps {
		if !slices.Contains(b.Steps, s.ID) || done && !slices.Contains(begun, s.ID) {
			continue
		}
		if s.During.End.After(cut) {
			cut = minuteUp(s.During.End)
		}
	}
	if !cut.Before(b.During.End) {
		return time.Time{}
	}
	return cut
}

// AwayWhileLate is the time for which a tool that is late is reckoned not to be
// there: nobody knows when it comes back, so it is until the end of the site's
// day. Somebody who plans for another day counts on it.
func AwayWhileLate(now time.Time, zone *time.Location) hours.Range {
	return hours.Range{Start: now, End: hours.DateOf(now, zone).AddDays(1).At(0, zone)}
}

// Away is the time for which a tool that is out cannot be had by others, beyond
// what its bookings say; false if it adds nothing to them.
func Away(i site.Issue, now time.Time, zone *time.Location) (hours.Range, bool) {
	switch {
	case !i.Open():
		return hours.Range{}, false
	case i.Late(now):
		return AwayWhileLate(now, zone), true
	case i.Booking == 0:
		return hours.Range{Start: now, End: i.DueAt}, true
	}
	return hours.Range{}, false
}

// DayEnd is when a technician's work ends on the day of an instant: the end of
// the last shift of that day that is not over; the end of the day if there is
// none. OnShift tells whether they work, or will today.
func DayEnd(t site.Technician, now time.Time, zone *time.Location) (end time.Time, onShift bool) {
	midnight := hours.DateOf(now, zone).AddDays(1).At(0, zone)
	for _, r := range t.Shifts.Expand(zone, now, midnight) {
		end, onShift = r.End, true
	}
	if !onShift {
		return midnight.UTC(), false
	}
	return end.UTC(), true
}

// AbsentAt is the absence of a technician that covers an instant; false if there
// is none.
func AbsentAt(t site.Technician, now time.Time) (site.Closure, bool) {
	for _, c := range t.Absences {
		if c.During.Has(now) {
			return c, true
		}
	}
	return site.Closure{}, false
}

func minuteUp(t time.Time) time.Time {
	down := t.Truncate(time.Minute)
	if down.Before(t) {
		return down.Add(time.Minute)
	}
	return down
}
