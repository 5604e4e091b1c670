package cli

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// none is said where a list is empty.
func (a *app) none(w io.Writer, what string) {
	if sink, ok := w.(*csvSink); ok {
		sink.empty = true
	}
	writeText(w, "There are no "+what+".", a.width())
}

func (a *app) printSites(w io.Writer, sites []*bayholdv1.Site) {
	if len(sites) == 0 {
		a.none(w, "sites yet")
		return
	}
	t := table{cols: []column{{title: "site"}, {title: "name", wrap: true}, {title: "time zone"}, {title: "revision", drop: 1}}}
	for _, s := range sites {
		t.add(id(s.GetName()), s.GetDisplayName(), s.GetTimeZone(), strconv.FormatInt(s.GetRevision(), 10))
	}
	writeTable(w, t, a.width())
}

func (a *app) printSite(w io.Writer, s *bayholdv1.Site) {
	writeTable(w, facts(
		[2]string{"Site", id(s.GetName())},
		[2]string{"Name", s.GetDisplayName()},
		[2]string{"Time zone", s.GetTimeZone()},
		[2]string{"Revision", strconv.FormatInt(s.GetRevision(), 10)},
	), a.width())
}

func (a *app) printBays(w io.Writer, c clock, list []*bayholdv1.Bay) {
	if len(list) == 0 {
		a.none(w, "bays")
		return
	}
	t := table{cols: []column{{title: "bay"}, {title: "name", wrap: true}, {title: "features", wrap: true}, {title: "closed next", wrap: true, drop: 1}}}
	for _, b := range list {
		t.add(id(b.GetName()), b.GetDisplayName(), strings.Join(b.GetFeatures(), ", "), nextClosure(c, b.GetClosures()))
	}
	writeTable(w, t, a.width())
}

func (a *app) printBay(w io.Writer, c clock, b *bayholdv1.Bay) {
	writeTable(w, facts(
		[2]string{"Bay", id(b.GetName())},
		[2]string{"Name", b.GetDisplayName()},
		[2]string{"Features", strings.Join(b.GetFeatures(), ", ")},
		[2]string{"Closed", closures(c, b.GetClosures())},
	), a.width())
}

// closures shows closures or absences, one a line.
func closures(c clock, list []*bayholdv1.Closure) string {
	lines := make([]string, len(list))
	for i, cl := range list {
		lines[i] = c.rangeOf(cl.GetDuring())
		if r := cl.GetReason(); r != "" {
			lines[i] += ", " + r
		}
	}
	return strings.Join(lines, "\n")
}

// nextClosure shows the first closure that is not over.
func nextClosure(c clock, list []*bayholdv1.Closure) string {
	for i, cl := range list {
		if cl.GetDuring().GetEnd().AsTime().After(c.now) {
			return closures(c, list[i:i+1])
		}
	}
	return ""
}

func (a *app) printTechnicians(w io.Writer, c clock, list []*bayholdv1.Technician) {
	if len(list) == 0 {
		a.none(w, "technicians")
		return
	}
	t := table{cols: []column{{title: "technician"}, {title: "name", wrap: true}, {title: "skills", wrap: true}, {title: "away next", wrap: true, drop: 1}}}
	for _, p := range list {
		t.add(id(p.GetName()), p.GetDisplayName(), strings.Join(p.GetSkills(), ", "), nextClosure(c, p.GetAbsences()))
	}
	writeTable(w, t, a.width())
}

func (a *app) printTechnician(w io.Writer, c clock, p *bayholdv1.Technician) {
	var shifts, days []string
	for _, s := range p.GetShifts() {
		if len(s.GetStretches()) > 0 {
			shifts = append(shifts, weekdayName(s.GetWeekday())+" "+stretches(s.GetStretches()))
		}
	}
	for _, e := range p.GetShiftExceptions() {
		days = append(days, e.GetDate()+" "+stretches(e.GetStretches()))
	}
	writeTable(w, facts(
		[2]string{"Technician", id(p.GetName())},
		[2]string{"Name", p.GetDisplayName()},
		[2]string{"Skills", strings.Join(p.GetSkills(), ", ")},
		[2]string{"Shifts", strings.Join(shifts, "\n")},
		[2]string{"Other days", strings.Join(days, "\n")},
		[2]string{"Away", closures(c, p.GetAbsences())},
	), a.width())
}

// weekdayName gives the short name of a weekday.
func weekdayName(d bayholdv1.Weekday) string {
	return enumWord(d.String(), "WEEKDAY_")[:3]
}

// stretches shows the working time of a day.
func stretches(list []*bayholdv1.Stretch) string {
	if len(list) == 0 {
		return "off"
	}
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = minuteOfDay(s.GetStartMinute()) + "-" + minuteOfDay(s.GetEndMinute())
	}
	return strings.Join(out, ", ")
}

// minuteOfDay shows minutes after midnight as clocks do.
func minuteOfDay(m int32) string {
	if m > 24*60 {
		return minuteOfDay(m-24*60) + " next day"
	}
	return fmt.Sprintf("%02d:%02d", m/60, m%60)
}

// enumWord makes a word of an enum value's name: "Wednesday", "Out of use".
func enumWord(name, prefix string) string {
	word := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, prefix), "_", " "))
	if word == "" {
		return ""
	}
	return strings.ToUpper(word[:1]) + word[1:]
}
