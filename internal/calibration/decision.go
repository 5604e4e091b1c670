package calibration

import (
	"slices"
	"time"

	"bayhold/internal/fault"
)

// Answer is what was decided about a line of a trace.
type Answer string

// The answers.
const (
	// Accepted: the joint may stay as it is.
	Accepted Answer = "ACCEPTED"
	// Rechecked: the joint was checked and found good.
	Rechecked Answer = "RECHECKED"
	// Corrected: the joint was done again.
	Corrected Answer = "CORRECTED"
	// OutOfReach: the vehicle could not be had; the note says what was tried.
	OutOfReach Answer = "OUT_OF_REACH"
)

// Answers lists them.
func Answers() []Answer { return []Answer{Accepted, Rechecked, Corrected, OutOfReach} }

// Decision closes a line of a trace. A later one about the same line stands in
// its place; both are kept.
type Decision struct {
	Line   string // the tightening's ID
	Answer Answer
	Note   string // why
	Person string // who decided
	At     time.Time
}

// Validate lists what keeps a decision from standing about a line: an Invalid
// fault, BAD_DECISION. Every decision gives its reason.
func (d Decision) Validate() error {
	var fs fault.Fields
	if !slices.Contains(Answers(), d.Answer) {
		fs.Add("decision", "%q is no decision: %v", clip(string(d.Answer)), Answers())
	}
	if d.Note == "" {
		fs.Add("note", "must say why: whoever reads it later was not there")
	}
	return fs.Err("BAD_DECISION", "the line cannot be closed so")
}

// Decide puts decisions beside the lines of a report: of several about a line
// the latest. It gives the lines that are open.
func (r *Report) Decide(decisions []Decision) (open int) {
	latest := map[string]Decision{}
	for _, d := range decisions {
		if was, ok := latest[d.Line]; !ok || !d.At.Before(was.At) {
			latest[d.Line] = d
		}
	}
	for i := range r.Lines {
		l := &r.Lines[i]
		if d, ok := latest[l.ID]; ok {
			l.Decision = &d
			continue
		}
		l.Decision = nil
		open++
	}
	return open
}
