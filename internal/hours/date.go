package hours

import (
	"cmp"
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
func (d Date) At(minute int, zone *time.Location) time.Time {
	wall := d.utc().Add(time.Duration(minute) * time.Minute)
	// No zone is two days away from UTC, so the local clock is behind the
	// wall time at first; from there each offset is tried for as long as it
	// is in force.
	t := wall.AddDate(0, 0, -2).In(zone)
	for {
		start, end := t.ZoneBounds()
		_, offset := t.Zone()
		at := wall.Add(-time.Duration(offset) * time.Second)
		switch {
		case !start.IsZero() && at.Before(start):
			return start.UTC() // skipped: the clock jumped over it
		case end.IsZero() || at.Before(end):
			return at
		}
		t = end
	}
}

// utc is the day's midnight as if the zone were UTC.
func (d Date) utc() time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC)
}
