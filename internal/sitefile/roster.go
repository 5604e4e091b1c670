package sitefile

import (
	"slices"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// Roster is what files say of the shifts of a technician who may stand already.
type Roster struct {
	Technician string
	// Week tells the hours of every weekday if any is told of: a weekday that
	// the files leave out is off. Nil if they tell of dates only.
	Week *[7][]hours.Stretch
	Days map[hours.Date][]hours.Stretch // dates with hours of their own
}

// Apply gives the shifts of a technician with the roster's in the place of
// those that it tells.
func (s Roster) Apply(t site.Technician) site.Technician {
	if s.Week != nil {
		t.Shifts.Week = *s.Week
	}
	days := make(map[hours.Date][]hours.Stretch, len(t.Shifts.Exceptions)+len(s.Days))
	for d, h := range t.Shifts.Exceptions {
		days[d] = h
	}
	for d, h := range s.Days {
		days[d] = h
	}
	t.Shifts.Exceptions = days
	return t
}

// dayHours are the hours of one day, as the rows of a roster add them up.
type dayHours struct {
	list []hours.Stretch
	at   value
	off  bool
}

// readRosters reads rows of shifts: a row a shift ({technician, day, from, to},
// or hours), or a row a technician with a column a weekday.
func (r *reader) readRosters(w *Workshop, lists []value) {
	type person struct {
		week  [7]dayHours
		days  map[hours.Date]*dayHours
		weeks bool
		at    value
	}
	people := make(map[string]*person)
	var order []string
	keys := append([]string{"technician", "day", "hours", "from", "to", "break_from", "break_to"}, weekdays...)
	for _, v := range items(lists) {
		o, ok := v.object(keys...)
		if !ok {
			continue
		}
		who := o.need("technician", "write the technician's id or name")
		id := who.slug()
		r.refer(aTechnician, id, who)
		p := people[id]
		if p == nil && id != "" {
			p = &person{days: make(map[hours.Date]*dayHours), at: who}
			people[id] = p
			order = append(order, id)
		}
		for i, d := range weekdays {
			f, named := o.fields[d]
			if named && p != nil {
				p.weeks = true
				p.week[(i+1)%7].add(f, f.hours())
			}
		}
		day := o.get("day")
		if !day.present() {
			if _, named := o.fields["day"]; named || !o.hasWeekdays() {
				o.get("day").fault("is missing: write a weekday such as mon or mon-fri, or a date")
			}
			continue
		}
		list, at := o.shift()
		text, _ := day.scalar()
		if days, err := hours.ParseWeekdays(text); err == nil && p != nil {
			p.weeks = true
			for _, d := range days {
				p.week[d].add(at, list)
			}
			continue
		}
		date, want := r.day(text)
		switch {
		case text == "":
		case want != "":
			day.fault("%q is neither weekdays such as mon-fri nor %s", clip(text), want)
		case p != nil:
			if p.days[date] == nil {
				p.days[date] = &dayHours{}
			}
			p.days[date].add(at, list)
		}
	}
	for _, id := range order {
		p := people[id]
		out := Roster{Technician: id, Days: make(map[hours.Date][]hours.Stretch)}
		if p.weeks {
			out.Week = new([7][]hours.Stretch)
			for d := range p.week {
				out.Week[d] = p.week[d].sorted()
			}
		}
		for d, h := range p.days {
			out.Days[d] = h.sorted()
		}
		out.judge(p.at)
		w.Rosters = append(w.Rosters, out)
	}
}

// judge notes what is wrong with the hours as a whole.
func (s Roster) judge(at value) {
	p := hours.Pattern{Exceptions: s.Days}
	if s.Week != nil {
		p.Week = *s.Week
	}
	if err := p.Validate(); err != nil {
		for _, f := range fault.Fault(err).Fields {
			at.fault("%s, %s: %s", s.Technician, f.Path, f.Message)
		}
	}
}

func (o object) hasWeekdays() bool {
	return slices.ContainsFunc(weekdays, func(d string) bool { _, ok := o.fields[d]; return ok })
}

// shift reads the hours of a row: in one cell, or from and to with a break.
func (o object) shift() ([]hours.Stretch, value) {
	if at := o.get("hours"); at.present() {
		for _, k := range []string{"from", "to", "break_from", "break_to"} {
			if v := o.get(k); v.present() {
				v.fault("the hours stand under hours already: take one of the two out")
			}
		}
		return at.hours(), at
	}
	from, to := o.get("from"), o.get("to")
	text, _ := from.scalar()
	if folded(text) == "off" {
		return nil, from
	}
	if !from.present() || !to.present() {
		for _, v := range []value{from, to} {
			if !v.present() {
				v.fault("is missing: write a time such as 8:00 (a day off has a row with hours: off)")
			}
		}
		return nil, from
	}
	begin, end := o.clockText("from"), o.clockText("to")
	if begin == "" || end == "" {
		return nil, from
	}
	line := begin + "-" + end
	pause, back := o.get("break_from"), o.get("break_to")
	switch {
	case pause.present() && back.present():
		line = begin + "-" + o.clockText("break_from") + ", " + o.clockText("break_to") + "-" + end
	case pause.present():
		back.fault("when does the break end?")
	case back.present():
		pause.fault("when does the break begin?")
	}
	list, err := hours.ParseStretches(line)
	if err != nil {
		to.fault("%s", message(err))
	}
	return list, to
}

// clockText is a time of day as it is written.
func (o object) clockText(key string) string {
	s, _ := o.get(key).scalar()
	return strings.TrimSpace(s)
}

// hours reads the hours of a day; none for an empty cell, as for off.
func (v value) hours() []hours.Stretch {
	s, ok := v.scalar()
	if !ok {
		return nil
	}
	list, err := hours.ParseStretches(s)
	if err != nil {
		v.fault("%s", message(err))
	}
	return list
}

// add puts further hours to a day.
func (d *dayHours) add(at value, list []hours.Stretch) {
	if len(list) > 0 && d.off || len(list) == 0 && len(d.list) > 0 {
		at.fault("the same day is off and has hours, at %s", d.at.where())
	}
	d.off = len(list) == 0
	d.list = append(d.list, list...)
	d.at = at
}

func (d *dayHours) sorted() []hours.Stretch {
	if d == nil {
		return nil
	}
	slices.SortFunc(d.list, func(a, b hours.Stretch) int { return int(a.Start) - int(b.Start) })
	return d.list
}
