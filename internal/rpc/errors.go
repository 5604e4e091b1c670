package rpc

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"bayhold/internal/fault"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// domain names the house in google.rpc.ErrorInfo.
const domain = "bayhold"

// codeOf is the one table from kinds of fault to status codes.
var codeOf = map[fault.Kind]codes.Code{
	fault.Internal:        codes.Internal,
	fault.Invalid:         codes.InvalidArgument,
	fault.NotFound:        codes.NotFound,
	fault.Exists:          codes.AlreadyExists,
	fault.Precondition:    codes.FailedPrecondition,
	fault.LostRace:        codes.Aborted,
	fault.Exhausted:       codes.ResourceExhausted,
	fault.Unavailable:     codes.Unavailable,
	fault.Deadline:        codes.DeadlineExceeded,
	fault.Canceled:        codes.Canceled,
	fault.Unauthenticated: codes.Unauthenticated,
	fault.Forbidden:       codes.PermissionDenied,
}

// pauseOutage is how long callers are told to wait before they try again when
// nothing better is known.
const pauseOutage = time.Second

// asStatus turns an error into what a caller may see. The cause, and all of an
// error that is no fault, goes to the log.
func asStatus(ctx context.Context, log *slog.Logger, method, site string, err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok && fault.Fault(err) == nil {
		return err
	}
	f := fault.Fault(err)
	if f == nil {
		f = unexpected(ctx, err)
	}
	if f.Kind == fault.Internal || f.Kind == fault.Unavailable {
		log.ErrorContext(ctx, "call failed", "method", method, "kind", f.Kind.String(), "reason", f.Reason, "cause", f.Cause)
	}
	message := f.Message
	if f.Kind == fault.Internal {
		message = "internal error: the server's log says more"
	}
	st := status.New(codeOf[f.Kind], message)
	withDetails, err := st.WithDetails(details(f, site)...)
	if err != nil {
		return st.Err()
	}
	return withDetails.Err()
}

func unexpected(ctx context.Context, err error) *fault.Error {
	switch {
	case errors.Is(err, context.DeadlineExceeded) || errors.Is(ctx.Err(), context.DeadlineExceeded):
		return fault.New(fault.Deadline, "DEADLINE", "the time allowed for this call ran out").Because(err)
	case errors.Is(err, context.Canceled):
		return fault.New(fault.Canceled, "CANCELED", "the call was given up").Because(err)
	}
	return fault.New(fault.Internal, "INTERNAL", "internal error").Because(err)
}

func details(f *fault.Error, site string) []protoadapt.MessageV1 {
	out := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: f.Reason, Domain: domain}}
	switch {
	case len(f.Fields) == 0:
	case f.Kind == fault.Precondition:
		d := &errdetails.PreconditionFailure{}
		for _, v := range f.Fields {
			d.Violations = append(d.Violations, &errdetails.PreconditionFailure_Violation{
				Type: f.Reason, Subject: v.Path, Description: v.Message,
			})
		}
		out = append(out, d)
	default:
		d := &errdetails.BadRequest{}
		for _, v := range f.Fields {
			d.FieldViolations = append(d.FieldViolations, &errdetails.BadRequest_FieldViolation{
				Field: v.Path, Description: v.Message,
			})
		}
		out = append(out, d)
	}
	if len(f.Held) > 0 {
		out = append(out, conflict(f.Held, site))
	}
	after := f.After
	if f.Kind == fault.Unavailable && after == 0 {
		after = pauseOutage
	}
	if after > 0 { // of what is too large, no later try is any better
		out = append(out, &errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	}
	return out
}

func conflict(held []fault.Holding, site string) *bayholdv1.BookingConflict {
	out := &bayholdv1.BookingConflict{}
	for _, h := range held {
		out.Held = append(out.Held, &bayholdv1.Holding{
			Booking: within(site, h.Booking), Resource: within(site, h.Resource), Job: within(site, h.Job),
			Reference: h.Reference, Start: timestamppb.New(h.Start), End: timestamppb.New(h.End),
		})
	}
	return out
}
