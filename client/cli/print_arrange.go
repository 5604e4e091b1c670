package cli

import (
	"fmt"
	"io"
	"strings"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// arranged is an arrangement with what was asked.
type arranged struct {
	best   *bayholdv1.ArrangeJobsResponse
	search *bayholdv1.ArrangeJobsRequest
	others map[string]string // of jobs that keep their time: what else changes
	file   string            // where it is kept; empty if nowhere
}

// printArranged lists where each job stands and where it would, then how late
// that is and how to book it.
func (a *app) printArranged(w io.Writer, c clock, found arranged) {
	if !found.best.GetDone() {
		writeText(w, "The search was cut short: this is the best that it had found.", a.width())
		fmt.Fprintln(w)
	}
	list := found.best.GetJobs()
	writeTable(w, arrangedTable(c, list, found.others), a.width())
	fmt.Fprintln(w)
	writeText(w, "In all: "+lateness(found.best)+"; "+grouped(found.best.GetSchedules())+" schedules were built.", a.width())
	a.printHomeless(w, list)
	changes := len(found.others)
	for _, j := range list {
		if j.GetPlan() != nil && (j.GetJob() == "" || j.GetMoved()) {
			changes++
		}
	}
	switch {
	case changes == 0:
		fmt.Fprintln(w, "Nothing changes: there is nothing to book.")
		return
	case found.file != "":
		fmt.Fprintf(w, "Book it: %s\n", a.again("job", "move", "--arrangement", found.file))
	default:
		fmt.Fprintln(w, "To book it, ask again with --to FILE.")
	}
	a.printSafety(w)
}

// arrangedTable lists jobs with where they stand and where they would.
func arrangedTable(c clock, list []*bayholdv1.ArrangedJob, others map[string]string) table {
	t := table{ruled: true, cols: []column{
		{title: "job", wrap: true},
		{title: "promise"},
		{title: "stands"},
		{title: "proposed"},
		{title: "late", wrap: true},
		{title: "moved", wrap: true},
	}}
	for _, j := range list {
		plan := j.GetPlan()
		name, moved := j.GetReference(), "no"
		switch {
		case j.GetJob() == "":
			moved = "new"
		case j.GetMoved():
			moved = "yes"
		case others[j.GetJob()] != "":
			moved = others[j.GetJob()]
		}
		if j.GetJob() != "" {
			name += "\njob " + id(j.GetJob())
		}
		proposed := "no place found"
		if plan != nil {
			proposed = c.at(plan.GetStartTime()) + "\n" + c.at(plan.GetHandBackTime()) + "\n" + id(plan.GetBay())
		} else {
			moved = ""
		}
		t.add(name, c.at(j.GetPromiseTime()),
			strings.TrimSpace(c.at(j.GetPlanned().GetStart())+"\n"+c.at(j.GetPlanned().GetEnd())),
			proposed, lateText(j), moved)
	}
	return t
}

// lateText says by how much a plan misses the promise of its job.
func lateText(j *bayholdv1.ArrangedJob) string {
	switch {
	case j.GetPlan() == nil || j.GetPromiseTime() == nil:
		return ""
	case j.GetPlan().GetHandBackTime().AsTime().After(j.GetPromiseTime().AsTime()):
		return daysAndHours(j.GetPlan().GetHandBackTime().AsTime().Sub(j.GetPromiseTime().AsTime()))
	}
	return "no"
}

// printHomeless tells plainly of the jobs that no place was found for.
func (a *app) printHomeless(w io.Writer, list []*bayholdv1.ArrangedJob) {
	for _, j := range homeless(list) {
		if j.GetJob() == "" {
			writeText(w, j.GetReference()+" has no place before the horizon: give it up, or ask with a later --horizon.", a.width())
			continue
		}
		writeText(w, j.GetReference()+" (job "+id(j.GetJob())+") has no place before the horizon. It keeps what it holds, which may be in the way of the others.", a.width())
	}
}
