package dial

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
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
