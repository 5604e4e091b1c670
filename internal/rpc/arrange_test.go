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
