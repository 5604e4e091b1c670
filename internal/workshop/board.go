package workshop

import (
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// Board is a week of the workshop as people look at it: what stands in each
// bay, where the tools are and go, who is on what, what is late and what waits
// for a decision.
type Board struct {
	Site   site.Site
	Zone   *time.Location
	Now    time.Time
	During hours.Range   // the week, from Monday
	Open   []hours.Range // when somebody is on shift
	Jobs   map[int64]BoardJob
	Bays   []BoardBay
	Tools  []BoardTool // those that there is something to tell of; scarce ones first
	People []BoardPerson
	Late   []Notice // the longest overdue first
	Wait   []Notice // for a decision; the most urgent first
}

// BoardJob is a job as a board tells it.
type BoardJob struct {
	site.Job
	Title  string // what is done to it, in words
	Bay    string // id; empty for a reservation without one
	Begun  bool   // something was recorded of it
	Closed bool   // its record is closed
	Late   bool   // behind its plan, or planned past its promise
}

// Stay is a booking as a board shows it.
type Stay struct {
	Booking int64
	Job     int64
	During  hours.Range
	// Unfit says why it cannot stand: a condition, a calibration that lapses, a
	// closure or an absence; empty if it can.
	Unfit string
}

// BoardBay is a bay with what stands in it.
type BoardBay struct {
	site.Bay
	Stays []BayStay
}

// BayStay is a job's time in a bay.
type BayStay struct {
	Stay
	People []string      // names of those who work on it within the week
	Worked []hours.Range // when they do
}

// BoardTool is a tool with where it is and where it goes.
type BoardTool struct {
	site.Tool
	Name   string // of its type
	Scarce bool   // at some time of the week no tool of its type can be had
	Stays  []Stay
	// Out is the open issue; nil if it is not out.
	Out *site.Issue
	// Here is the booking that holds it now, and Next the one after; nil if none.
	Here, Next *Stay
	Lapses     []hours.Range // when it cannot be had within the week, for what is in it
	Why        string        // it cannot be had then
}

// BoardPerson is a technician with what they are on.
type BoardPerson struct {
	site.Technician
	Shifts []hours.Range // absences taken out
	Stays  []Stay
	Doing  string // the title of the step that they have begun; empty if not recorded
	On     int64  // the job that they are on now; 0 if none
}

// NoticeKind says what a notice is about.
type NoticeKind string

// The kinds of notice.
const (
	NoticePromise NoticeKind = "PROMISE" // the plan ends after what was promised
	NoticeStep    NoticeKind = "STEP"    // a step should have been finished
	NoticeJob     NoticeKind = "JOB"     // a job should have been handed back
	NoticeReturn  NoticeKind = "RETURN"  // a tool should have been given back
	NoticeLapse   NoticeKind = "LAPSE"   // a tentative job lapses
	NoticeParts   NoticeKind = "PARTS"   // parts are not here, and a step needs them
	NoticeUnfit   NoticeKind = "UNFIT"   // a booking cannot stand
)

// NoticeKinds lists every kind.
func NoticeKinds() []NoticeKind {
	return []NoticeKind{NoticePromise, NoticeStep, NoticeJob, NoticeReturn, NoticeLapse, NoticeParts, NoticeUnfit}
}

// Notice is something that somebody should look at.
type Notice struct {
	Kind      NoticeKind
	Job       int64 // 0 for a tool that is out for none
	Reference string
	Bay       string // id; empty if the job has none
	Ref       *Ref   // the resource that it is about; nil if none
	// At is when it was due or is due: the promise, the end of the step, the
	// lapse, the start of the step that lacks its part.
	At   time.Time
	Then time.Time // with PROMISE: the hand-back as planned
	What string    // the step's title, the parts, or why it cannot stand
	Who  string    // with RETURN: who has it
}
