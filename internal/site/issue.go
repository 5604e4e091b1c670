package site

import "time"

// Issue is a tool in the hands of a technician, from when they got it until
// they gave it back or on.
type Issue struct {
	ID         int64
	Tool       string // asset tag
	Technician string // who has it
	Bay        string // where it is used; empty if that was not said
	Job        int64  // what for; 0: for nothing that is booked
	Reference  string // of the job
	Booking    int64  // against which it was issued, if that stands; 0: none
	// OutSince is when it left the shelf, whoever had it first; IssuedAt is
	// when this technician got it.
	OutSince, IssuedAt time.Time
	IssuedBy           string // the user who wrote it down
	DueAt              time.Time
	Follows            int64 // the issue that was handed over into this one; 0: none

	ReturnedAt time.Time // zero while it is out
	ReturnedBy string    // the user who wrote it down
	Outcome    IssueOutcome
	Counted    []CountedPiece // when it came back
	Note       string
}

// Open tells whether the technician still has it.
func (i Issue) Open() bool { return i.ReturnedAt.IsZero() }

// Late tells whether it is still out at an instant when it should be back.
func (i Issue) Late(now time.Time) bool { return i.Open() && !now.Before(i.DueAt) }

// IssueOutcome says how an issue ended.
type IssueOutcome string

// The outcomes of an issue; empty while it is open.
const (
	Returned   IssueOutcome = "RETURNED"
	HandedOver IssueOutcome = "HANDED_OVER"
)

// CountedPiece is a piece of a set as it was counted.
type CountedPiece struct {
	Name    string
	Count   int // how many came back, the damaged ones included
	Damaged int // how many of those are not fit
}

// ToolCondition is a condition that a tool was in, from when it was written
// down until the next.
type ToolCondition struct {
	Tool      string // asset tag
	Condition Condition
	Since     time.Time
	Until     time.Time // expected when it was written; zero if not known
	Reason    string
	Actor     string // the user who wrote it down; empty where nobody did
}
