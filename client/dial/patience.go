package dial

import (
	"context"
	"errors"
	"io"
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
	until, bounded := ctx.Deadline()
	if !bounded {
		until = time.Now().Add(DefaultTimeout)
	}
	for {
		err := invoke(ctx, method, req, reply, cc, opts...)
		if !waited(ctx, err, until) {
			return err
		}
	}
}

// waited waits as long as the server says, after a call that met a limit; false
// if it met none, or the call cannot be made again by then.
func waited(ctx context.Context, err error, until time.Time) bool {
	wait := RetryAfter(err)
	if status.Code(err) != codes.ResourceExhausted || wait <= 0 || time.Now().Add(wait).After(until) {
		return false
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
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

// patientStream opens a stream of answers again that met a limit before its first
// answer, when the server says that it may be, for up to d in all. What was asked
// is sent again word for word.
func patientStream(d time.Duration) grpc.StreamClientInterceptor {
	return func(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string,
		open grpc.Streamer, opts ...grpc.CallOption,
	) (grpc.ClientStream, error) {
		again := func() (grpc.ClientStream, error) { return open(ctx, desc, cc, method, opts...) }
		first, err := again()
		if err != nil || desc.ClientStreams {
			return first, err
		}
		return &repeatable{ClientStream: first, ctx: ctx, open: again, until: time.Now().Add(d)}, nil
	}
}

// repeatable is a stream of answers to one question.
type repeatable struct {
	grpc.ClientStream
	ctx      context.Context // the caller's: a stream's own ends with it
	open     func() (grpc.ClientStream, error)
	until    time.Time
	asked    any
	answered bool
}

// SendMsg asks the question, and keeps it.
func (r *repeatable) SendMsg(m any) error {
	r.asked = m
	return r.ClientStream.SendMsg(m)
}

// RecvMsg gives an answer.
func (r *repeatable) RecvMsg(m any) error {
	for {
		err := r.ClientStream.RecvMsg(m)
		if err == nil {
			r.answered = true
		}
		if err == nil || r.answered || !waited(r.ctx, err, r.until) {
			return err
		}
		again, err := r.open()
		if err != nil {
			return err
		}
		r.ClientStream = again
		if err := errors.Join(again.SendMsg(r.asked), again.CloseSend()); err != nil && !errors.Is(err, io.EOF) {
			return err // io.EOF: the stream has ended, and the next turn tells why
		}
	}
}
