package e2e

import (
	"context"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// watching are clients that follow the log, each from where it was when its
// stream broke.
type watching struct {
	mu   sync.Mutex
	seen [][]entry
}

// watchAll starts them, on both servers in turn. They end with ctx.
func watchAll(ctx context.Context, f *field) *watching {
	w := &watching{seen: make([][]entry, watchers)}
	for n := range watchers {
		conns := []*grpc.ClientConn{f.dial(n % 2), f.dial((n + 1) % 2)}
		go func() {
			for i := 0; ctx.Err() == nil; i++ {
				w.follow(ctx, n, conns[i%2])
				rest(ctx, 20*time.Millisecond)
			}
		}()
	}
	return w
}

// follow hears one stream to its end.
func (w *watching) follow(ctx context.Context, n int, conn *grpc.ClientConn) {
	w.mu.Lock()
	var after int64
	if k := len(w.seen[n]); k > 0 {
		after = w.seen[n][k-1].revision
	}
	w.mu.Unlock()
	stream, err := bayholdv1.NewWatchServiceClient(conn).Watch(ctx, &bayholdv1.WatchRequest{Parent: "sites/arena", AfterRevision: &after})
	if err != nil {
		return
	}
	for {
		told, err := stream.Recv()
		if err != nil {
			return
		}
		if e := told.GetEvent(); e != nil {
			w.mu.Lock()
			w.seen[n] = append(w.seen[n], entry{revision: e.GetRevision(), request: e.GetRequestId(), kind: e.GetKind()})
			w.mu.Unlock()
		}
	}
}

// upTo waits until all have heard the event of a revision.
func (w *watching) upTo(t *testing.T, revision int64) [][]entry {
	t.Helper()
	out := make([][]entry, watchers)
	await(t, "every watcher hears the last event", 30*time.Second, func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		for n, seen := range w.seen {
			if k := len(seen); k == 0 || seen[k-1].revision < revision {
				return false
			}
			out[n] = append([]entry(nil), seen...)
		}
		return true
	})
	return out
}
