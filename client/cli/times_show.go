package cli

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// full shows an instant so that nobody can mistake it.
func (c clock) full(t time.Time) string {
	if c.machine {
		return c.rfc3339(t)
	}
	return t.In(c.zone).Format("Mon 2006-01-02 15:04 MST")
}

// rfc3339 shows an instant to programs, in the site's own zone.
func (c clock) rfc3339(t time.Time) string { return t.In(c.zone).Format(time.RFC3339) }

// show shows an instant the short way, which read understands again: without
// the year where it is plain, with the zone's abbreviation where clocks show
// the same minute twice.
func (c clock) show(t time.Time) string {
	if c.machine {
		return c.rfc3339(t)
	}
	local := t.In(c.zone)
	text := c.day(t) + local.Format(" 15:04")
	if len(c.candidates(dateOf(local), wall{local.Hour(), local.Minute()})) > 1 {
		text += local.Format(" MST")
	}
	return text
}

// day shows the day of an instant: without the year from two months back to
// three months ahead, where nobody takes it for another.
func (c clock) day(t time.Time) string {
	local := t.In(c.zone)
	if c.machine {
		return local.Format(time.DateOnly)
	}
	if c.nearYear(dateOf(local)) == local.Year() && t.Before(c.now.AddDate(0, 3, 0)) {
		return local.Format("Mon 02 Jan")
	}
	return local.Format("Mon 02 Jan 2006")
}

// span shows a half-open range; the day once if both ends lie in it. To
// programs it is an interval of ISO 8601.
func (c clock) span(from, to time.Time) string {
	if c.machine {
		return c.rfc3339(from) + "/" + c.rfc3339(to)
	}
	if dateOf(from.In(c.zone)) == dateOf(to.In(c.zone)) {
		return c.show(from) + "-" + strings.TrimPrefix(c.show(to), c.day(to)+" ")
	}
	return c.show(from) + " to " + c.show(to)
}

// brief shows a range that lies within a week: weekdays and times.
func (c clock) brief(from, to time.Time) string {
	if c.machine {
		return c.span(from, to)
	}
	a, b := from.In(c.zone), to.In(c.zone)
	if dateOf(a) == dateOf(b) {
		return a.Format("Mon 15:04") + "-" + b.Format("15:04")
	}
	return a.Format("Mon 15:04") + "-" + b.Format("Mon 15:04")
}

// at shows an instant from the wire; nothing if it is absent.
func (c clock) at(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return ""
	}
	return c.show(ts.AsTime())
}

// rangeOf shows a range from the wire; nothing if it is absent.
func (c clock) rangeOf(r *bayholdv1.TimeRange) string {
	if r == nil {
		return ""
	}
	return c.span(r.GetStart().AsTime(), r.GetEnd().AsTime())
}

// typed shows an instant as a command line takes it, always read the same way.
func (c clock) typed(t time.Time) string {
	local := t.In(c.zone)
	if len(c.candidates(dateOf(local), wall{local.Hour(), local.Minute()})) > 1 {
		return local.Format("2006-01-02T15:04:05Z07:00")
	}
	return local.Format("2006-01-02 15:04")
}

// hours shows a length of time in hours and minutes.
func hours(d time.Duration) string {
	h, m := int(d/time.Hour), int(d%time.Hour/time.Minute)
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}
