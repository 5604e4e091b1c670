package rpc

import (
	"context"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"bayhold/internal/access"
	"bayhold/internal/measure"
)

// note is what becomes known of a call while it goes on.
type note struct{ caller access.Caller }

type noteKey struct{}

// noteOf gives the note of a call; one that nobody reads if there is none.
func noteOf(ctx context.Context) *note {
	if n, ok := ctx.Value(noteKey{}).(*note); ok {
		return n
	}
	return &note{}
}

// observed gives the context of a call that is looked at.
func (s *Server) observed(ctx context.Context, requestID string) (context.Context, *note) {
	n := &note{}
	ctx = context.WithValue(measure.With(ctx, s.opts.Measure), noteKey{}, n)
	if id, err := uuid.Parse(requestID); err == nil {
		ctx = measure.WithRequest(ctx, id.String())
	}
	return ctx, n
}

func (s *Server) observe(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	requestID := ""
	if m, ok := req.(mutation); ok {
		requestID = m.GetRequestId()
	}
	ctx, n := s.observed(ctx, requestID)
	began := time.Now()
	resp, err := handle(ctx, req)
	s.tell(ctx, info.FullMethod, n, err, time.Since(began))
	return resp, err
}

func (s *Server) observeStream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	ctx, n := s.observed(stream.Context(), "")
	began := time.Now()
	err := handle(srv, endingStream{stream, ctx})
	s.tell(ctx, info.FullMethod, n, err, time.Since(began))
	return err
}

// tell logs and counts how a call ended: who, what, how long; nothing of what
// was asked or answered.
func (s *Server) tell(ctx context.Context, method string, n *note, err error, took time.Duration) {
	code, reason := status.Code(err), ""
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			reason = info.GetReason()
		}
	}
	switch code {
	case codes.Aborted:
		measure.Add(ctx, measure.LostRaces, 1, method)
	case codes.ResourceExhausted, codes.PermissionDenied, codes.Unauthenticated:
		measure.Add(ctx, measure.Refused, 1, reason)
	}
	level := slog.LevelInfo
	if s.guard.rules[method].open {
		level = slog.LevelDebug // health, which somebody asks for all the time
	}
	attrs := []slog.Attr{
		slog.String("method", method), slog.String("code", code.String()), slog.Float64("ms", float64(took.Microseconds())/1000),
	}
	for _, a := range []slog.Attr{
		slog.String("reason", reason), slog.String("site", n.caller.Site), slog.String("user", n.caller.User), slog.String("token_name", n.caller.Token),
	} {
		if a.Value.String() != "" {
			attrs = append(attrs, a)
		}
	}
	s.opts.Log.LogAttrs(ctx, level, "call", attrs...)
}
