package cli

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// homeless gives the jobs that no place was found for.
func homeless(list []*bayholdv1.ArrangedJob) []*bayholdv1.ArrangedJob {
	return slices.DeleteFunc(slices.Clone(list), func(j *bayholdv1.ArrangedJob) bool { return j.GetPlan() != nil })
}

// difference is what becomes of the bookings of a job.
type difference struct {
	gone []*bayholdv1.Booking
	more []*bayholdv1.PlannedBooking
}

// none tells that every booking stays.
func (d difference) none() bool { return len(d.gone)+len(d.more) == 0 }

// differenceOf compares what a job holds with what a plan for it books.
func differenceOf(held []*bayholdv1.Booking, plan *bayholdv1.Plan) difference {
	same := func(b *bayholdv1.Booking, n *bayholdv1.PlannedBooking) bool {
		return b.GetResource() == n.GetResource() && proto.Equal(b.GetDuring().GetStart(), n.GetStartTime()) &&
			proto.Equal(b.GetDuring().GetEnd(), n.GetEndTime()) && slices.Equal(b.GetSteps(), n.GetSteps())
	}
	var d difference
	for _, b := range held {
		if !slices.ContainsFunc(plan.GetBookings(), func(n *bayholdv1.PlannedBooking) bool { return same(b, n) }) {
			d.gone = append(d.gone, b)
		}
	}
	for _, n := range plan.GetBookings() {
		if !slices.ContainsFunc(held, func(b *bayholdv1.Booking) bool { return same(b, n) }) {
			d.more = append(d.more, n)
		}
	}
	return d
}

// differenceFor asks what a booked job holds and compares it with its plan.
func (p *place) differenceFor(ctx context.Context, j *bayholdv1.ArrangedJob) (difference, error) {
	held, err := p.listBookings(ctx, &bayholdv1.ListBookingsRequest{Job: j.GetJob(), During: j.GetPlanned()})
	return differenceOf(held.GetBookings(), j.GetPlan()), err
}

// sorts names the sorts of resources that differ: "bay, people, tools".
func (d difference) sorts() string {
	seen := map[string]bool{}
	for _, b := range d.gone {
		seen[collection(b.GetResource())] = true
	}
	for _, n := range d.more {
		seen[collection(n.GetResource())] = true
	}
	var out []string
	for _, s := range []struct{ collection, word string }{{bays, "bay"}, {technicians, "people"}, {tools, "tools"}} {
		if seen[s.collection] {
			out = append(out, s.word)
		}
	}
	return strings.Join(out, ", ")
}

// othersOf tells of booked jobs that keep their time what else changes, by
// name: a job can be given another bay, other people or tools at the same time.
func (p *place) othersOf(ctx context.Context, list []*bayholdv1.ArrangedJob) (map[string]string, error) {
	out := map[string]string{}
	for _, j := range list {
		if j.GetJob() == "" || j.GetMoved() || j.GetPlan() == nil {
			continue
		}
		d, err := p.differenceFor(ctx, j)
		if err != nil {
			return nil, err
		}
		if !d.none() {
			out[j.GetJob()] = d.sorts()
		}
	}
	return out, nil
}

// keep writes an answer to a file; without a path it does nothing.
func keep(path string, m proto.Message) error {
	if path == "" {
		return nil
	}
	raw, err := messageJSON(m)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := writeJSON(&b, raw); err != nil {
		return err
	}
	return writeFile(path, b.String())
}

// arrangementFromFile reads what job arrange or job repair kept, as what is
// to be booked.
func (a *app) arrangementFromFile(p *place, path string) (*bayholdv1.BookArrangementRequest, error) {
	body, err := a.readFile(path)
	if err != nil {
		return nil, err
	}
	req, err := readArrangement(body, path)
	if err != nil {
		return nil, err
	}
	for _, j := range req.GetJobs() {
		name := cmp.Or(j.GetJob(), j.GetPlan().GetBay())
		if name != "" && !strings.HasPrefix(name, p.site.GetName()+"/") {
			return nil, usage("the arrangement in %s is for %q, which is not one of %s", path, name, p.site.GetName())
		}
	}
	req.Parent, req.RequestId = p.site.GetName(), ""
	return req, nil
}

// readArrangement tells an answer of job arrange from a repair that was kept.
func readArrangement(body []byte, path string) (*bayholdv1.BookArrangementRequest, error) {
	hint := "keep one with: bayhold job arrange ... --to " + path
	var keys map[string]json.RawMessage
	if err := json.Unmarshal(body, &keys); err != nil {
		return nil, usage("%s is no arrangement: %s", path, err).try("%s", hint)
	}
	has := func(key string) bool { return keys[key] != nil }
	req := &bayholdv1.BookArrangementRequest{}
	switch {
	case has("broken"):
		// What happened is not in this answer, and the jobs must keep it.
		return nil, usage("%s holds the answer of job repair itself; keep a repair with: bayhold job repair ... --to %s", path, path)
	case has("parent"):
		return req, readMessage(body, path, req)
	case has("lateMinutes"):
		var answer bayholdv1.ArrangeJobsResponse
		if err := readMessage(body, path, &answer); err != nil {
			return nil, err
		}
		req.Jobs = answer.GetJobs()
		return req, nil
	}
	return nil, usage("%s holds no arrangement", path).try("%s", hint)
}

// worthBooking gives the jobs of an arrangement that are new or change, and
// leaves out those without a place.
func (p *place) worthBooking(ctx context.Context, list []*bayholdv1.ArrangedJob) ([]*bayholdv1.ArrangedJob, error) {
	others, err := p.othersOf(ctx, list)
	if err != nil {
		return nil, err
	}
	var out []*bayholdv1.ArrangedJob
	for _, j := range list {
		if j.GetPlan() != nil && (j.GetJob() == "" || j.GetMoved() || others[j.GetJob()] != "") {
			out = append(out, j)
		}
	}
	return out, nil
}
