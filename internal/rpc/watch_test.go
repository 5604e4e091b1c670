package rpc

import (
	"testing"

	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestWatchTellsABooking(t *testing.T) {
	t.Parallel()
	c := small(t)
	after := int64(0)
	watching := bayholdv1.NewWatchServiceClient(c.conn)
	stream, err := watching.Watch(t.Context(), &bayholdv1.WatchRequest{
		Parent: quay, AfterRevision: &after, Subjects: []string{quay + "/tools/LK-1"},
	})
	if err != nil {
		t.Fatal(err)
	}
	job := bookChain(t, c)
	for {
		told, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		e := told.GetEvent()
		if e.GetKind() != "job.booked" {
			continue
		}
		if e.GetSubject() != job.GetName() || e.GetRevision() != told.GetRevision() || e.GetDetails() == nil {
			t.Errorf("told %v", told)
		}
		return
	}
}

func TestWatchRefuses(t *testing.T) {
	t.Parallel()
	c := small(t)
	watching := bayholdv1.NewWatchServiceClient(c.conn)
	ahead := int64(1000)
	for name, req := range map[string]*bayholdv1.WatchRequest{
		"a revision ahead":        {Parent: quay, AfterRevision: &ahead},
		"a subject without place": {Parent: quay, Subjects: []string{"LK-1"}},
		"a subject elsewhere":     {Parent: quay, Subjects: []string{"sites/moon/tools/LK-1"}},
	} {
		stream, err := watching.Watch(t.Context(), req)
		if err == nil {
			_, err = stream.Recv()
		}
		if err == nil {
			t.Errorf("%s is accepted", name)
			continue
		}
		wantCode(t, err, codes.InvalidArgument)
	}
}
