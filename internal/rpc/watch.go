package rpc

import (
	"encoding/json"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/structpb"

	"bayhold/internal/feed"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type watchService struct {
	bayholdv1.UnimplementedWatchServiceServer
	feed *feed.Feed
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
		return stream.Send(&bayholdv1.WatchResponse{Revision: t.Revision, Event: writeEvent(siteID, t.Event)})
	})
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
