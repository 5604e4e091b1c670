package running

import "time"

// BlockerKind says what sort of reason stands against an act.
type BlockerKind string

// The reasons that stand against beginning, finishing, signing or recording.
const (
	JobClosed      BlockerKind = "JOB_CLOSED"       // nothing more is recorded of the job
	JobNotFirm     BlockerKind = "JOB_NOT_FIRM"     // it is tentative or cancelled
	StepState      BlockerKind = "STEP_STATE"       // it runs, is paused, not begun or waived
	DoneAlready    BlockerKind = "DONE_ALREADY"     // it is done, and would be done once more
	Before         BlockerKind = "BEFORE"           // what must precede it is not done
	Waiting        BlockerKind = "WAITING"          // a cure or a soak is not over
	Unsigned       BlockerKind = "UNSIGNED"         // a step before it lacks a signature
	ToolNotBooked  BlockerKind = "TOOL_NOT_BOOKED"  // no tool is booked for a need of the step
	ToolNotIssued  BlockerKind = "TOOL_NOT_ISSUED"  // it is still in its place
	ToolElsewhere  BlockerKind = "TOOL_ELSEWHERE"   // issued to another job or bay
	ToolCondition  BlockerKind = "TOOL_CONDITION"   // not serviceable, or not complete
	ToolLapsed     BlockerKind = "TOOL_CALIBRATION" // out of calibration
	ToolUnfit      BlockerKind = "TOOL_UNFIT"       // does not cover what is to be measured
	Locked         BlockerKind = "LOCKED"           // a locking tool is on the engine that would be turned
	Busy           BlockerKind = "TECHNICIAN_BUSY"  // works on another step
	NoSkill        BlockerKind = "SKILL"            // the technician lacks a skill
	PartsMissing   BlockerKind = "PARTS"            // a single-use part is not ticked as new
	ReadingMissing BlockerKind = "READING_MISSING"  // a check or a tightening is not recorded
	ReadingOutside BlockerKind = "READING_OUTSIDE"  // a value lies outside its limits
	NewFasteners   BlockerKind = "NEW_FASTENERS"    // a torque-and-angle sequence was interrupted
	SignedAlready  BlockerKind = "SIGNED_ALREADY"   // the same person has signed
	StepOpen       BlockerKind = "STEP_OPEN"        // of a job to be closed: neither done nor waived
	ToolOut        BlockerKind = "TOOL_OUT"         // of a job to be closed: a tool is not returned
)

// BlockerKinds lists every kind.
func BlockerKinds() []BlockerKind {
	return []BlockerKind{
		JobClosed, JobNotFirm, StepState, DoneAlready, Before, Waiting, Unsigned, ToolNotBooked, ToolNotIssued, ToolElsewhere,
		ToolCondition, ToolLapsed, ToolUnfit, Locked, Busy, NoSkill, PartsMissing, ReadingMissing, ReadingOutside,
		NewFasteners, SignedAlready, StepOpen, ToolOut,
	}
}

// Blocker is one reason that stands against an act.
type Blocker struct {
	Kind    BlockerKind
	Step    string    `json:",omitempty"` // the step that it is about
	Tool    string    `json:",omitempty"` // asset tag
	Until   time.Time `json:",omitzero"`  // when it ends by itself; zero if it does not
	Message string    // what is wrong, and what to do
}

// Final tells whether not even a manager may let it pass: what would hurt
// somebody, or make the record untrue.
func (b Blocker) Final() bool {
	switch b.Kind {
	case JobClosed, JobNotFirm, Locked, StepState, SignedAlready, StepOpen, ToolOut, ToolUnfit:
		return true
	}
	return false
}
