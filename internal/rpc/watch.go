package rpc

import (
	"encoding/json"
	"sync"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/structpb"

	"bayhold/internal/feed"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type watchService struct {
	bayholdv1.UnimplementedWatchServiceServer
	feed    *feed.Feed
	written *writtenEvents
}

func (s watchService) Watch(req *bayholdv1.WatchRequest, stream grpc.ServerStreamingServer[bayholdv1.WatchResponse]) error {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return err
	}
	touching, err := readSubjects(siteID, req.GetSubjects())
	if err != nil {
		return err
	}
	return s.feed.Follow(stream.Context(), siteID, req.AfterRevision, touching, func(t feed.Told) error {
		return stream.Send(s.written.response(siteID, t))
	})
}

// writtenMost is how many events are kept as they were written.
const writtenMost = 1000

// writtenEvents keeps the last events as messages, for what one watcher is told
// the others are told too. Nobody changes a message in it.
type writtenEvents struct {
	mu    sync.Mutex
	made  map[writtenKey]*bayholdv1.WatchResponse
	order []writtenKey
}

type writtenKey struct {
	site     string
	revision int64
}

// response writes what is told, or gives it as it was written before.
func (w *writtenEvents) response(siteID string, t feed.Told) *bayholdv1.WatchResponse {
	if t.Event == nil {
		return &bayholdv1.WatchResponse{Revision: t.Revision}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	key := writtenKey{siteID, t.Revision}
	if r := w.made[key]; r != nil && r.GetEvent().GetRequestId() == t.Event.RequestID.String() {
		return r
	}
	if len(w.order) >= writtenMost {
		delete(w.made, w.order[0])
		w.order = w.order[1:]
	}
	if w.made == nil {
		w.made = map[writtenKey]*bayholdv1.WatchResponse{}
	}
	w.made[key] = &bayholdv1.WatchResponse{Revision: t.Revision, Event: writeEvent(siteID, t.Event)}
	w.order = append(w.order, key)
	return w.made[key]
}

func writeEvent(siteID string, e *feed.Event) *bayholdv1.Event {
	if e == nil {
		return nil
	}
	out := &bayholdv1.Event{
		Revision: e.Revision, EventTime: stamp(e.At), Actor: e.Actor, Kind: e.Kind,
		Subject: "sites/" + siteID, RequestId: e.RequestID.String(), Details: writeDetails(e.Details),
	}
	if e.Subject != "" {
		out.Subject = within(siteID, e.Subject)
	}
	for _, name := range e.Touched {
		out.Touched = append(out.Touched, within(siteID, name))
	}
	return out
}

// writeDetails gives what the log says of an event; what is no JSON object
// stands under "value".
func writeDetails(raw json.RawMessage) *structpb.Struct {
	out := &structpb.Struct{}
	if err := out.UnmarshalJSON(raw); err == nil {
		return out
	}
	var value structpb.Value
	if err := value.UnmarshalJSON(raw); err != nil {
		return nil
	}
	return &structpb.Struct{Fields: map[string]*structpb.Value{"value": &value}}
}
