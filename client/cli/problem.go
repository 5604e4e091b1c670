package cli

import (
	"errors"
	"fmt"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// problem is an error as it is told: what is wrong, where, what to try next.
type problem struct {
	code    codes.Code
	reason  string // UPPER_SNAKE, for programs
	message string
	fields  []field
	held    []*bayholdv1.Holding
	tries   []string // commands or sentences, most useful first
	request string   // id of a change whose outcome matters
	told    bool     // by the server itself, in words for people
}

// field is one thing wrong with one part of the input.
type field struct {
	Field   string `json:"field"`
	Message string `json:"message"`
}

// Error gives the message.
func (p *problem) Error() string { return p.message }

// try adds what could be tried next.
func (p *problem) try(format string, args ...any) *problem {
	p.tries = append(p.tries, fmt.Sprintf(format, args...))
	return p
}

// usage makes the problem of a command line that cannot be understood.
func usage(format string, args ...any) *problem {
	return &problem{code: codes.InvalidArgument, reason: "USAGE", message: fmt.Sprintf(format, args...)}
}

// local makes a problem that this program found out itself.
func local(code codes.Code, reason, format string, args ...any) *problem {
	return &problem{code: code, reason: reason, message: fmt.Sprintf(format, args...)}
}

// asProblem makes a problem of any error.
func asProblem(err error) *problem {
	var p *problem
	if errors.As(err, &p) {
		return p
	}
	st, ok := status.FromError(err)
	if !ok {
		return local(codes.Unknown, "LOCAL", "%s", err)
	}
	p = &problem{code: st.Code(), message: st.Message()}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			p.reason, p.told = d.GetReason(), true
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				p.fields = append(p.fields, field{Field: v.GetField(), Message: v.GetDescription()})
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				p.fields = append(p.fields, field{Field: v.GetSubject(), Message: v.GetDescription()})
			}
		case *errdetails.RetryInfo:
			p.try("wait %s and try again", d.GetRetryDelay().AsDuration())
		case *bayholdv1.BookingConflict:
			p.held = append(p.held, d.GetHeld()...)
		}
	}
	if p.reason == "" {
		p.reason = codeName(p.code)
	}
	return p
}

// exitCode gives the exit code of a status code.
func exitCode(c codes.Code) int {
	switch c {
	case codes.OK:
		return exitDone
	case codes.InvalidArgument, codes.OutOfRange:
		return exitUsage
	case codes.NotFound:
		return exitNotFound
	case codes.Aborted:
		return exitLostRace
	case codes.FailedPrecondition, codes.AlreadyExists:
		return exitAtOdds
	case codes.Unavailable, codes.DeadlineExceeded:
		return exitNoServer
	case codes.PermissionDenied, codes.Unauthenticated:
		return exitDenied
	default:
		return exitFailed
	}
}

// codeNames are the names of google/rpc/code.proto, which Go spells otherwise.
var codeNames = map[codes.Code]string{
	codes.OK: "OK", codes.Canceled: "CANCELLED", codes.Unknown: "UNKNOWN",
	codes.InvalidArgument: "INVALID_ARGUMENT", codes.DeadlineExceeded: "DEADLINE_EXCEEDED",
	codes.NotFound: "NOT_FOUND", codes.AlreadyExists: "ALREADY_EXISTS",
	codes.PermissionDenied: "PERMISSION_DENIED", codes.ResourceExhausted: "RESOURCE_EXHAUSTED",
	codes.FailedPrecondition: "FAILED_PRECONDITION", codes.Aborted: "ABORTED",
	codes.OutOfRange: "OUT_OF_RANGE", codes.Unimplemented: "UNIMPLEMENTED",
	codes.Internal: "INTERNAL", codes.Unavailable: "UNAVAILABLE",
	codes.DataLoss: "DATA_LOSS", codes.Unauthenticated: "UNAUTHENTICATED",
}

// codeName gives the name of a status code on the wire.
func codeName(c codes.Code) string { return first(codeNames[c], "UNKNOWN") }

// outcomeUnknown tells whether a change may or may not have been done.
func outcomeUnknown(err error) bool {
	switch status.Code(err) {
	case codes.DeadlineExceeded, codes.Unavailable, codes.Canceled:
		return true
	default:
		return false
	}
}
