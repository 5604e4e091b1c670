package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// jobTable lists jobs.
func jobTable(c clock, list []*bayholdv1.Job) table {
	t := table{cols: []column{
		{title: "job"},
		{title: "reference", wrap: true},
		{title: "from"},
		{title: "hand-back"},
		{title: "promise", drop: 2, wrap: true},
		{title: "state"},
		{title: "procedures", drop: 3, wrap: true},
	}}
	for _, j := range list {
		promise := c.at(j.GetPromiseTime())
		if l := late(j); l > 0 {
			promise += "\nlate " + hours(l)
		}
		t.add(id(j.GetName()), j.GetReference(), c.at(j.GetPlanned().GetStart()), c.at(j.GetPlanned().GetEnd()),
			promise, stateWord(j.GetState()), jobProcedures(j))
	}
	return t
}

// late tells by how much a job's hand-back misses what was promised.
func late(j *bayholdv1.Job) time.Duration {
	if j.GetPromiseTime() == nil || j.GetPlanned() == nil || j.GetState() == bayholdv1.BookingState_BOOKING_STATE_CANCELLED {
		return 0
	}
	return j.GetPlanned().GetEnd().AsTime().Sub(j.GetPromiseTime().AsTime())
}

// jobProcedures gives the ids of a job's procedures.
func jobProcedures(j *bayholdv1.Job) string {
	out := make([]string, len(j.GetProcedures()))
	for i, p := range j.GetProcedures() {
		out[i] = id(p.GetProcedure())
	}
	return strings.Join(out, ", ")
}

func (a *app) printJob(w io.Writer, c clock, j *bayholdv1.Job) {
	lateness := ""
	if l := late(j); l > 0 {
		lateness = ", which the plan misses by " + hours(l)
	}
	promise := c.at(j.GetPromiseTime())
	if promise != "" {
		promise += lateness
	}
	writeTable(w, facts(
		[2]string{"Job", id(j.GetName())},
		[2]string{"Reference", j.GetReference()},
		[2]string{"State", stateWord(j.GetState())},
		[2]string{"Lapses", c.at(j.GetExpireTime())},
		[2]string{"Family", id(j.GetEngineFamily())},
		[2]string{"Procedures", jobProcedures(j)},
		[2]string{"Planned", c.rangeOf(j.GetPlanned())},
		[2]string{"Promised", promise},
		[2]string{"Note", j.GetNote()},
	), a.width())
	if len(j.GetSteps()) == 0 {
		return
	}
	fmt.Fprintln(w)
	s := newStepTable(c)
	for _, st := range j.GetSteps() {
		s.add(st.GetTitle(), st.GetDuring().GetStart().AsTime(), st.GetDuring().GetEnd().AsTime(), "", "")
	}
	writeTable(w, s.table, a.width())
}

// printBooked says what was booked.
func (a *app) printBooked(w io.Writer, c clock, resp *bayholdv1.BookPlanResponse) {
	j := resp.GetJob()
	fmt.Fprintf(w, "Booked for %s, hand-back %s.\n", j.GetReference(), c.at(j.GetPlanned().GetEnd()))
	if j.GetPromiseTime() != nil {
		fmt.Fprintf(w, "Promised:  %s\n", c.at(j.GetPromiseTime()))
	}
	a.printStanding(w, c, j)
	if l := late(j); l > 0 {
		fmt.Fprintf(w, "Note: the plan misses the promise by %s.\n", hours(l))
	}
	fmt.Fprintln(w)
	writeTable(w, claimTable(c, claimsOf(c, byResource(resp.GetBookings()))), a.width())
	fmt.Fprintln(w)
	a.printSafety(w)
}
