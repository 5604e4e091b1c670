package hours

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"bayhold/internal/fault"
)

// maxStretches bounds what one day may be cut into.
const maxStretches = 12

// dayNames are the weekdays as they are written, indexed by time.Weekday.
var dayNames = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// ParseDate reads a day such as "2026-11-25".
func ParseDate(s string) (Date, error) {
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		if d := DateOf(t, time.UTC); d.Valid() {
			return d, nil
		}
	}
	return Date{}, fault.New(fault.Invalid, "BAD_DATE", "%q is no day: write it like 2026-11-25", clip(s))
}

// ParseClock reads a time of day such as "08:00", in minutes after midnight.
// The end of the day is "24:00".
func ParseClock(s string) (int, error) {
	hour, minute, found := strings.Cut(s, ":")
	h, okHour := digits(hour)
	m, okMinute := digits(minute)
	if !found || !okHour || !okMinute || len(minute) != 2 || m > 59 || h*60+m > dayMinutes {
		return 0, fault.New(fault.Invalid, "BAD_CLOCK", "%q is no time of day: write it like 08:00, at most 24:00", clip(s))
	}
	return h*60 + m, nil
}

// digits reads one or two digits and nothing else.
func digits(s string) (int, bool) {
	if len(s) == 0 || len(s) > 2 {
		return 0, false
	}
	n, err := strconv.ParseUint(s, 10, 8)
	return int(n), err == nil
}

// ParseStretch reads a stretch such as "08:00-12:30". One that ends before it
// begins ends on the next day ("22:00-06:00"); "+1" says so where it is longer
// than a day ("08:00-10:00+1").
func ParseStretch(s string) (Stretch, error) {
	from, to, found := strings.Cut(s, "-")
	if !found {
		return Stretch{}, fault.New(fault.Invalid, "BAD_STRETCH", "%q is no stretch of a day: write it like 08:00-12:30", clip(s))
	}
	start, err := ParseClock(strings.TrimSpace(from))
	if err != nil {
		return Stretch{}, err
	}
	to, next := strings.CutSuffix(strings.TrimSpace(to), "+1")
	end, err := ParseClock(to)
	if err != nil {
		return Stretch{}, err
	}
	switch {
	case start == dayMinutes:
		return Stretch{}, fault.New(fault.Invalid, "BAD_STRETCH", "%q begins at 24:00: write it on the next day, from 00:00", clip(s))
	case end == start && !next:
		return Stretch{}, fault.New(fault.Invalid, "BAD_STRETCH", "%q ends when it begins: for a whole day write 00:00-24:00", clip(s))
	case end < start || next:
		end += dayMinutes
	}
	return Stretch{Start: start, End: end}, nil
}

// ParseStretches reads the stretches of a day, such as
// "08:00-12:00, 13:00-17:00", or "off" for none. They must follow one another.
func ParseStretches(s string) ([]Stretch, error) {
	if strings.TrimSpace(s) == "off" {
		return nil, nil
	}
	if strings.Count(s, ",") >= maxStretches {
		return nil, fault.New(fault.Invalid, "TOO_MANY_STRETCHES", "a day has at most %d stretches", maxStretches)
	}
	var out []Stretch
	for part := range strings.SplitSeq(s, ",") {
		st, err := ParseStretch(strings.TrimSpace(part))
		if err != nil {
			return nil, err
		}
		out = append(out, st)
	}
	return out, inOrder(out)
}

// ParseWeekdays reads weekdays such as "mon", "mon-fri" or "sat, mon-wed", in
// the order in which they are written. A range may pass the end of the week.
func ParseWeekdays(s string) ([]time.Weekday, error) {
	var out []time.Weekday
	for part := range strings.SplitSeq(s, ",") {
		from, to, isRange := strings.Cut(part, "-")
		first, ok := weekday(from)
		last := first
		if isRange && ok {
			last, ok = weekday(to)
		}
		if !ok {
			return nil, fault.New(fault.Invalid, "BAD_WEEKDAYS", "%q are no weekdays: write mon, tue, wed, thu, fri, sat, sun, or mon-fri", clip(s))
		}
		for d := first; ; d = (d + 1) % 7 {
			if slices.Contains(out, d) {
				return nil, fault.New(fault.Invalid, "BAD_WEEKDAYS", "%q names %s twice", clip(s), dayNames[d])
			}
			out = append(out, d)
			if d == last {
				break
			}
		}
	}
	return out, nil
}

func weekday(s string) (time.Weekday, bool) {
	i := slices.Index(dayNames[:], strings.ToLower(strings.TrimSpace(s)))
	return time.Weekday(i), i >= 0
}

// clip shortens what is quoted in a message.
func clip(s string) string {
	const limit = 60
	if len(s) > limit {
		return strings.ToValidUTF8(s[:limit], "") + "…"
	}
	return s
}
