package cli

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// clock reads and shows times in the zone of a site.
type clock struct {
	zone *time.Location
	now  time.Time
	// base is what a weekday is the next after; the present if zero.
	base time.Time
	// machine says that a program reads what is shown, and not a person.
	machine bool
}

// since gives the clock that reads the second of two times: "thu 16:00" is the
// next after the first, where that lies ahead. All else counts from now.
func (c clock) since(first time.Time) clock {
	c.base = later(c.now, first)
	return c
}

// weekdayBase is the instant after which a weekday is looked for.
func (c clock) weekdayBase() time.Time { return later(c.now, c.base) }

// edge says which end of the day a date alone stands for.
type edge int

const (
	dayStart edge = iota
	dayEnd
)

// reading is a time as it was understood.
type reading struct {
	at time.Time
	// note tells how a relative or ambiguous text was read; empty if there
	// was only one way to read it.
	note string
}

// date is a calendar day, and wall a minute of such a day.
type (
	date struct {
		year  int
		month time.Month
		day   int
	}
	wall struct{ hour, minute int }
)

// plus gives the day so many days later.
func (d date) plus(days int) date {
	return dateOf(time.Date(d.year, d.month, d.day+days, 0, 0, 0, 0, time.UTC))
}

func (d date) weekday() time.Weekday {
	return time.Date(d.year, d.month, d.day, 0, 0, 0, 0, time.UTC).Weekday()
}

func (d date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.year, int(d.month), d.day) }

// dateOf gives the day of an instant, in the zone that it carries.
func dateOf(t time.Time) date {
	y, m, d := t.Date()
	return date{y, m, d}
}

// today is the site's day at this moment.
func (c clock) today() date { return dateOf(c.now.In(c.zone)) }

var (
	isoDate   = regexp.MustCompile(`^(\d{4})-(\d{2})-(\d{2})$`)
	wallTime  = regexp.MustCompile(`^(\d{1,2}):(\d{2})$`)
	dayNumber = regexp.MustCompile(`^\d{1,2}$`)
	yearForm  = regexp.MustCompile(`^\d{4}$`)
	zoneMark  = regexp.MustCompile(`^([A-Z]{2,5}|[+-]\d{2,4})$`)
	localForm = regexp.MustCompile(`^(\d{4}-\d{2}-\d{2})T(\d{2}:\d{2})(:00)?$`)
)

// Times must lie where every calendar and the wire format agree.
const firstYear, lastYear = 1970, 9998

// read understands a time as a person types it. Its errors say what is wrong
// with the text and what would be right.
func (c clock) read(text string, e edge) (reading, error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return reading{}, fmt.Errorf(`no time given; write it like "2026-11-25 08:00" or "tue 8:00"`)
	}
	if len(words) == 1 {
		if at, ok, err := readInstant(words[0]); ok || err != nil {
			return reading{at: at}, err
		}
		if m := localForm.FindStringSubmatch(words[0]); m != nil {
			words = []string{m[1], m[2]}
		}
	}
	if strings.EqualFold(text, "now") {
		return c.told(text, roundUp(c.now)), nil
	}
	if len(words[0]) > 1 && (words[0][0] == '+' || words[0][0] == '-') {
		return c.readOffset(text, words, e)
	}
	return c.readDay(text, words, e)
}

// readInstant understands RFC 3339; seconds may be left out but not be used.
func readInstant(word string) (time.Time, bool, error) {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00"} {
		at, err := time.Parse(layout, word)
		if err != nil {
			continue
		}
		if !at.Equal(at.Truncate(time.Minute)) {
			return time.Time{}, false, fmt.Errorf("%q is no whole minute", word)
		}
		if at.Year() < firstYear || at.Year() > lastYear {
			return time.Time{}, false, fmt.Errorf("the year of %q is out of range", word)
		}
		return at.UTC(), true, nil
	}
	return time.Time{}, false, nil
}

// readOffset understands "+3h", "+2d" and "+2d 8:00".
func (c clock) readOffset(text string, words []string, e edge) (reading, error) {
	len1, err := readLength(words[0][1:])
	if err != nil {
		return reading{}, fmt.Errorf("%q: %w", text, err)
	}
	if words[0][0] == '-' {
		len1 = length{days: -len1.days, minutes: -len1.minutes}
	}
	switch {
	case len(words) == 1:
		at, err := c.after(roundUp(c.now), len1)
		if err != nil {
			return reading{}, err
		}
		return c.told(text, at), nil
	case len1.minutes != 0:
		return reading{}, fmt.Errorf("%q: a time of day goes with whole days only", text)
	}
	p := parsed{day: c.today().plus(len1.days), relative: true}
	if err := p.readTail(words[1:]); err != nil {
		return reading{}, fmt.Errorf("%q: %w", text, err)
	}
	return c.resolve(text, p, e)
}

// readDay understands a day, named or dated, with or without a time of day.
func (c clock) readDay(text string, words []string, e edge) (reading, error) {
	p, nextOf, err := c.readDate(words)
	if err != nil {
		return reading{}, fmt.Errorf("%q: %w", text, err)
	}
	r, err := c.resolve(text, p, e)
	if nextOf && err == nil && !r.at.After(c.weekdayBase()) {
		p.day = p.day.plus(7)
		r, err = c.resolve(text, p, e)
	}
	return r, err
}

// parsed is a text taken apart.
type parsed struct {
	day      date
	wall     *wall  // nil: a date alone
	mark     string // abbreviation or offset that tells two equal times apart
	relative bool   // the day depends on the day it is read
}

// readDate takes the words of a day apart. nextOf says that it was only a
// weekday, which means the next such time.
func (c clock) readDate(words []string) (p parsed, nextOf bool, err error) {
	weekday, named := weekdayOf(words[0])
	if named {
		words = words[1:]
	}
	day, rest, relative, ok := c.calendarDay(words)
	switch {
	case !ok && !named:
		if wallTime.MatchString(words[0]) {
			return p, false, fmt.Errorf(`which day? write "today %s" or "tomorrow %s"`, words[0], words[0])
		}
		return p, false, fmt.Errorf(`is no time; write it like "2026-11-25 08:00", "tue 8:00", "tomorrow 8:00" or +2d`)
	case !ok:
		base := dateOf(c.weekdayBase().In(c.zone))
		ahead := (int(weekday) - int(base.weekday()) + 7) % 7
		p.day, p.relative, nextOf = base.plus(ahead), true, true
	default:
		p.day, p.relative = day, relative
		if named && day.weekday() != weekday {
			return p, false, fmt.Errorf("%s is a %s", day, day.weekday())
		}
	}
	return p, nextOf, p.readTail(rest)
}

// calendarDay reads a date from the first words and gives the words after it;
// without a date it gives them all.
func (c clock) calendarDay(words []string) (day date, rest []string, relative, ok bool) {
	if len(words) == 0 {
		return date{}, nil, false, false
	}
	switch strings.ToLower(words[0]) {
	case "today":
		return c.today(), words[1:], true, true
	case "tomorrow":
		return c.today().plus(1), words[1:], true, true
	case "yesterday":
		return c.today().plus(-1), words[1:], true, true
	}
	if m := isoDate.FindStringSubmatch(words[0]); m != nil {
		day = date{number(m[1]), time.Month(number(m[2])), number(m[3])}
		return day, words[1:], false, day.plus(0) == day
	}
	if len(words) >= 2 && dayNumber.MatchString(words[0]) {
		month, named := monthOf(words[1])
		if !named {
			return date{}, words, false, false
		}
		day = date{c.today().year, month, number(words[0])}
		if len(words) >= 3 && yearForm.MatchString(words[2]) {
			day.year = number(words[2])
			return day, words[3:], false, day.plus(0) == day
		}
		day.year = c.nearYear(day)
		return day, words[2:], true, day.plus(0) == day
	}
	return date{}, words, false, false
}

// nearYear gives the year that a date without one belongs to: the one that
// puts it no more than two months back and less than ten months ahead.
func (c clock) nearYear(d date) int {
	y, m, day := c.now.In(c.zone).AddDate(0, -2, 0).Date()
	if d.month < m || d.month == m && d.day < day {
		return y + 1
	}
	return y
}

// readTail reads a time of day and a mark from the last words.
func (p *parsed) readTail(words []string) error {
	if len(words) == 0 {
		return nil
	}
	m := wallTime.FindStringSubmatch(words[0])
	if m == nil {
		return fmt.Errorf("%q is no time of day; write it like 8:00 or 14:30", words[0])
	}
	w := wall{number(m[1]), number(m[2])}
	if w.hour > 23 || w.minute > 59 {
		return fmt.Errorf("%q is no time of day; they go from 00:00 to 23:59", words[0])
	}
	p.wall = &w
	switch {
	case len(words) == 1:
		return nil
	case len(words) == 2 && zoneMark.MatchString(words[1]):
		p.mark = words[1]
		return nil
	}
	return fmt.Errorf("%q is too much", strings.Join(words[1:], " "))
}

// number reads digits that a pattern has found already.
func number(digits string) int {
	n, _ := strconv.Atoi(digits) // the patterns let nothing else pass
	return n
}

// weekdayOf reads the name of a weekday, in full or by its first letters.
func weekdayOf(word string) (time.Weekday, bool) {
	w := strings.ToLower(word)
	for d := time.Sunday; d <= time.Saturday; d++ {
		if full := strings.ToLower(d.String()); len(w) >= 3 && strings.HasPrefix(full, w) {
			return d, true
		}
	}
	return 0, false
}

// monthOf reads the name of a month, in full or by its first letters.
func monthOf(word string) (time.Month, bool) {
	w := strings.ToLower(word)
	for m := time.January; m <= time.December; m++ {
		if full := strings.ToLower(m.String()); len(w) >= 3 && strings.HasPrefix(full, w) {
			return m, true
		}
	}
	return 0, false
}

// roundUp gives the first whole minute that is not before t.
func roundUp(t time.Time) time.Time {
	whole := t.Truncate(time.Minute)
	if whole.Before(t) {
		whole = whole.Add(time.Minute)
	}
	return whole.UTC()
}

// told is a reading that says how it was made.
func (c clock) told(text string, at time.Time) reading {
	return reading{at: at.UTC(), note: fmt.Sprintf("%q is %s.", text, c.full(at))}
}

// stamp is the time as it travels.
func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// sortedUnique sorts instants and drops repeats.
func sortedUnique(ts []time.Time) []time.Time {
	slices.SortFunc(ts, time.Time.Compare)
	return slices.CompactFunc(ts, time.Time.Equal)
}
