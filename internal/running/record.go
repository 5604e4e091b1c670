// Package running is what happens at the engine: what may be done next and what
// stands against it, judged from what was recorded of a job so far.
//
// A record is only ever added to. The state of a step, whether it is signed,
// which reading counts: all of that follows from the record, and is worked out
// anew each time.
package running

import "time"

// Act is what is recorded of a step's course.
type Act string

// The acts of a step's course.
const (
	Start  Act = "START"
	Pause  Act = "PAUSE"
	Resume Act = "RESUME"
	Finish Act = "FINISH"
)

// Entry is what every line of a record has.
type Entry struct {
	ID         int64
	Step       string // "owner/step"
	Run        int    // 1, or 2 if the step is done a second time
	Technician string // slug; empty if somebody else recorded it
	At         time.Time
	RecordedAt time.Time // when it came in; later than At for work without a connection
	Actor      string    // the user who recorded it
	Note       string
}

// Event is a step begun, interrupted, gone on with or finished.
type Event struct {
	Entry
	Act Act
	// PlannedStart and PlannedEnd are the step's place in the plan then.
	PlannedStart, PlannedEnd time.Time
}

// SignOff is a signature under a step.
type SignOff struct {
	Entry
	// Seen is the last reading of the step that was there to be signed; one that
	// comes later takes the signature back. 0: none was.
	Seen int64
}

// ReadingKind says what was measured.
type ReadingKind string

// The kinds of reading.
const (
	Torque ReadingKind = "TORQUE" // newton metres at the fastener
	Angle  ReadingKind = "ANGLE"  // degrees of one stage
	Check  ReadingKind = "CHECK"  // a named check of the step
)

// Reading is one measured value or one answered question.
type Reading struct {
	Entry
	Kind            ReadingKind
	Fastener, Stage int // from 1; 0 for a check
	// Attempt is 1, or 2 for the fastener that took the first one's place.
	Attempt int
	CheckID string
	Unit    string  // "N·m", "°", a check's own; empty: yes or no
	Value   float64 // yes is 1, no is 0
	Wanted  *float64
	// Low and High are the limits at that time; nil: none.
	Low, High *float64
	Tolerance float64 // of the joint, a fraction of Wanted; 0: not stated
	Set       float64 // what the tool was set to, newton metres; 0: not known
	Ratio     float64 // torque at the joint over the tool's; 0: the tool by itself
	Joint     string  // the step's title
	Tool      string  // asset tag; empty if none was named
	// Certificate is the number of the one under which the tool was in
	// calibration then, and CalibratedUntil its end as it was known then; empty
	// and zero if it had none.
	Certificate     string
	CalibratedUntil time.Time
	Corrects        int64 // reading that this one takes the place of; 0: none
}

// Outside tells whether the value lies outside its limits.
func (r Reading) Outside() bool {
	return r.Low != nil && r.Value < *r.Low || r.High != nil && r.Value > *r.High
}

// PartUsed is a part that was ticked as fitted, new.
type PartUsed struct {
	Entry
	Part     string
	Quantity int
	// Fasteners are those that were replaced after an interruption.
	Fasteners []int
	Lot       string // batch or serial number, if it was told
}

// Override is what a manager let pass. Note says why.
type Override struct {
	Entry
	Act     Act // Start or Finish
	Against []Blocker
}

// Waiver is a step that a manager decided not to do. Note says why.
type Waiver struct{ Entry }

// Delay is what was said to take longer. Note says why.
type Delay struct {
	Entry
	Minutes int // working minutes more
}

// Closing is the end of a job's record.
type Closing struct{ Entry }

// Record is all that was recorded of one job, each list in the order in which
// it came in.
type Record struct {
	Events    []Event
	SignOffs  []SignOff
	Readings  []Reading
	Parts     []PartUsed
	Overrides []Override
	Waivers   []Waiver
	Delays    []Delay
	Closing   *Closing // nil while the job is open
}
