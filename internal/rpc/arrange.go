package rpc

import (
	"context"
	"fmt"

	"google.golang.org/grpc"

	"bayhold/internal/fault"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type arrangementService struct {
	bayholdv1.UnimplementedArrangementServiceServer
	shop     *workshop.Workshop
	pictures Pictures
}

func (s arrangementService) ArrangeJobs(req *bayholdv1.ArrangeJobsRequest, stream grpc.ServerStreamingServer[bayholdv1.ArrangeJobsResponse]) error {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return err
	}
	q, err := readArrangeQuestion(siteID, req)
	if err != nil {
		return err
	}
	return s.shop.Arrange(stream.Context(), siteID, q, func(i workshop.Improvement) error {
		return stream.Send(&bayholdv1.ArrangeJobsResponse{
			Jobs: writeArranged(siteID, i.Jobs), LateMinutes: i.Late, LateBoundMinutes: i.LateBound,
			Schedules: i.Schedules, Done: i.Done,
		})
	})
}

func readArrangeQuestion(siteID string, req *bayholdv1.ArrangeJobsRequest) (workshop.ArrangeQuestion, error) {
	var fs fault.Fields
	q := workshop.ArrangeQuestion{
		Horizon: instant(&fs, "horizon_time", req.GetHorizonTime()), Schedules: req.GetSchedules(), Seed: req.GetSeed(),
	}
	if d := req.GetSearchTime(); d != nil {
		if err := d.CheckValid(); err != nil {
			fs.Add("search_time", "is no duration")
		}
		q.Search = d.AsDuration()
	}
	for i, name := range req.GetJobs() {
		field := fmt.Sprintf("jobs[%d]", i)
		if _, err := parseWithin(field, name, jobs, siteID); err != nil {
			return q, err
		}
		_, id, err := parseNumbered(field, name, jobs)
		if err != nil {
			return q, err
		}
		q.Jobs = append(q.Jobs, id)
	}
	for i, n := range req.GetNewJobs() {
		field := fmt.Sprintf("new_jobs[%d]", i)
		ids, err := idsOf(field+".procedures", n.GetProcedures(), procedures, siteID)
		if err != nil {
			return q, err
		}
		q.New = append(q.New, workshop.NewJob{
			Reference: n.GetReference(), Procedures: ids, Weight: n.GetWeight(),
			Earliest: instant(&fs, field+".earliest_time", n.GetEarliestTime()),
			Promise:  instant(&fs, field+".promise_time", n.GetPromiseTime()),
			Arrivals: readArrivals(&fs, field+".part_arrivals", n.GetPartArrivals()),
		})
	}
	return q, fs.Err("ARRANGE", "the question cannot be read")
}

func (s arrangementService) BookArrangement(ctx context.Context, req *bayholdv1.BookArrangementRequest) (*bayholdv1.BookArrangementResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	arranged, err := readArranged(siteID, req.GetJobs())
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	a := workshop.Arrangement{Jobs: arranged, Reason: req.GetReason()}
	for i, o := range req.GetOverruns() {
		overrun, err := readOverrun(fmt.Sprintf("overruns[%d]", i), siteID, o)
		if err != nil {
			return nil, err
		}
		a.Overruns = append(a.Overruns, overrun)
	}
	booked, err := s.shop.BookArrangement(ctx, act, a)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.BookArrangementResponse{}
	for _, b := range booked {
		out.Jobs = append(out.Jobs, &bayholdv1.ArrangedJob{
			Job: numbered(siteID, jobs, b.Job.ID), Reference: b.Job.Reference,
			Planned: writeRange(b.Job.Planned), PromiseTime: stamp(b.Job.Promise),
		})
	}
	return out, nil
}

func readArranged(siteID string, list []*bayholdv1.ArrangedJob) ([]workshop.ArrangedJob, error) {
	var fs fault.Fields
	out := make([]workshop.ArrangedJob, 0, len(list))
	for i, a := range list {
		field := fmt.Sprintf("jobs[%d]", i)
		j := workshop.ArrangedJob{Reference: a.GetReference(), Promise: instant(&fs, field+".promise_time", a.GetPromiseTime())}
		if name := a.GetJob(); name != "" {
			if _, err := parseWithin(field+".job", name, jobs, siteID); err != nil {
				return nil, err
			}
			var err error
			if _, j.Job, err = parseNumbered(field+".job", name, jobs); err != nil {
				return nil, err
			}
		}
		if a.GetPlan() != nil {
			p, err := readPlan(siteID, a.GetPlan())
			if err != nil {
				return nil, err
			}
			j.Plan = &p
		}
		out = append(out, j)
	}
	return out, fs.Err("ARRANGEMENT", "the arrangement cannot be read")
}

func writeArranged(siteID string, list []workshop.ArrangedJob) []*bayholdv1.ArrangedJob {
	out := make([]*bayholdv1.ArrangedJob, 0, len(list))
	for _, j := range list {
		m := &bayholdv1.ArrangedJob{
			Reference: j.Reference, Plan: writePlan(siteID, j.Plan), PromiseTime: stamp(j.Promise), Moved: j.Moved,
		}
		if j.Job != 0 {
			m.Job, m.Planned = numbered(siteID, jobs, j.Job), writeRange(j.Planned)
		}
		out = append(out, m)
	}
	return out
}

func readOverrun(field, siteID string, o *bayholdv1.Overrun) (workshop.Overrun, error) {
	if _, err := parseWithin(field+".job", o.GetJob(), jobs, siteID); err != nil {
		return workshop.Overrun{}, err
	}
	_, job, err := parseNumbered(field+".job", o.GetJob(), jobs)
	return workshop.Overrun{Job: job, Step: o.GetStep(), Extra: int(o.GetExtraMinutes())}, err
}
