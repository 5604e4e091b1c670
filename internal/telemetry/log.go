package telemetry

import (
	"context"
	"log/slog"

	"go.opentelemetry.io/otel/trace"

	"bayhold/internal/measure"
)

// Logger logs by a handler; what belongs to a call carries its request id and
// its trace id.
func Logger(h slog.Handler) *slog.Logger { return slog.New(handler{h}) }

type handler struct{ slog.Handler }

// Handle adds what the context knows of the call.
func (h handler) Handle(ctx context.Context, r slog.Record) error {
	if id := measure.Request(ctx); id != "" {
		r.AddAttrs(slog.String("request_id", id))
	}
	if span := trace.SpanContextFromContext(ctx); span.HasTraceID() {
		r.AddAttrs(slog.String("trace_id", span.TraceID().String()))
	}
	return h.Handler.Handle(ctx, r)
}

// WithAttrs keeps the handler around one with attributes.
func (h handler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return handler{h.Handler.WithAttrs(attrs)}
}

// WithGroup keeps the handler around one with a group.
func (h handler) WithGroup(name string) slog.Handler { return handler{h.Handler.WithGroup(name)} }
