package rpc

import (
	"errors"
	"io"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestArrangeStreamsAndIsBookedInOneAct(t *testing.T) {
	t.Parallel()
	c := small(t)
	arranging := bayholdv1.NewArrangementServiceClient(c.conn)
	job := bookChain(t, c)
	stream, err := arranging.ArrangeJobs(t.Context(), &bayholdv1.ArrangeJobsRequest{
		Parent: quay, Jobs: []string{job.GetName()}, Schedules: 200, Seed: 7,
		NewJobs: []*bayholdv1.NewJob{{
			Reference: "W-710", Procedures: []string{quay + "/procedures/cam-bolts"}, EarliestTime: at(12, 8), PromiseTime: at(13, 17),
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	var last *bayholdv1.ArrangeJobsResponse
	for {
		better, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		last = better
	}
	if !last.GetDone() || len(last.GetJobs()) != 2 || last.GetJobs()[1].GetPlan() == nil {
		t.Fatalf("the answer: %v", last)
	}
	booked, err := arranging.BookArrangement(t.Context(), &bayholdv1.BookArrangementRequest{
		Parent: quay, RequestId: uuid.NewString(), Jobs: last.GetJobs(), Reason: "test",
	})
	if err != nil || len(booked.GetJobs()) != 2 {
		t.Errorf("booked: %v, %v", booked, err)
	}
	_, err = arranging.BookArrangement(t.Context(), &bayholdv1.BookArrangementRequest{
		Parent: quay, RequestId: uuid.NewString(), Jobs: last.GetJobs()[1:], Reason: "test",
	})
	wantCode(t, err, codes.Aborted)
	stream, err = arranging.ArrangeJobs(t.Context(), &bayholdv1.ArrangeJobsRequest{Parent: "moon"})
	if err == nil {
		_, err = stream.Recv()
	}
	wantCode(t, err, codes.InvalidArgument)
}

func TestExplainAndRepairOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	explained, err := c.planning.ExplainJob(t.Context(), &bayholdv1.ExplainJobRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(15, 8), StartTime: at(15, 8),
	})
	if err != nil || len(explained.GetReliefs()) == 0 || explained.GetReliefs()[0].GetSoonerMinutes() != 180 || len(explained.GetSmallestSet()) != 1 {
		t.Errorf("explained: %v, %v", explained, err)
	}
	job := bookChain(t, c)
	arranging := bayholdv1.NewArrangementServiceClient(c.conn)
	outage := &bayholdv1.ProposeRepairRequest{Parent: quay, Event: &bayholdv1.ProposeRepairRequest_Outage{Outage: &bayholdv1.Outage{
		Resource: quay + "/tools/LK-1", During: &bayholdv1.TimeRange{Start: at(12, 8), End: at(13, 8)},
	}}}
	repair, err := arranging.ProposeRepair(t.Context(), outage)
	if err != nil || len(repair.GetJobs()) != 1 || repair.GetJobs()[0].GetJob() != job.GetName() || len(repair.GetBroken()) == 0 {
		t.Fatalf("repair: %v, %v", repair, err)
	}
	_, err = arranging.BookArrangement(t.Context(), &bayholdv1.BookArrangementRequest{
		Parent: quay, RequestId: uuid.NewString(), Jobs: repair.GetJobs(), Reason: "locks out",
	})
	if err != nil {
		t.Error(err)
	}
	outage.Event = &bayholdv1.ProposeRepairRequest_Overrun{Overrun: &bayholdv1.Overrun{Job: job.GetName(), Step: "chain/renew", ExtraMinutes: 30}}
	repair, err = arranging.ProposeRepair(t.Context(), outage)
	if err != nil || len(repair.GetJobs()) != 1 {
		t.Errorf("overrun: %v, %v", repair, err)
	}
	repair, err = arranging.ProposeRepair(t.Context(), &bayholdv1.ProposeRepairRequest{Parent: quay})
	if err != nil || len(repair.GetBroken()) != 0 {
		t.Errorf("as it stands: %v, %v", repair, err)
	}
	outage.GetOverrun().ExtraMinutes = 0
	_, err = arranging.ProposeRepair(t.Context(), outage)
	wantCode(t, err, codes.InvalidArgument)
}
