package hours

import (
	"maps"
	"slices"
	"time"

	"bayhold/internal/fault"
)

// maxExceptions bounds a pattern's days that differ: ten years of days.
const maxExceptions = 3660

// Validate reports everything that is wrong with the pattern, as an Invalid
// fault with a field for each day: stretches out of bounds, out of order or
// overlapping, also with those of the day before, and days that do not exist.
func (p Pattern) Validate() error {
	var fs fault.Fields
	check := func(path string, before, day []Stretch) {
		if err := inOrder(day); err != nil {
			fs.Add(path, "%v", err)
			return
		}
		if n := len(before); n > 0 && len(day) > 0 && before[n-1].End-dayMinutes > day[0].Start {
			fs.Add(path, "%s begins before %s of the day before has ended", day[0], before[n-1])
		}
	}
	for d := range time.Weekday(7) {
		check(dayNames[d], p.Week[(d+6)%7], p.Week[d])
	}
	if len(p.Exceptions) > maxExceptions {
		fs.Add("exceptions", "%d days differ from the week, more than %d", len(p.Exceptions), maxExceptions)
		return fs.Err("BAD_SHIFTS", "the shifts are not sound")
	}
	for _, d := range slices.SortedFunc(maps.Keys(p.Exceptions), Date.Compare) {
		if !d.Valid() {
			fs.Add(d.String(), "is no day of the calendar")
			continue
		}
		check(d.String(), p.On(d.AddDays(-1)), p.On(d))
		if next := d.AddDays(1); !p.differs(next) {
			check(next.String(), p.On(d), p.On(next))
		}
	}
	return fs.Err("BAD_SHIFTS", "the shifts are not sound")
}

func (p Pattern) differs(d Date) bool {
	_, ok := p.Exceptions[d]
	return ok
}

// inOrder checks the stretches of one day.
func inOrder(day []Stretch) error {
	if len(day) > maxStretches {
		return fault.New(fault.Invalid, "TOO_MANY_STRETCHES", "a day has at most %d stretches", maxStretches)
	}
	for i, s := range day {
		switch {
		case s.Start < 0 || s.Start >= dayMinutes || s.End > 2*dayMinutes:
			return fault.New(fault.Invalid, "BAD_STRETCH",
				"minutes %d to %d are no stretch of a day: it begins on the day and ends by the end of the next", s.Start, s.End)
		case s.End <= s.Start:
			return fault.New(fault.Invalid, "BAD_STRETCH", "a stretch from minute %d to %d ends before it begins", s.Start, s.End)
		case i > 0 && day[i-1].End > s.Start:
			return fault.New(fault.Invalid, "STRETCHES_OVERLAP",
				"%s begins before %s has ended: write the stretches of a day in order", s, day[i-1])
		}
	}
	return nil
}
