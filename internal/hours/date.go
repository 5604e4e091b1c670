package hours

import (
	"cmp"
	"sort"
	"time"
)

// DateOf is the local day of an instant.
func DateOf(t time.Time, zone *time.Location) Date {
	y, m, d := t.In(zone).Date()
	return Date{Year: y, Month: m, Day: d}
}

// AddDays is the day n days later, or earlier if n is negative.
func (d Date) AddDays(n int) Date {
	return DateOf(d.utc().AddDate(0, 0, n), time.UTC)
}

// Weekday is the day of the week.
func (d Date) Weekday() time.Weekday { return d.utc().Weekday() }

// Valid reports whether the calendar has such a day, in the years 1 to 9999.
func (d Date) Valid() bool {
	return d.Year >= 1 && d.Year <= 9999 && DateOf(d.utc(), time.UTC) == d
}

// Compare is -1, 0 or 1 as d is before, on or after e.
func (d Date) Compare(e Date) int {
	return cmp.Or(cmp.Compare(d.Year, e.Year), cmp.Compare(d.Month, e.Month), cmp.Compare(d.Day, e.Day))
}

// At is the instant that a wall time stands for, in minutes after the day's
// midnight: the first at which the local clock shows that time or a later one.
//
// It asks what a clock shows, and not time.Time.ZoneBounds, which in the years
// beyond a zone's table ends a leap year a day early, before the time asked about.
func (d Date) At(minute int, zone *time.Location) time.Time {
	wall := d.utc().Add(time.Duration(minute) * time.Minute)
	shown := func(t time.Time) time.Time {
		_, offset := t.In(zone).Zone()
		return t.Add(time.Duration(offset) * time.Second)
	}
	// No clock is a day away from UTC, so these see every offset that is in
	// force around the time; the greatest gives the earliest instant.
	var at time.Time
	for _, around := range []time.Duration{-aDayAway, 0, aDayAway} {
		near := wall.Add(around)
		if t := wall.Add(near.Sub(shown(near))); shown(t).Equal(wall) && (at.IsZero() || t.Before(at)) {
			at = t
		}
	}
	if !at.IsZero() {
		return at
	}
	// The clock jumped over it.
	from := wall.Add(-aDayAway)
	seconds := sort.Search(int(2*aDayAway/time.Second), func(n int) bool {
		return !shown(from.Add(time.Duration(n) * time.Second)).Before(wall)
	})
	return from.Add(time.Duration(seconds) * time.Second)
}

// aDayAway is farther than any local clock is from UTC.
const aDayAway = 26 * time.Hour

// utc is the day's midnight as if the zone were UTC.
func (d Date) utc() time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
}
