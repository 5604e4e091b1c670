package cli

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// search is what the fake tells of an arrangement.
type search struct {
	told []*bayholdv1.ArrangeJobsResponse
	// then, if there is one, runs when all is told: the stream ends as it says.
	then func(ctx context.Context) error
}

func (f *fake) ArrangeJobs(r *bayholdv1.ArrangeJobsRequest, stream grpc.ServerStreamingServer[bayholdv1.ArrangeJobsResponse]) error {
	f.mu.Lock()
	f.calls = append(f.calls, proto.Clone(r))
	s, fail := f.search, f.fail["ArrangeJobs"]
	f.mu.Unlock()
	if fail != nil {
		return fail()
	}
	if s.told == nil {
		s.told = fixtureSearch()
	}
	for _, m := range s.told {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	if s.then != nil {
		return s.then(stream.Context())
	}
	return nil
}

func (f *fake) ProposeRepair(context.Context, *bayholdv1.ProposeRepairRequest) (*bayholdv1.ProposeRepairResponse, error) {
	return fixtureRepair(), nil
}

func (f *fake) BookArrangement(_ context.Context, r *bayholdv1.BookArrangementRequest) (*bayholdv1.BookArrangementResponse, error) {
	out := &bayholdv1.BookArrangementResponse{}
	for i, j := range r.GetJobs() {
		name := j.GetJob()
		if name == "" {
			name = harbour + "/jobs/3" + string(rune('0'+i))
		}
		out.Jobs = append(out.Jobs, &bayholdv1.ArrangedJob{
			Job: name, Reference: j.GetReference(), PromiseTime: j.GetPromiseTime(),
			Planned: during(j.GetPlan().GetStartTime(), j.GetPlan().GetHandBackTime()),
		})
	}
	return out, nil
}

func (f *fake) ExplainJob(_ context.Context, r *bayholdv1.ExplainJobRequest) (*bayholdv1.ExplainJobResponse, error) {
	out := fixtureExplained()
	if r.GetStartTime() == nil {
		out.SmallestSet = nil
	}
	return out, nil
}
