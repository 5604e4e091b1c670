package dial

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// refusal is a call that met a limit.
func refusal(after time.Duration) error {
	st := status.New(codes.ResourceExhausted, "you call too often")
	if after > 0 {
		st, _ = st.WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	}
	return st.Err()
}

// TestPatience holds that a call that met a limit is made again when the server
// says, if there is time for that, and else is given back at once.
func TestPatience(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		after    time.Duration
		failures int32
		calls    int32
		want     codes.Code
	}{
		"in a moment":             {20 * time.Millisecond, 3, 4, codes.OK},
		"not in time":             {time.Hour, 100, 1, codes.ResourceExhausted},
		"the server does not say": {0, 100, 1, codes.ResourceExhausted},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			lis := listen(t, "tcp", "127.0.0.1:0")
			var calls atomic.Int32
			serve(t, lis, func(context.Context) error {
				if calls.Add(1) <= c.failures {
					return refusal(c.after)
				}
				return nil
			})
			began := time.Now()
			err := ask(t, Config{Server: lis.Addr().String(), Timeout: time.Minute})
			if status.Code(err) != c.want || calls.Load() != c.calls {
				t.Errorf("%v after %d calls, want %v after %d", err, calls.Load(), c.want, c.calls)
			}
			if waited := time.Since(began); waited < time.Duration(c.calls-1)*c.after {
				t.Errorf("the calls were made within %v, sooner than the server said", waited)
			}
		})
	}
}

// watches refuses so many streams, and may break those that it lets in.
type watches struct {
	bayholdv1.UnimplementedWatchServiceServer
	refused int32
	asked   atomic.Int32
	after   time.Duration
	parents chan string
}

func (w *watches) Watch(r *bayholdv1.WatchRequest, s grpc.ServerStreamingServer[bayholdv1.WatchResponse]) error {
	w.parents <- r.GetParent()
	if w.asked.Add(1) <= w.refused {
		return refusal(w.after)
	}
	if err := s.Send(&bayholdv1.WatchResponse{Revision: 7}); err != nil {
		return err
	}
	return refusal(w.after) // after an answer it is not opened again
}

// TestPatienceWithStreams holds that a stream that met a limit before its first
// answer is opened again when the server says, with the same question, and one
// that has answered is not.
func TestPatienceWithStreams(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		after            time.Duration
		refused, answers int32
		asked            int32
	}{
		"in a moment":             {20 * time.Millisecond, 3, 1, 4},
		"not in time":             {time.Hour, 100, 0, 1},
		"the server does not say": {0, 100, 0, 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			lis := listen(t, "tcp", "127.0.0.1:0")
			w := &watches{refused: c.refused, after: c.after, parents: make(chan string, 10)}
			srv := grpc.NewServer()
			bayholdv1.RegisterWatchServiceServer(srv, w)
			done := make(chan error, 1)
			go func() { done <- srv.Serve(lis) }()
			t.Cleanup(func() {
				srv.Stop()
				<-done
			})
			conn, err := Open(Config{Server: lis.Addr().String(), Timeout: time.Minute})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = conn.Close() })
			stream, err := conn.Watches.Watch(t.Context(), &bayholdv1.WatchRequest{Parent: "sites/quay"})
			if err != nil {
				t.Fatal(err)
			}
			var answers int32
			for err == nil {
				if _, err = stream.Recv(); err == nil {
					answers++
				}
			}
			if status.Code(err) != codes.ResourceExhausted || answers != c.answers || w.asked.Load() != c.asked {
				t.Errorf("%v after %d answers and %d streams, want %d and %d", err, answers, w.asked.Load(), c.answers, c.asked)
			}
			close(w.parents)
			for p := range w.parents {
				if p != "sites/quay" {
					t.Errorf("it asked for %q", p)
				}
			}
		})
	}
}
