package sitefile

import (
	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

// week is a pattern in the making.
type week struct {
	hours.Pattern
	lines map[string]value // of each day, by its name in faults of the pattern
}

// shifts reads lines such as "mon-fri: 08:00-12:00, 13:00-17:00", "sat: off"
// and "2026-12-24: 08:00-12:00".
func (v value) shifts() hours.Pattern {
	w := week{lines: make(map[string]value)}
	o, ok := v.mapping()
	if !ok {
		return w.Pattern
	}
	for _, p := range v.pairs() {
		line, ok := o.fields[p.key.Value]
		if !ok || line.at != p.key {
			continue // no key, or one that stood before
		}
		text, _ := line.scalar()
		day, err := hours.ParseStretches(text)
		if err != nil {
			line.fault("%s", message(err))
			continue
		}
		w.set(p.key.Value, day, line)
	}
	if err := w.Validate(); err != nil {
		for _, f := range fault.Fault(err).Fields {
			line, ok := w.lines[f.Path]
			switch {
			case !ok:
				v.fault("%s: %s", f.Path, f.Message)
			case line.name == f.Path:
				line.fault("%s", f.Message)
			default:
				line.fault("%s: %s", f.Path, f.Message)
			}
		}
	}
	return w.Pattern
}

// set puts the stretches of a line into the days that its key names.
func (w *week) set(key string, day []hours.Stretch, line value) {
	if days, err := hours.ParseWeekdays(key); err == nil {
		for _, d := range days {
			w.claim(hours.WeekdayName(d), line)
			w.Week[d] = day
		}
		return
	}
	date, want := line.r.day(key)
	if want != "" {
		line.fault("this is neither weekdays such as mon-fri nor %s", want)
		return
	}
	w.claim(date.String(), line)
	if w.Exceptions == nil {
		w.Exceptions = make(map[hours.Date][]hours.Stretch)
	}
	w.Exceptions[date] = day
}

// claim notes which line speaks of a day, and a second one that does.
func (w *week) claim(day string, line value) {
	if first, twice := w.lines[day]; twice {
		line.fault("%s stands here twice; the first is in line %d", day, first.line())
	}
	w.lines[day] = line
}
