package sitefile

import (
	"strconv"
	"strings"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// maxWeeks is how far a relative day may lie from the week it counts from.
const maxWeeks = 52

// setAnchor fixes the zone and the week that times in the files are told in.
func (r *reader) setAnchor(w *Workshop, now time.Time) {
	at := w.Site
	if at == nil {
		at = r.known.Site
	}
	r.zone = time.UTC
	if at != nil {
		if z, err := loadZone(at.TimeZone); err == nil {
			r.zone = z
		}
	}
	if !now.IsZero() {
		today := hours.DateOf(now, r.zone)
		r.monday = today.AddDays(-(int(today.Weekday()) + 6) % 7)
	}
}

// day reads a date, or a day of a week near the present: "week tue",
// "week+1 tue", "week-2 fri".
func (r *reader) day(s string) (hours.Date, string) {
	week, name, relative := strings.Cut(s, " ")
	shift, isWeek := strings.CutPrefix(week, "week")
	if !relative || !isWeek {
		d, err := hours.ParseDate(s)
		if err != nil || d.Year < 1970 || d.Year > 2500 {
			return d, "a day such as 2026-11-25 or week+1 tue"
		}
		return d, ""
	}
	n := 0
	if shift != "" {
		var err error
		if n, err = strconv.Atoi(shift); err != nil || shift[0] != '+' && shift[0] != '-' || n < -maxWeeks || n > maxWeeks {
			return hours.Date{}, "week, or week+1 and so on to week+" + strconv.Itoa(maxWeeks)
		}
	}
	days, err := hours.ParseWeekdays(name)
	if err != nil || len(days) != 1 {
		return hours.Date{}, "a weekday after it: mon, tue, wed, thu, fri, sat or sun"
	}
	if r.monday == (hours.Date{}) {
		return hours.Date{}, "a date: there is no present day here to count weeks from"
	}
	return r.monday.AddDays(7*n + (int(days[0])+6)%7), ""
}

// moment reads an instant: RFC 3339, or a day with a local time. A day alone is
// its first instant, or as an end the first instant after it.
func (v value) moment(end bool) time.Time {
	s, ok := v.scalar()
	if !ok {
		return time.Time{}
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		if t.Year() < 1970 || t.Year() > 2500 {
			v.fault("%q is out of range: a year from 1970 to 2500", clip(s))
		}
		return t.UTC()
	}
	words := strings.Fields(s)
	minute := 0
	if end {
		minute = 24 * 60
	}
	if n := len(words); n > 1 && strings.Contains(words[n-1], ":") {
		var err error
		if minute, err = hours.ParseClock(words[n-1]); err != nil {
			v.fault("%q is no time: its time of day must be from 00:00 to 24:00", clip(s))
			return time.Time{}
		}
		words = words[:n-1]
	}
	d, want := v.r.day(strings.Join(words, " "))
	if want != "" {
		v.fault("%q is no time: write %s, with a time of day such as 08:00 behind it where it matters", clip(s), want)
		return time.Time{}
	}
	return d.At(minute, v.r.zone)
}

// during reads a range of time from two fields; it reports whether there is a
// sound one.
func (o object) during(start, end value) (hours.Range, bool) {
	r := hours.Range{Start: start.moment(false), End: end.moment(true)}
	switch {
	case r.Start.IsZero() || r.End.IsZero():
		return r, false
	case r.Empty():
		end.fault("%s is not after %s, where it starts", o.r.local(r.End), o.r.local(r.Start))
		return r, false
	case r.Length() > maxRange:
		end.fault("the time from %s to %s is longer than a year", o.r.local(r.Start), o.r.local(r.End))
		return r, false
	}
	return r, true
}

// local writes an instant as people of the site read it.
func (r *reader) local(t time.Time) string { return t.In(r.zone).Format("Mon 2006-01-02 15:04") }

// closures reads the times when a bay is closed or a technician absent.
func (v value) closures() []site.Closure {
	var out []site.Closure
	for _, e := range v.bounded(maxListed) {
		o, ok := e.object("from", "to", "reason")
		if !ok {
			continue
		}
		reason := o.title("reason")
		from := o.need("from", "the day or time it begins, such as 2026-11-25 or week+1 tue 13:00")
		to := o.need("to", "the last day, or the time it ends")
		if during, ok := o.during(from, to); ok {
			out = append(out, site.Closure{During: during, Reason: reason})
		}
	}
	return out
}

func loadZone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, strconv.ErrSyntax
	}
	return time.LoadLocation(name)
}
