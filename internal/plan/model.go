package plan

import "slices"

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
	// Place says that work stands in it: a bay. Other units that are held
	// move when they go from a job in one place to a job in another.
	Place bool `json:",omitempty"`
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
	// Frozen steps start at exactly At: begun already, or told to people.
	// Who serves them is frozen by claims with a single choice.
	Frozen bool
	At     Time
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

	// beside is how many of the last steps belong to others: they stand, and
	// count for what they use of pools alone.
	beside int
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
	// Minutes is the time in the bay: from the start of each job's first step
	// to the end of its last, summed over the jobs.
	Minutes Time
	// Bound is a proved lower bound of Finish; Proved says that none is earlier.
	Bound  Time
	Proved bool
}

// Stretches gives the working stretches of a step placed at the window with
// these members of its crew: where all of them are open and not shut. They add
// up to the step's duration, and are what the members are booked for. Without
// members it is the window itself.
func (p *Problem) Stretches(_ int, units []int32, at Window) []Window {
	if at.Start >= at.End {
		return nil
	}
	out := []Window{at}
	for _, u := range units {
		out = intersect(out, openOf(&p.Units[u]))
	}
	return out
}

// CrewOf gives the members of a step's crew in a plan, over all its crew
// claims, ascending; nil for a step without people.
func (p *Problem) CrewOf(step int, plan *Plan) []int32 {
	var out []int32
	for c := range p.Claims {
		if p.Claims[c].Crew && p.Claims[c].Steps[0] == int32(step) {
			out = append(out, plan.Units[c]...)
		}
	}
	slices.Sort(out)
	return out
}

// Hold gives the range for which a claim keeps its units in a plan: from the
// start of its earliest step to the end of its latest.
func (p *Problem) Hold(claim int, plan *Plan) Window {
	h := Window{Start: Never}
	for _, s := range p.Claims[claim].Steps {
		h.Start = min(h.Start, plan.Steps[s].Start)
		h.End = max(h.End, plan.Steps[s].End)
	}
	return h
}
