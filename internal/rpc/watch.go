package rpc

import (
	"encoding/json"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/structpb"

	"bayhold/internal/feed"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type watchService struct {
	bayholdv1.UnimplementedWatchServiceServer
	feed *feed.Feed
}

// togetherBytes is how long an answer with several events may grow. Callers take
// 4 MiB unless they say otherwise.
const togetherBytes = 256 << 10

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
		if len(t.Events) == 0 {
			return stream.Send(&bayholdv1.WatchResponse{Revision: t.Revision})
		}
		events, err := encodedEvents(siteID, t.Events)
		for from := 0; from < len(events) && err == nil; {
			upTo, field, n := t.Events[from].Revision, eventField, 1
			if req.GetTogether() {
				field, n = eventsField, fitting(events[from:])
				upTo = t.Events[from+n-1].Revision
			}
			err = stream.SendMsg(toldOf(upTo, field, events[from:from+n]))
			from += n
		}
		return err
	})
}

// fitting is how many of the events, and at least one, go into one answer.
func fitting(events [][]byte) int {
	size, n := len(events[0]), 1
	for ; n < len(events); n++ {
		if size += len(events[n]); size > togetherBytes {
			break
		}
	}
	return n
}

// encodedEvents are events as they travel, each encoded once for all who are told.
func encodedEvents(siteID string, events []*feed.Event) ([][]byte, error) {
	type made struct {
		event []byte
		err   error
	}
	out := make([][]byte, len(events))
	for i, e := range events {
		m, _ := e.Made(func(e *feed.Line) any {
			b, err := proto.Marshal(writeEvent(siteID, e))
			return made{b, err}
		}).(made)
		if m.err != nil {
			return nil, m.err
		}
		out[i] = m.event
	}
	return out, nil
}

func writeEvent(siteID string, e *feed.Line) *bayholdv1.Event {
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
