// Package fault is the closed set of errors that bayhold gives to its users.
//
// Everything below the transport returns a *fault.Error or wraps one; the
// transport turns the kind into a status code in one place. An error that is
// no fault is a defect or an outage: its text stays in the log.
package fault

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Kind says what sort of trouble an error is. The set is closed: a new kind
// needs a row in the transport's table, and a test walks every one of them.
type Kind int

const (
	// Internal is a defect of ours; its text is not shown to users.
	Internal Kind = iota
	// Invalid is input that can never be accepted as it stands.
	Invalid
	// NotFound names something that the site does not have.
	NotFound
	// Exists is a name that is taken already.
	Exists
	// Precondition is a request at odds with the present state.
	Precondition
	// LostRace is a booking that somebody else's booking forestalled.
	LostRace
	// Exhausted is a limit of size, rate or work.
	Exhausted
	// Unavailable is an outage that a later try may not meet.
	Unavailable
	// Deadline is a call that ran out of its time.
	Deadline
	// Canceled is a call that its caller gave up.
	Canceled
	// Unauthenticated is a caller who has not said who they are.
	Unauthenticated
	// Forbidden is a caller who may not do this.
	Forbidden
)

// Kinds lists every kind, for tables and for the tests that walk them.
func Kinds() []Kind {
	return []Kind{
		Internal, Invalid, NotFound, Exists, Precondition, LostRace,
		Exhausted, Unavailable, Deadline, Canceled, Unauthenticated, Forbidden,
	}
}

var kindNames = map[Kind]string{
	Internal: "internal", Invalid: "invalid", NotFound: "not found", Exists: "exists",
	Precondition: "precondition", LostRace: "lost race", Exhausted: "exhausted",
	Unavailable: "unavailable", Deadline: "deadline", Canceled: "canceled",
	Unauthenticated: "unauthenticated", Forbidden: "forbidden",
}

// String is the kind's name in words.
func (k Kind) String() string { return kindNames[k] }

// Field is one thing wrong with one part of the input.
type Field struct {
	// Path leads to the part: "plan.steps[3].start" or "tools.yaml:14".
	Path string
	// Message says what is wrong and what would be right.
	Message string
}

// Holding is a booking that stands in the way.
type Holding struct {
	Booking   string    // resource name of the booking
	Resource  string    // resource name of the bay, technician or tool
	Job       string    // resource name of the job that holds it
	Reference string    // the workshop's own reference of that job
	Start     time.Time // inclusive
	End       time.Time // exclusive
}

// Error is a trouble that a user can be told about.
type Error struct {
	Kind    Kind
	Reason  string // UPPER_SNAKE, stable, for programs
	Message string // one sentence for people: what, where, what to do
	Fields  []Field
	Held    []Holding
	After   time.Duration // when it may be tried again; 0 if that is not known
	Cause   error         // for the log only
}

// New makes a fault; format and args make its message.
func New(k Kind, reason, format string, args ...any) *Error {
	return &Error{Kind: k, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// Error gives the message, its fields, and the cause, for logs.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Message)
	for _, f := range e.Fields {
		fmt.Fprintf(&b, "; %s: %s", f.Path, f.Message)
	}
	if e.Cause != nil {
		fmt.Fprintf(&b, ": %v", e.Cause)
	}
	return b.String()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Because returns e with the cause that belongs in the log.
func (e *Error) Because(cause error) *Error {
	e.Cause = cause
	return e
}

// Fault looks for a fault in err's chain; nil if there is none.
func Fault(err error) *Error {
	var f *Error
	if errors.As(err, &f) {
		return f
	}
	return nil
}

// KindOf gives the kind of err: Internal for an error that is no fault.
func KindOf(err error) Kind {
	if f := Fault(err); f != nil {
		return f.Kind
	}
	return Internal
}

// Fields gathers what is wrong with an input, so that all of it is told at once.
type Fields []Field

// Add notes one more thing.
func (fs *Fields) Add(path, format string, args ...any) {
	*fs = append(*fs, Field{Path: path, Message: fmt.Sprintf(format, args...)})
}

// Err is nil if nothing was noted, else an Invalid fault with all of it.
func (fs Fields) Err(reason, message string) error {
	if len(fs) == 0 {
		return nil
	}
	return &Error{Kind: Invalid, Reason: reason, Message: message, Fields: fs}
}
