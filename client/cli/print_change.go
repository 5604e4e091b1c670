package cli

import (
	"fmt"
	"io"
	"slices"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// changeTable sets what each job holds beside what it will hold.
func changeTable(c clock, r repaired) table {
	t := table{cols: []column{{}, {title: "resource", wrap: true, once: true}, {title: "held", wrap: true}, {title: "becomes", wrap: true}}}
	for i, j := range r.resp.GetJobs() {
		if j.GetPlan() == nil {
			continue
		}
		t.section(j.GetReference() + " (job " + id(j.GetJob()) + ")")
		d := r.changes[i]
		gone := claimsOf(c, byResource(d.gone))
		var more []claim
		for _, sort := range []string{bays, technicians, tools} {
			more = append(more, plannedClaims(c, &bayholdv1.Plan{Bookings: d.more}, sort, false)...)
		}
		for _, name := range resourcesOf(gone, more) {
			was, becomes := claimsFor(gone, name), claimsFor(more, name)
			for n := range max(len(was), len(becomes)) {
				t.add("", nth([]string{id(name)}, n, ""), nth(spans(c, was), n, ""), nth(spans(c, becomes), n, ""))
			}
		}
	}
	return t
}

// resourcesOf gives the resources of claims: bays, technicians and tools, each
// by name.
func resourcesOf(lists ...[]claim) []string {
	var out []string
	for _, cl := range slices.Concat(lists...) {
		out = append(out, cl.resource)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// claimsFor gives the claims on one resource.
func claimsFor(list []claim, resource string) []claim {
	return slices.DeleteFunc(slices.Clone(list), func(cl claim) bool { return cl.resource != resource })
}

// spans shows claims, one text each; "-" if there is none.
func spans(c clock, list []claim) []string {
	out := make([]string, len(list))
	for i, cl := range list {
		out[i] = cl.span(c.span)
	}
	if len(out) == 0 {
		out = append(out, "-")
	}
	return out
}

// nth gives a text of a list, or another beyond its end.
func nth(list []string, n int, beyond string) string {
	if n < len(list) {
		return list[n]
	}
	return beyond
}

// printMoved says what was booked.
func (a *app) printMoved(w io.Writer, c clock, resp *bayholdv1.BookArrangementResponse) {
	fmt.Fprintf(w, "Booked, %s in one act:\n", counted(len(resp.GetJobs()), "job", "jobs"))
	t := table{cols: []column{{title: "job"}, {title: "reference", wrap: true}, {title: "from"}, {title: "hand-back"}, {title: "promise", wrap: true}}}
	for _, j := range resp.GetJobs() {
		promise := c.at(j.GetPromiseTime())
		if end := j.GetPlanned().GetEnd().AsTime(); j.GetPromiseTime() != nil && end.After(j.GetPromiseTime().AsTime()) {
			promise += "\nlate " + daysAndHours(end.Sub(j.GetPromiseTime().AsTime()))
		}
		t.add(id(j.GetJob()), j.GetReference(), c.at(j.GetPlanned().GetStart()), c.at(j.GetPlanned().GetEnd()), promise)
	}
	writeTable(w, t, a.width())
	a.printSafety(w)
}
