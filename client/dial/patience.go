package dial

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// patience makes a call again that met a limit, when the server says that it may
// be made again, for as long as the call's own time lasts. It was refused before
// anything was done, so that a change is made once all the same.
func patience(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn,
	invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	for {
		err := invoke(ctx, method, req, reply, cc, opts...)
		wait := RetryAfter(err)
		deadline, bounded := ctx.Deadline()
		if status.Code(err) != codes.ResourceExhausted || wait <= 0 || bounded && time.Now().Add(wait).After(deadline) {
			return err
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return err
		case <-timer.C:
		}
	}
}

// RetryAfter tells when a call may be made again that failed; 0 if the server
// did not say.
func RetryAfter(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if r, ok := d.(*errdetails.RetryInfo); ok {
			return r.GetRetryDelay().AsDuration()
		}
	}
	return 0
}
