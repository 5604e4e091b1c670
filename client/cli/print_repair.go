package cli

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// printRepair says what happened, what breaks and how it can be mended, job by
// job, and whom to ring.
func (a *app) printRepair(w io.Writer, c clock, r repaired) {
	writeText(w, eventText(c, r.req), a.width())
	if len(r.resp.GetBroken()) == 0 {
		fmt.Fprintln(w, "Nothing breaks: every booking can stand.")
		return
	}
	fmt.Fprintln(w, "\nBookings that cannot stand:")
	writeTable(w, brokenTable(c, r.resp.GetBroken()), a.width())
	if len(homeless(r.resp.GetJobs())) < len(r.resp.GetJobs()) {
		fmt.Fprintln(w)
		writeText(w, fmt.Sprintf("The repair moves %s and %s; starts of steps move by %s in all.",
			counted(int(r.resp.GetPromisesMoved()), "promise", "promises"), counted(int(r.resp.GetBookingsMoved()), "booking", "bookings"),
			hours(time.Duration(r.resp.GetMinutesMoved())*time.Minute)), a.width())
		writeTable(w, repairTable(c, r.resp.GetJobs()), a.width())
		fmt.Fprintln(w, "\nWhich bookings change:")
		writeTable(w, changeTable(c, r), a.width())
	}
	a.printByHand(w, c, r)
	a.printReservations(w, r.resp)
	if ring := ringTable(c, r.resp.GetJobs()); len(ring.rows) > 0 {
		fmt.Fprintln(w, "\nCustomers to ring:")
		writeTable(w, ring, a.width())
	}
}

// eventText says what happened.
func eventText(c clock, req *bayholdv1.ProposeRepairRequest) string {
	if o := req.GetOverrun(); o != nil {
		return fmt.Sprintf("Step %s of job %s takes %s longer.", o.GetStep(), id(o.GetJob()),
			hours(time.Duration(o.GetExtraMinutes())*time.Minute))
	}
	o := req.GetOutage()
	if o == nil {
		return "By what is recorded up to now:"
	}
	return id(o.GetResource()) + " cannot be had " + c.rangeOf(o.GetDuring()) + "."
}

// brokenTable lists the bookings that cannot stand, those of a day as one.
func brokenTable(c clock, list []*bayholdv1.Booking) table {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(x, y *bayholdv1.Booking) int {
		return cmp.Or(cmp.Compare(x.GetReference(), y.GetReference()), cmp.Compare(x.GetJob(), y.GetJob()),
			cmp.Compare(x.GetResource(), y.GetResource()), x.GetDuring().GetStart().AsTime().Compare(y.GetDuring().GetStart().AsTime()))
	})
	t := table{cols: []column{{title: "for", wrap: true}, {title: "job"}, {title: "resource", wrap: true}, {title: "from"}, {title: "until"}}}
	for _, cl := range claimsOf(c, list) {
		t.add(cl.reference, id(cl.job), id(cl.resource), c.show(cl.at.from), c.show(cl.at.to))
	}
	return t
}

// repairTable lists the jobs that a repair touches.
func repairTable(c clock, list []*bayholdv1.ArrangedJob) table {
	t := table{cols: []column{
		{title: "for", wrap: true}, {title: "job"}, {title: "hand-back"}, {title: "becomes"}, {title: "promise", wrap: true},
	}}
	for _, j := range list {
		becomes := "no place"
		if j.GetPlan() != nil {
			becomes = c.at(j.GetPlan().GetHandBackTime())
		}
		t.add(j.GetReference(), id(j.GetJob()), c.at(j.GetPlanned().GetEnd()), becomes, promiseText(j))
	}
	return t
}

// promiseText says what becomes of the promise of a job.
func promiseText(j *bayholdv1.ArrangedJob) string {
	promise := j.GetPromiseTime()
	switch {
	case promise == nil:
		return "none told"
	case j.GetPlan() == nil:
		return "open"
	case !j.GetPlan().GetHandBackTime().AsTime().After(promise.AsTime()):
		return "kept"
	case mustRing(j) && j.GetPlanned().GetEnd().AsTime().After(promise.AsTime()):
		return "missed before, now by " + lateText(j)
	case mustRing(j):
		return "broken by " + lateText(j)
	}
	return "missed as before, by " + lateText(j)
}

// mustRing tells whether a job is handed back after its promise and later than
// it would have been.
func mustRing(j *bayholdv1.ArrangedJob) bool {
	back := j.GetPlan().GetHandBackTime()
	return back != nil && j.GetPromiseTime() != nil && back.AsTime().After(j.GetPromiseTime().AsTime()) &&
		back.AsTime().After(j.GetPlanned().GetEnd().AsTime())
}

// ringTable lists the customers whose promise does not hold. One without a new
// hand-back must hear of it all the same.
func ringTable(c clock, list []*bayholdv1.ArrangedJob) table {
	t := table{cols: []column{{title: "reference", wrap: true}, {title: "promise"}, {title: "new hand-back"}, {title: "late by"}}}
	for _, j := range list {
		switch {
		case mustRing(j):
			t.add(j.GetReference(), c.at(j.GetPromiseTime()), c.at(j.GetPlan().GetHandBackTime()), lateText(j))
		case j.GetPlan() == nil && j.GetPromiseTime() != nil:
			t.add(j.GetReference(), c.at(j.GetPromiseTime()), "not known yet", "")
		}
	}
	return t
}

// printByHand says what to do about jobs that no place was found for.
func (a *app) printByHand(w io.Writer, c clock, r repaired) {
	lost := homeless(r.resp.GetJobs())
	if len(lost) == 0 {
		return
	}
	names := make([]string, len(lost))
	for i, j := range lost {
		names[i] = j.GetReference() + " (job " + id(j.GetJob()) + ")"
	}
	has, keeps, it := "has", "It keeps what it holds", "the job up and find it"
	if len(lost) > 1 {
		has, keeps, it = "have", "They keep what they hold", "a job up and find it"
	}
	fmt.Fprintln(w)
	writeText(w, fmt.Sprintf("%s %s no place before the horizon. %s, though that cannot stand. By hand: look further ahead, or give %s another place.",
		strings.Join(names, ", "), has, keeps, it), a.width())
	further := append(eventWords(c, r.req), "--horizon", c.today().plus(180).String())
	fmt.Fprintf(w, "  %s\n", a.again(further...))
	for _, j := range lost {
		fmt.Fprintf(w, "  %s\n", a.again("job", "cancel", id(j.GetJob())))
	}
}

// printReservations says what to do about reservations: they have no steps that
// a plan could move.
func (a *app) printReservations(w io.Writer, resp *bayholdv1.ProposeRepairResponse) {
	var names, next []string
	for _, b := range resp.GetBroken() {
		name := b.GetReference() + " (job " + id(b.GetJob()) + ")"
		mended := slices.ContainsFunc(resp.GetJobs(), func(j *bayholdv1.ArrangedJob) bool { return j.GetJob() == b.GetJob() })
		if len(b.GetSteps()) == 0 && !mended && !slices.Contains(names, name) {
			names = append(names, name)
			next = append(next, a.again("job", "cancel", id(b.GetJob())))
		}
	}
	if len(names) == 0 {
		return
	}
	fmt.Fprintln(w)
	writeText(w, fmt.Sprintf("Reserved without steps, so that no plan can move it: %s. By hand: reserve something else for it, or give it up.",
		strings.Join(names, ", ")), a.width())
	for _, line := range next {
		fmt.Fprintf(w, "  %s\n", line)
	}
}

// printRepairNext says how to book a repair.
func (a *app) printRepairNext(w io.Writer, c clock, r repaired) {
	jobs := r.resp.GetJobs()
	lost := len(homeless(jobs))
	if lost > 0 && r.flags.book {
		fmt.Fprintln(w, "\nNothing is booked: see to what has no place first.")
	}
	if len(jobs) == lost {
		return
	}
	fmt.Fprintln(w)
	switch {
	case r.file != "":
		fmt.Fprintf(w, "Book it: %s\n", a.again("job", "move", "--arrangement", r.file))
	case lost == 0:
		fmt.Fprintf(w, "Book it: %s\n", a.again(append(repairWords(c, r.req), "--book")...))
		if slices.ContainsFunc(jobs, mustRing) {
			writeText(w, "         with --new-promises once the customers have been told", a.width())
		}
	default:
		fmt.Fprintln(w, "To book the rest, ask again with --to FILE.")
	}
	a.printSafety(w)
}
