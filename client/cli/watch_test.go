package cli

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/structpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// watch is what the fake tells to those who watch: one list a stream. When all
// is told the stream breaks, and the last one goes on until its caller goes.
type watch struct{ streams [][]*bayholdv1.WatchResponse }

func (f *fake) Watch(r *bayholdv1.WatchRequest, stream grpc.ServerStreamingServer[bayholdv1.WatchResponse]) error {
	f.mu.Lock()
	f.calls = append(f.calls, proto.Clone(r))
	var now []*bayholdv1.WatchResponse
	last := len(f.watch.streams) <= 1
	if len(f.watch.streams) > 0 {
		now, f.watch.streams = f.watch.streams[0], f.watch.streams[1:]
	}
	f.mu.Unlock()
	for _, m := range now {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	if last {
		<-stream.Context().Done()
		return stream.Context().Err()
	}
	return status.Error(codes.Unavailable, "the server stops")
}

func happened(revision int64, kind, subject string, touched ...string) *bayholdv1.WatchResponse {
	details, err := structpb.NewStruct(map[string]any{"reference": "R-17"})
	if err != nil {
		panic(err)
	}
	return &bayholdv1.WatchResponse{Revision: revision, Event: &bayholdv1.Event{
		Revision: revision, EventTime: ts(nov, 25, 9, int(revision)), Actor: "local", Kind: kind,
		Subject: harbour + subject, Touched: append([]string{harbour + subject}, touched...), Details: details,
	}}
}

// watchUntil watches until a text has been printed, then interrupts.
func watchUntil(t *testing.T, f *fake, text string, args ...string) result {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	env := f.env(t)
	out, errs := &cancelAfter{text: text, cancel: cancel}, &bytes.Buffer{}
	code := Run(ctx, append([]string{"watch"}, args...), Streams{In: strings.NewReader(""), Out: out, Err: errs},
		func(k string) string { return env[k] }, func() time.Time { return testNow })
	return result{code, out.String(), errs.String()}
}

func TestWatchIsTakenUpWhereItBroke(t *testing.T) {
	t.Parallel()
	f := newFake(t)
	f.watch.streams = [][]*bayholdv1.WatchResponse{
		{{Revision: 3}, happened(4, "job.booked", "/jobs/17", harbour+"/bays/bay-1", harbour+"/tools/LS-01")},
		{{Revision: 4}, {Revision: 6, Events: []*bayholdv1.Event{
			happened(5, "job.moved", "/jobs/17").GetEvent(), happened(6, "job.cancelled", "/jobs/17").GetEvent(),
		}}},
	}
	got := watchUntil(t, f, "cancelled", "--job", "17", "--tool", "LS-01")
	want := "4  Wed 25 Nov 09:04  job booked  17 (R-17): bay-1, LS-01, by local\n5  Wed 25 Nov 09:05  job moved  17 (R-17), by local\n" +
		"6  Wed 25 Nov 09:06  job cancelled  17 (R-17), by local\n"
	if got.code != exitDone || got.out != want {
		t.Errorf("code %d\n%s%s\nwant\n%s", got.code, got.out, got.err, want)
	}
	var asked []*bayholdv1.WatchRequest
	for _, c := range f.calls {
		if r, ok := c.(*bayholdv1.WatchRequest); ok {
			asked = append(asked, r)
		}
	}
	if len(asked) != 2 || asked[0].AfterRevision != nil || asked[1].GetAfterRevision() != 4 || len(asked[0].GetSubjects()) != 2 || !asked[1].GetTogether() {
		t.Errorf("asked %v", asked)
	}
}

func TestWatchInJSONIsALineEach(t *testing.T) {
	t.Parallel()
	f := newFake(t)
	f.watch.streams = [][]*bayholdv1.WatchResponse{{{Revision: 0}, happened(1, "site.imported", "")}}
	got := watchUntil(t, f, "site.imported", "--after", "0", "--output", "json")
	if got.code != exitDone || strings.Count(got.out, "\n") != 1 || !strings.HasPrefix(got.out, "{") {
		t.Errorf("code %d\n%s%s", got.code, got.out, got.err)
	}
}
