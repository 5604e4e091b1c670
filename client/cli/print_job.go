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
		promise := promised(c, j)
		if l := late(j); l > 0 {
			promise += "\nlate " + hours(l)
		}
		t.add(id(j.GetName()), j.GetReference(), c.at(j.GetPlanned().GetStart()), c.at(j.GetPlanned().GetEnd()),
			promise, stateWord(j.GetState()), jobProcedures(j))
	}
	return t
}

// promised shows what was promised, and how sure it was then.
func promised(c clock, j *bayholdv1.Job) string {
	text := c.at(j.GetPromiseTime())
	if text != "" && j.GetPromiseConfidence() > 0 {
		text += " at " + inPercent(j.GetPromiseConfidence())
	}
	return text
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

// jobVersions gives a job's procedures, one a line, with the versions that it
// was planned with.
func jobVersions(j *bayholdv1.Job) string {
	out := make([]string, len(j.GetProcedures()))
	for i, p := range j.GetProcedures() {
		out[i] = fmt.Sprintf("%s, version %d", id(p.GetProcedure()), p.GetVersion())
	}
	return strings.Join(out, "\n")
}

// printHints says what else can be asked about a job: its parts, and what has
// changed in its procedures.
func (a *app) printHints(w io.Writer, j *bayholdv1.Job) {
	if len(j.GetParts()) > 0 {
		fmt.Fprintf(w, "\nParts list: %s\n", a.again("job", "parts", id(j.GetName())))
	}
	if j.GetState() != bayholdv1.BookingState_BOOKING_STATE_CANCELLED {
		a.printVersions(w, j)
	}
}

// printVersions says which of a job's procedures have changed since it was
// planned, and how to see in what.
func (a *app) printVersions(w io.Writer, j *bayholdv1.Job) {
	for _, p := range j.GetProcedures() {
		name, version, newest := id(p.GetProcedure()), p.GetVersion(), p.GetNewestVersion()
		var what string
		switch {
		case newest > version:
			what = fmt.Sprintf("Version %d of %s was issued since; this job keeps version %d.", newest, name, version)
		case newest == 0:
			what = fmt.Sprintf("%s was withdrawn since: no version of it is issued any more.", name)
		case newest < version:
			what = fmt.Sprintf("Version %d of %s was withdrawn since; version %d is the newest issued.", version, name, newest)
		default:
			continue
		}
		fmt.Fprintln(w)
		writeText(w, what, a.width())
		if newest > version {
			fmt.Fprintf(w, "What changed: %s\n", a.again("procedure", "diff", name,
				"--from", count(version), "--to", count(newest)))
		}
	}
}

func (a *app) printJob(w io.Writer, c clock, j *bayholdv1.Job) {
	a.printJobFacts(w, c, j)
	a.printJobSteps(w, c, j)
}

// printJobFacts says what a job is, and how it stands.
func (a *app) printJobFacts(w io.Writer, c clock, j *bayholdv1.Job) {
	lateness := ""
	if l := late(j); l > 0 {
		lateness = ", which the plan misses by " + hours(l)
	}
	promise := promised(c, j)
	if promise != "" {
		promise += lateness
	}
	writeTable(w, facts(
		[2]string{"Job", id(j.GetName())},
		[2]string{"Reference", j.GetReference()},
		[2]string{"State", stateWord(j.GetState())},
		[2]string{"Lapses", c.at(j.GetExpireTime())},
		[2]string{"Family", id(j.GetEngineFamily())},
		[2]string{"Procedures", jobVersions(j)},
		[2]string{"Planned", c.rangeOf(j.GetPlanned())},
		[2]string{"Promised", promise},
		[2]string{"Parts", partsSummary(c, j)},
		[2]string{"Note", j.GetNote()},
	), a.width())
}

// printJobSteps lists a job's steps in time.
func (a *app) printJobSteps(w io.Writer, c clock, j *bayholdv1.Job) {
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
		fmt.Fprintf(w, "Promised:  %s\n", promised(c, j))
	}
	if parts := arrivalLines(c, expectedParts(j)); parts != "" {
		writeTable(w, facts([2]string{"Waits for:", parts}), a.width())
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
