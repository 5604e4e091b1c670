// Package measure names what the server measures of itself. Who measures finds
// the recorder in the context; what becomes of the figures is not their business.
package measure

import (
	"context"
	"time"
)

// Sort says how a figure is gathered.
type Sort int

const (
	// Count only grows.
	Count Sort = iota
	// Level goes up and down.
	Level
	// Duration is a distribution of seconds.
	Duration
)

// Figure is one thing that is measured.
type Figure struct {
	Name  string // dotted, as OpenTelemetry names instruments
	Sort  Sort
	Label string // what its label says; empty for none
	Help  string
}

// The figures.
var (
	Events      = &Figure{"bayhold.events", Count, "kind", "Events written to the log: job.booked and the like."}
	LostRaces   = &Figure{"bayhold.lost_races", Count, "method", "Calls that somebody else's booking or change forestalled."}
	Refused     = &Figure{"bayhold.refused", Count, "reason", "Calls refused by a limit, or for who called."}
	Retries     = &Figure{"bayhold.transaction.retries", Count, "", "Transactions tried again because they lost to another."}
	PlanWait    = &Figure{"bayhold.planner.wait", Duration, "", "How long calls waited for a planner."}
	PlanRun     = &Figure{"bayhold.planner.run", Duration, "method", "How long calls had a planner."}
	PlanProofs  = &Figure{"bayhold.planner.answers", Count, "proof", "Answers of the planner: proved, or the best found in time."}
	PlanWaiting = &Figure{"bayhold.planner.waiting", Level, "", "Calls that wait for a planner."}
	PlanRunning = &Figure{"bayhold.planner.running", Level, "", "Calls that have a planner."}
	FeedLag     = &Figure{"bayhold.feed.lag", Duration, "", "From an event's time to when those who watch heard it."}
	Watchers    = &Figure{"bayhold.streams", Level, "", "Streams that are open."}
	Healthy     = &Figure{"bayhold.healthy", Level, "", "1 if the server can serve, else 0."}
)

// All are the figures.
var All = []*Figure{
	Events, LostRaces, Refused, Retries, PlanWait, PlanRun, PlanProofs, PlanWaiting, PlanRunning, FeedLag, Watchers, Healthy,
}

// Recorder takes figures. It must be quick and may be used by many at once.
type Recorder interface {
	// Add adds to a Count or a Level.
	Add(ctx context.Context, f *Figure, n int64, label string)
	// Took adds to a Duration.
	Took(ctx context.Context, f *Figure, d time.Duration, label string)
}

type recorderKey struct{}

// With gives a context whose figures go to a recorder.
func With(ctx context.Context, r Recorder) context.Context {
	if r == nil {
		return ctx
	}
	return context.WithValue(ctx, recorderKey{}, r)
}

// Add adds to a Count or a Level where the context says.
func Add(ctx context.Context, f *Figure, n int64, label string) {
	if r, ok := ctx.Value(recorderKey{}).(Recorder); ok {
		r.Add(ctx, f, n, label)
	}
}

// Took adds to a Duration where the context says.
func Took(ctx context.Context, f *Figure, d time.Duration, label string) {
	if r, ok := ctx.Value(recorderKey{}).(Recorder); ok {
		r.Took(ctx, f, d, label)
	}
}

type requestKey struct{}

// WithRequest gives a context that knows the request id of its call, for logs.
func WithRequest(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, requestKey{}, id)
}

// Request is the request id of a call; empty if it has none.
func Request(ctx context.Context) string {
	id, _ := ctx.Value(requestKey{}).(string)
	return id
}
