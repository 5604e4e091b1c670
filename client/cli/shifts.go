package cli

import (
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// technicianEdit is a change of hours, read and understood.
type technicianEdit struct {
	absences closureEdit
	shifts   []*bayholdv1.Shift
	days     []*bayholdv1.ShiftException
}

// reads tells whether the change needs what stands now.
func (e technicianEdit) reads() bool {
	return e.absences.any() || len(e.shifts) > 0 || len(e.days) > 0
}

// apply makes the change.
func (e technicianEdit) apply(t *bayholdv1.Technician) {
	t.Absences = e.absences.apply(t.GetAbsences())
	for _, s := range e.shifts {
		t.Shifts = slices.DeleteFunc(t.Shifts, func(o *bayholdv1.Shift) bool { return o.GetWeekday() == s.GetWeekday() })
		if len(s.GetStretches()) > 0 {
			t.Shifts = append(t.Shifts, s)
		}
	}
	slices.SortFunc(t.Shifts, func(a, b *bayholdv1.Shift) int { return int(a.GetWeekday()) - int(b.GetWeekday()) })
	for _, d := range e.days {
		t.ShiftExceptions = slices.DeleteFunc(t.ShiftExceptions,
			func(o *bayholdv1.ShiftException) bool { return o.GetDate() == d.GetDate() })
		t.ShiftExceptions = append(t.ShiftExceptions, d)
	}
	slices.SortFunc(t.ShiftExceptions, func(a, b *bayholdv1.ShiftException) int {
		return strings.Compare(a.GetDate(), b.GetDate())
	})
}

// parse reads the flags of the hours.
func (f *technicianFlags) parse(a *app, c clock) (technicianEdit, error) {
	var e technicianEdit
	var err error
	if e.absences, err = f.times.parse(a, c); err != nil {
		return e, err
	}
	for _, text := range f.shifts {
		day, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
		weekday, ok := weekdayOf(day)
		if !ok {
			return e, usage(`--shift %q does not begin with a weekday; write it like "mon 07:00-12:00,12:30-16:00"`, text)
		}
		list, err := readStretches("--shift", rest)
		if err != nil {
			return e, err
		}
		e.shifts = append(e.shifts, &bayholdv1.Shift{Weekday: isoWeekday(weekday), Stretches: list})
	}
	for _, text := range f.days {
		day, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
		m := isoDate.FindStringSubmatch(day)
		if m == nil {
			return e, usage(`--day %q does not begin with a date; write it like "2026-12-24 08:00-12:00"`, text)
		}
		if d := (date{number(m[1]), time.Month(number(m[2])), number(m[3])}); d.plus(0) != d {
			return e, usage("--day: the calendar has no %s", day)
		}
		list, err := readStretches("--day", rest)
		if err != nil {
			return e, err
		}
		e.days = append(e.days, &bayholdv1.ShiftException{Date: day, Stretches: list})
	}
	return e, nil
}

// isoWeekday numbers a weekday as ISO 8601 does, Monday first.
func isoWeekday(d time.Weekday) bayholdv1.Weekday {
	if d == time.Sunday {
		return bayholdv1.Weekday_WEEKDAY_SUNDAY
	}
	return bayholdv1.Weekday(d)
}

// readStretches reads "07:00-12:00,12:30-16:00", or "off".
func readStretches(flag, text string) ([]*bayholdv1.Stretch, error) {
	text = strings.TrimSpace(text)
	if strings.EqualFold(text, "off") {
		return nil, nil
	}
	var out []*bayholdv1.Stretch
	for part := range strings.SplitSeq(text, ",") {
		from, until, _ := strings.Cut(strings.TrimSpace(part), "-")
		start, ok1 := readMinute(from)
		end, ok2 := readMinute(until)
		if !ok1 || !ok2 || start == 24*60 {
			return nil, usage(`%s: %q is no stretch of hours; write it like 07:00-12:00, or off`, flag, part)
		}
		if end <= start {
			end += 24 * 60
		}
		out = append(out, &bayholdv1.Stretch{StartMinute: start, EndMinute: end})
	}
	return out, nil
}

// readMinute reads a time of day as minutes after midnight; 24:00 is the end
// of the day.
func readMinute(text string) (int32, bool) {
	m := wallTime.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return 0, false
	}
	h, min := number(m[1]), number(m[2])
	if min > 59 || h > 24 || h == 24 && min > 0 {
		return 0, false
	}
	return int32(60*h + min), true
}
