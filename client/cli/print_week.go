package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printWeek prints a week on a page.
func (a *app) printWeek(w io.Writer, p *place, wk *week) {
	c, sunday := p.clock, wk.monday.plus(6)
	_, number := wk.during.GetStart().AsTime().In(c.zone).ISOWeek()
	writeText(w, fmt.Sprintf("%s, week %d: %s to %s (%s)", first(p.site.GetDisplayName(), id(p.site.GetName())),
		number, longDay(wk.monday), longDay(sunday), c.zone), a.width())
	fmt.Fprintln(w)
	writeTable(w, weekTable(c, wk), a.width())
	if jobs := wk.handBacks(); len(jobs) > 0 {
		fmt.Fprintln(w, "\nLeaving a bay this week:")
		writeTable(w, handBackTable(c, wk, jobs), a.width())
	}
	fmt.Fprintln(w)
	printScarce(w, c, wk.scarce, a.width())
}

// longDay shows a day in a heading.
func longDay(d date) string {
	return time.Date(d.year, d.month, d.day, 0, 0, 0, 0, time.UTC).Format("Mon 2 January 2006")
}

// weekTable sets bays against days. A weekend day on which nothing happens
// gives its room to the others.
func weekTable(c clock, wk *week) table {
	t := table{cols: []column{{title: "bay", wrap: true}}, ruled: true}
	var shown []date
	for n := range 7 {
		day := wk.monday.plus(n)
		busy := slices.ContainsFunc(wk.bays, func(b *bayholdv1.Bay) bool { return dayCell(c, wk, b, day) != "" })
		if n < 5 || busy {
			shown = append(shown, day)
			t.cols = append(t.cols, column{title: fmt.Sprintf("%s %d", day.weekday().String()[:3], day.day), wrap: true})
		}
	}
	for _, b := range wk.bays {
		row := []string{id(b.GetName())}
		for _, day := range shown {
			row = append(row, first(dayCell(c, wk, b, day), "."))
		}
		t.add(row...)
	}
	return t
}

// dayCell tells what happens in a bay on a day: each entry in two lines, what
// and when.
func dayCell(c clock, wk *week, bay *bayholdv1.Bay, day date) string {
	type entry struct {
		at   stretch
		what string
	}
	var entries []entry
	whole := stretch{c.midnight(day), c.midnight(day.plus(1))}
	add := func(r *bayholdv1.TimeRange, what string) {
		at := stretch{r.GetStart().AsTime(), r.GetEnd().AsTime()}
		if len(common([]stretch{whole}, []stretch{at})) > 0 {
			entries = append(entries, entry{at, what})
		}
	}
	for _, b := range wk.bookings {
		if b.GetResource() != bay.GetName() {
			continue
		}
		what := b.GetReference()
		if b.GetState() == bayholdv1.BookingState_BOOKING_STATE_TENTATIVE {
			what += "?"
		}
		add(b.GetDuring(), what)
	}
	for _, cl := range bay.GetClosures() {
		add(cl.GetDuring(), "closed")
	}
	slices.SortStableFunc(entries, func(a, b entry) int { return a.at.from.Compare(b.at.from) })
	lines := make([]string, 0, 2*len(entries))
	for _, e := range entries {
		lines = append(lines, e.what, partOfDay(c, whole, e.at))
	}
	return strings.Join(lines, "\n")
}

// partOfDay shows how much of a day something takes.
func partOfDay(c clock, day, at stretch) string {
	from, to := at.from.In(c.zone).Format("15:04"), at.to.In(c.zone).Format("15:04")
	before, beyond := at.from.Before(day.from), at.to.After(day.to)
	switch {
	case !at.from.After(day.from) && !at.to.Before(day.to):
		return "all day"
	case before:
		return "-" + to
	case beyond:
		return from + "-"
	default:
		return from + "-" + to
	}
}

// handBackTable lists jobs by their hand-back, and tells which are late.
func handBackTable(c clock, wk *week, list []*bayholdv1.Job) table {
	bayOf := wk.bayOf()
	t := table{cols: []column{
		{title: "hand-back"},
		{title: "reference", wrap: true},
		{title: "bay", drop: 1},
		{title: "promise", drop: 2},
		{title: "late by", drop: 3},
		{title: "state", drop: 4},
	}}
	for _, j := range list {
		missed := ""
		if l := late(j); l > 0 {
			missed = hours(l)
		}
		t.add(c.at(j.GetPlanned().GetEnd()), j.GetReference(), bayOf[j.GetName()], promised(c, j), missed, stateWord(j.GetState()))
	}
	return t
}

// mostScarce is how many scarce tool types a week's page lists.
const mostScarce = 10

// printScarce lists the tool types that run out.
func printScarce(w io.Writer, c clock, list []scarcity, width int) {
	if len(list) == 0 {
		writeText(w, "No tool type runs out this week.", width)
		return
	}
	fmt.Fprintln(w, "Scarce tools, with none free at these times:")
	t := table{cols: []column{{title: "tool type", wrap: true}, {title: "has"}, {title: "none free"}, {title: "because of", wrap: true}}}
	for i, s := range list {
		if i == mostScarce {
			break
		}
		spans := make([]string, len(s.taken))
		for k, at := range s.taken {
			spans[k] = c.span(at.from, at.to)
		}
		t.add(id(s.toolType.GetName()), count(int32(s.tools)), strings.Join(spans, "\n"), strings.Join(s.why, ", "))
	}
	writeTable(w, t, width)
	if more := len(list) - mostScarce; more > 0 {
		fmt.Fprintf(w, "and %d more\n", more)
	}
}
