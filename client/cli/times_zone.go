package cli

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// candidates gives the instants at which the zone's clocks show that minute
// of that day: one as a rule, none when clocks jump over it, two when they
// are put back.
func (c clock) candidates(d date, w wall) []time.Time {
	shown := time.Date(d.year, d.month, d.day, w.hour, w.minute, 0, 0, time.UTC)
	var out []time.Time
	// Offsets lie within 14 hours of UTC: these three instants see every
	// offset that can be in force around the minute.
	for _, around := range []time.Duration{-26 * time.Hour, 0, 26 * time.Hour} {
		_, offset := shown.Add(around).In(c.zone).Zone()
		at := shown.Add(-time.Duration(offset) * time.Second)
		local := at.In(c.zone)
		if dateOf(local) == d && local.Hour() == w.hour && local.Minute() == w.minute {
			out = append(out, at)
		}
	}
	return sortedUnique(out)
}

// resolve turns a day and a time of day into an instant.
func (c clock) resolve(text string, p parsed, e edge) (reading, error) {
	if p.day.year < firstYear || p.day.year > lastYear {
		return reading{}, fmt.Errorf("%q: the year %d is out of range", text, p.day.year)
	}
	if p.wall == nil {
		day := p.day
		if e == dayEnd {
			day = day.plus(1)
		}
		r := reading{at: c.midnight(day)}
		switch {
		case p.relative && e == dayEnd:
			r.note = fmt.Sprintf("%q is the end of %s %s.", text, p.day.weekday().String()[:3], p.day)
		case p.relative:
			r = c.told(text, r.at)
		}
		return r, nil
	}
	found := c.candidates(p.day, *p.wall)
	if p.mark != "" {
		return c.marked(text, p, found)
	}
	switch {
	case len(found) == 0:
		return reading{}, c.skipped(text, p)
	case len(found) > 1:
		return reading{
			at: found[0].UTC(),
			note: fmt.Sprintf("%q comes twice that day; it is read as the first, %s. The second is %s.",
				text, c.full(found[0]), found[1].In(c.zone).Format("2006-01-02T15:04:05Z07:00")),
		}, nil
	case p.relative:
		return c.told(text, found[0]), nil
	}
	return reading{at: found[0].UTC()}, nil
}

// marked picks the instant that carries the abbreviation or offset given.
func (c clock) marked(text string, p parsed, found []time.Time) (reading, error) {
	for _, at := range found {
		if name, _ := at.In(c.zone).Zone(); name == p.mark {
			return reading{at: at.UTC()}, nil
		}
	}
	return reading{}, fmt.Errorf("%q: the clocks of %s do not show %s at that time", text, c.zone, p.mark)
}

// midnight gives the first instant of a day. Some zones jump over 00:00; the
// day then begins with the first minute after the jump.
func (c clock) midnight(d date) time.Time {
	if found := c.candidates(d, wall{}); len(found) > 0 {
		return found[0].UTC()
	}
	_, after := c.jump(d, wall{})
	return after.UTC()
}

// jump gives the change of clocks that skips a minute of a day: the instant,
// as clocks showed it before and as they show it after.
func (c clock) jump(d date, w wall) (before, after time.Time) {
	near := time.Date(d.year, d.month, d.day, w.hour, w.minute, 0, 0, c.zone)
	start, end := near.ZoneBounds()
	at := start
	if near.Sub(start) > end.Sub(near) && !end.IsZero() {
		at = end
	}
	name, offset := at.Add(-time.Second).In(c.zone).Zone()
	return at.In(time.FixedZone(name, offset)), at.In(c.zone)
}

// skipped says that clocks jump over a time.
func (c clock) skipped(text string, p parsed) error {
	before, after := c.jump(p.day, *p.wall)
	return fmt.Errorf("%q does not exist in %s: clocks go from %s to %s on %s",
		text, c.zone, before.Format("15:04"), after.Format("15:04"), p.day)
}

// length is a length of time: calendar days, and minutes.
type length struct{ days, minutes int }

var (
	lengthForm = regexp.MustCompile(`^(\d{1,5}[wdhm])+$`)
	lengthPart = regexp.MustCompile(`(\d+)([wdhm])`)
)

// readLength understands "4h", "2d", "1w", "1d12h", "90m".
func readLength(text string) (length, error) {
	lower := strings.ToLower(strings.ReplaceAll(text, " ", ""))
	if !lengthForm.MatchString(lower) {
		return length{}, fmt.Errorf("%q is no length of time; write it like 90m, 4h, 2d or 1w", text)
	}
	var out length
	for _, m := range lengthPart.FindAllStringSubmatch(lower, -1) {
		switch n := number(m[1]); m[2] {
		case "w":
			out.days += 7 * n
		case "d":
			out.days += n
		case "h":
			out.minutes += 60 * n
		case "m":
			out.minutes += n
		}
	}
	return out, nil
}

// after gives the instant that comes so much later: days by the calendar,
// minutes by the clock. A time of day that the calendar's day skips becomes
// the first minute after the jump.
func (c clock) after(t time.Time, l length) (time.Time, error) {
	local := t.In(c.zone)
	day, w := dateOf(local).plus(l.days), wall{local.Hour(), local.Minute()}
	if day.year < firstYear || day.year > lastYear {
		return time.Time{}, fmt.Errorf("the year %d is out of range", day.year)
	}
	at := t
	if l.days != 0 {
		found := c.candidates(day, w)
		if len(found) > 0 {
			at = found[0]
		} else {
			_, at = c.jump(day, w)
		}
	}
	return at.Add(time.Duration(l.minutes) * time.Minute).UTC(), nil
}
