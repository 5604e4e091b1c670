package rpc

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"bayhold/internal/feed"
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

// TestWatchTogether hears the same of a log's past in one answer as in many.
func TestWatchTogether(t *testing.T) {
	t.Parallel()
	c := small(t)
	bookChain(t, c)
	after := int64(0)
	watching := bayholdv1.NewWatchServiceClient(c.conn)
	hear := func(together bool) (events []*bayholdv1.Event, answers int) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		stream, err := watching.Watch(ctx, &bayholdv1.WatchRequest{Parent: quay, AfterRevision: &after, Together: together})
		if err != nil {
			t.Fatal(err)
		}
		for len(events) == 0 || events[len(events)-1].GetKind() != "job.booked" {
			told, err := stream.Recv()
			if err != nil {
				t.Fatal(err)
			}
			heard := told.GetEvents()
			if e := told.GetEvent(); e != nil {
				heard = append(heard, e)
			}
			if len(heard) == 0 {
				continue
			}
			if told.GetRevision() != heard[len(heard)-1].GetRevision() || len(told.GetEvents()) > 0 != together {
				t.Errorf("together %t: told %v", together, told)
			}
			events = append(events, heard...)
			answers++
		}
		return events, answers
	}
	each, answers := hear(false)
	if len(each) < 2 || answers != len(each) {
		t.Fatalf("%d events in %d answers", len(each), answers)
	}
	all, answers := hear(true)
	if answers != 1 {
		t.Errorf("what is past comes in %d answers", answers)
	}
	if diff := cmp.Diff(each, all, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
}

// TestToldAsEncoded holds what is put together of encoded events against what the
// library encodes.
func TestToldAsEncoded(t *testing.T) {
	t.Parallel()
	events := []*feed.Event{
		{Line: feed.Line{Revision: 7, Kind: "job.booked", Subject: "jobs/1", Touched: []string{"jobs/1", "tools/LK-1"}, Details: []byte(`{"a": [1, null, "ü"]}`)}},
		{Line: feed.Line{Revision: 8, At: time.Date(2031, 5, 14, 12, 0, 0, 5000, time.UTC), Actor: "ada", Details: []byte(`"no object"`)}},
	}
	bodies, err := encodedEvents("quay", events)
	if err != nil {
		t.Fatal(err)
	}
	want := &bayholdv1.WatchResponse{Revision: 1 << 40}
	for _, e := range events {
		want.Events = append(want.Events, writeEvent("quay", &e.Line))
	}
	for _, c := range []struct {
		sent any
		want *bayholdv1.WatchResponse
	}{
		{toldOf(1<<40, eventsField, bodies), want},
		{toldOf(7, eventField, bodies[:1]), &bayholdv1.WatchResponse{Revision: 7, Event: want.Events[0]}},
		{want, want},
	} {
		data, err := newCodec().Marshal(c.sent)
		if err != nil {
			t.Fatal(err)
		}
		var got bayholdv1.WatchResponse
		if err := proto.Unmarshal(data.Materialize(), &got); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(c.want, &got, protocmp.Transform()); diff != "" {
			t.Error(diff)
		}
	}
}

func TestFitting(t *testing.T) {
	t.Parallel()
	small, large := make([]byte, 1000), make([]byte, togetherBytes+1)
	for _, c := range []struct {
		events [][]byte
		want   int
	}{
		{[][]byte{large, small}, 1},
		{[][]byte{small, large, small}, 1},
		{[][]byte{small, small, small}, 3},
		{[][]byte{make([]byte, togetherBytes-1000), small, small}, 2},
	} {
		if got := fitting(c.events); got != c.want {
			t.Errorf("%d of %d go into one answer, want %d", got, len(c.events), c.want)
		}
	}
}
