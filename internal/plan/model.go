package plan

// Time is whole minutes since the problem's epoch. Ranges are half-open.
type Time int32

// Never is later than any horizon: a calibration that does not lapse.
const Never Time = 1<<31 - 1

// Window is a half-open range of minutes, [Start, End).
type Window struct{ Start, End Time }

// Unit is one named thing that is held by one step or span at a time: a bay, a
// technician, a tool.
type Unit struct {
	// ID breaks ties (the lowest wins) and names the unit in answers.
	ID string
	// Open is when the unit exists for work, sorted and disjoint: a
	// technician's shifts, the whole horizon for a bay or a tool.
	Open []Window
	// Shut takes time away from Open, each with its reason: absences,
	// closures, a tool's condition. Sorted by start; may overlap.
	Shut []Blocked
	// Busy is what stands in the book already. Sorted by start.
	Busy []Blocked
	// Expiry is the minute from which the unit is out of calibration: every
	// hold must end by then. Never if it does not lapse.
	Expiry Time
}

// Blocked is a range that cannot be had, and a number by which the caller
// knows why (an index into its own table of bookings, closures and conditions).
type Blocked struct {
	Window
	Ref int32
}

// Step is a step to be placed.
type Step struct {
	// Duration in minutes: of the working time of its crew, or elapsed if it
	// has none or Elapsed is set.
	Duration Time
	// Elapsed steps run through closed hours: cure, cool, soak.
	Elapsed bool
	// Unbroken steps run inside one open window of every member of the
	// crew; others pause while any of the crew is off shift and go on.
	Unbroken bool
	// Release is the earliest start.
	Release Time
	// Job is the index of the job it belongs to.
	Job int32
}

// Arc orders two steps: To starts at least Lag minutes after From ends, and
// exactly then if Joined.
type Arc struct {
	From, To int32
	Lag      Time
	Joined   bool
}

// Claim asks for Count distinct units out of Eligible, the same ones for the
// whole claim, from the start of the earliest of Steps to the end of the latest.
type Claim struct {
	Steps    []int32
	Eligible []int32 // indices into Problem.Units, ascending
	Count    int32
	// Crew claims are for the working time of a single step: its people.
	// Other claims hold their units without a break, nights included.
	Crew bool
}

// Pool is a resource of identical, anonymous units.
type Pool struct {
	Capacity int32
}

// Use is what a step takes from a pool while it runs.
type Use struct {
	Step, Pool int32
	Amount     int32
}

// Job is a set of steps handed back together.
type Job struct {
	Due    Time    // the promise; Never if none
	Weight float64 // of a minute late
}

// Problem is everything the planner knows. It holds no clock and no names but
// the units'.
type Problem struct {
	Horizon Time // no step ends after it
	Units   []Unit
	Pools   []Pool
	Jobs    []Job
	Steps   []Step
	Arcs    []Arc
	Claims  []Claim
	Uses    []Use
}

// Plan is a placed problem.
type Plan struct {
	// Steps is the place of each step, from its start to its end, pauses
	// included.
	Steps []Window
	// Units holds, for each claim, the units that serve it, ascending.
	Units [][]int32
	// Finish is the end of the last step.
	Finish Time
	// Bound is a proved lower bound of Finish; Proved says that none is earlier.
	Bound  Time
	Proved bool
}
