// Package hours is the workshop's working time: weekly shifts, exceptions,
// closures and the arithmetic of half-open time ranges.
//
// Shifts are local wall time in the site's zone; what they mean as instants is
// worked out day by day from the zone database, so that a day of 23 or 25 hours
// has the hours it really has. One rule serves both daylight-saving changes: a
// wall time stands for the first instant at which the local clock shows it or a
// later time. A time that is skipped therefore means the moment of the change,
// and a time that comes twice means its first coming; stretches that touch on
// paper touch in fact and never overlap.
package hours

import "time"

const dayMinutes = 24 * 60

// Range is a half-open range of instants, [Start, End).
type Range struct{ Start, End time.Time }

// Stretch is a half-open range of a local day in minutes after midnight. End
// may pass 1440 for a shift that ends after midnight; it is at most 2880. A
// stretch belongs to the day on which it begins.
type Stretch struct{ Start, End int }

// Date is a day of the local calendar.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// Pattern is when somebody works: a week, and days that differ from it.
type Pattern struct {
	// Week holds the stretches of each weekday, indexed by time.Weekday.
	Week [7][]Stretch
	// Exceptions replaces the week's stretches on single days; an empty
	// list is a day off. A night shift that began the evening before runs on.
	Exceptions map[Date][]Stretch
}

// On gives the stretches that begin on a day.
func (p Pattern) On(d Date) []Stretch {
	if s, ok := p.Exceptions[d]; ok {
		return s
	}
	return p.Week[d.Weekday()]
}
