package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// stepTable lists steps in time, naming each day once.
type stepTable struct {
	table
	clock clock
	day   string
}

func newStepTable(c clock) *stepTable {
	return &stepTable{clock: c, table: table{cols: []column{
		{title: "day"},
		{title: "from"},
		{title: "until"},
		{title: "step", wrap: true},
		{title: "people", wrap: true, drop: 1},
		{title: "tools", wrap: true, drop: 2},
	}}}
}

func (s *stepTable) add(title string, from, until time.Time, people, tools string) {
	day := s.clock.day(from)
	shown := ""
	if day != s.day {
		s.day, shown = day, day
	}
	end := s.clock.show(until)
	if rest, ok := strings.CutPrefix(end, day+" "); ok {
		end = rest
	} else if until.Sub(from) < 6*24*time.Hour {
		end = until.In(s.clock.zone).Format("Mon 15:04")
	}
	if s.clock.machine {
		shown, end = day, s.clock.show(until)
	}
	s.table.add(shown, strings.TrimPrefix(s.clock.show(from), day+" "), end, title, people, tools)
}

// printPlan prints a plan: what, where, until when, then its steps.
func (a *app) printPlan(w io.Writer, c clock, p *bayholdv1.Plan) {
	var work []string
	for _, pp := range p.GetProcedures() {
		work = append(work, fmt.Sprintf("%s, version %d", first(pp.GetDisplayName(), id(pp.GetProcedure())), pp.GetVersion()))
	}
	writeTable(w, facts(
		[2]string{"Work", strings.Join(work, "\n")},
		[2]string{"Bay", id(p.GetBay()) + ", " + c.span(p.GetStartTime().AsTime(), p.GetHandBackTime().AsTime()) + ", " + hours(inBay(p))},
		[2]string{"Hand-back", c.at(p.GetHandBackTime()) + "; " + quality(c, p)},
		[2]string{"Waits for", arrivalLines(c, p.GetPartArrivals())},
		[2]string{"People", peopleLines(c, p)},
		[2]string{"Tools", toolLines(c, p)},
	), a.width())
	fmt.Fprintln(w)
	s := newStepTable(c)
	for _, st := range p.GetSteps() {
		s.add(st.GetTitle(), st.GetStartTime().AsTime(), st.GetEndTime().AsTime(), lines(st.GetTechnicians()), lines(st.GetTools()))
	}
	writeTable(w, s.table, a.width())
}

// inBay gives how long a plan takes its bay, nights included.
func inBay(p *bayholdv1.Plan) time.Duration {
	return p.GetHandBackTime().AsTime().Sub(p.GetStartTime().AsTime())
}

// quality says how good a hand-back is known to be.
func quality(c clock, p *bayholdv1.Plan) string {
	switch {
	case p.GetProved():
		return "proved: none is earlier"
	case p.GetBoundTime() != nil:
		return "none is possible before " + c.at(p.GetBoundTime())
	default:
		return "an earlier one may exist"
	}
}

// worked is a technician and how long they work on a plan.
type worked struct {
	who  string
	time time.Duration
}

// workingPeople gives each technician of a plan with their working time, by id.
func workingPeople(c clock, p *bayholdv1.Plan) []worked {
	var out []worked
	for _, cl := range plannedClaims(c, p, technicians, true) {
		out = append(out, worked{id(cl.resource), cl.taken})
	}
	return out
}

// peopleLines shows the people of a plan, one a line.
func peopleLines(c clock, p *bayholdv1.Plan) string {
	var out []string
	for _, w := range workingPeople(c, p) {
		out = append(out, w.who+" "+hours(w.time))
	}
	return strings.Join(out, "\n")
}

// toolLines shows the tools of a plan and when they are held, one a line.
func toolLines(c clock, p *bayholdv1.Plan) string {
	var out []string
	for _, cl := range plannedClaims(c, p, tools, true) {
		out = append(out, id(cl.resource)+" "+cl.span(c.span))
	}
	return strings.Join(out, "\n")
}

// printPossible answers yes.
func (a *app) printPossible(w io.Writer, c clock, f *workFlags, req *bayholdv1.CheckJobRequest, p *bayholdv1.Plan) {
	writeText(w, fmt.Sprintf("Yes: it can start %s in %s and be handed back %s.",
		c.at(p.GetStartTime()), id(p.GetBay()), c.at(p.GetHandBackTime())), a.width())
	fmt.Fprintln(w)
	a.printPlan(w, c, p)
	fmt.Fprintln(w)
	words := append([]string{"job", "book", "--reference", "REFERENCE"}, f.words(c)...)
	words = append(words, "--start", c.typed(p.GetStartTime().AsTime()))
	if req.GetHandBackBy() != nil {
		words = append(words, "--by", c.typed(req.GetHandBackBy().AsTime()))
	}
	fmt.Fprintf(w, "Book it: %s\n", a.again(words...))
	a.printSafety(w)
}

// printRefused answers no: why in a sentence and a table, then what to try.
func (a *app) printRefused(w io.Writer, c clock, f *workFlags, req *bayholdv1.CheckJobRequest, resp *bayholdv1.CheckJobResponse) {
	sentence := "No: it cannot start " + c.at(req.GetStartTime())
	if asked := resp.GetAskedHandBackTime(); asked != nil {
		sentence += " and be handed back by " + c.at(asked)
	}
	writeText(w, sentence+".", a.width())
	if len(resp.GetBlockers()) > 0 {
		fmt.Fprintln(w, "\nWhat stands in the way, step by step:")
		writeTable(w, blockerTable(c, resp.GetBlockers()), a.width())
	}
	fmt.Fprintln(w)
	book := append([]string{"job", "book", "--reference", "REFERENCE"}, f.words(c)...)
	book = append(book, "--start", c.typed(req.GetStartTime().AsTime()), "--waiting")
	find := append([]string{"job", "find"}, f.words(c)...)
	find = append(find, "--from", c.typed(req.GetStartTime().AsTime()))
	if plan := resp.GetWaitingPlan(); plan != nil {
		writeText(w, fmt.Sprintf("It can start then and wait: hand-back %s, in %s.",
			c.at(plan.GetHandBackTime()), id(plan.GetBay())), a.width())
		fmt.Fprintf(w, "Try: %s\n     %s\n", a.again(find...), a.again(book...))
		return
	}
	fmt.Fprintf(w, "Try: %s\n", a.again(find...))
}
