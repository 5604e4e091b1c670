package procedure

import (
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

// State is the standing of a procedure's version.
type State string

// The states of a version. An ISSUED version never changes.
const (
	Draft     State = "DRAFT"
	Issued    State = "ISSUED"
	Withdrawn State = "WITHDRAWN"
)

// Procedure is versioned work on one engine family.
type Procedure struct {
	ID      string
	Title   string
	Family  string
	Version int
	State   State
	// Needs names the preparations that must stand while its steps run.
	Needs []string
	// BayFeatures are what the bay must have.
	BayFeatures []string
	Steps       []Step
	Line        int // line of the file it was read from; 0 if none
}

// Preparation is a state of the engine that steps set up, that others need,
// and that steps put back.
type Preparation struct {
	ID    string
	Title string
	// Family is the engine family it is meant for; empty: every one.
	Family string
	// Needs names the preparations that must stand first.
	Needs []string
	// Excludes names preparations that cannot stand at the same time.
	Excludes []string
	// BayFeatures are what the bay must have.
	BayFeatures []string
	SetUp       []Step
	PutBack     []Step
	// Holds are the tools that keep the state; each is held from the start
	// of the first set-up step that names it to the end of the last put-back
	// step that releases it.
	Holds    []Hold
	Cautions []Caution
	Line     int // line of the file it was read from; 0 if none
}

// Hold is a tool that stays on the engine while a preparation stands.
type Hold struct {
	Tool ToolNeed
	// From is the id of a set-up step; empty: the first that names the
	// tool's type among its own tools, or the first of all.
	From string
	// To is the id of a put-back step; empty: the last that names the tool's
	// type, or the last of all.
	To string
}

// Mode says what a step's minutes are minutes of.
type Mode string

// The modes of a step.
const (
	Attended   Mode = "ATTENDED"   // its people's working time
	Unattended Mode = "UNATTENDED" // elapsed time: cure, cool, soak
)

// Step is the smallest planned piece of work.
type Step struct {
	ID           string // unique within its preparation or procedure
	Title        string
	Instruction  string
	Estimate     Estimate
	Mode         Mode
	Unbroken     bool // must start and finish inside one shift stretch
	JoinedToNext bool // no gap before the next step of the list
	WaitAfter    int  // elapsed minutes before any successor may start
	Crew         []Crew
	Tools        []ToolNeed
	Parts        []Part
	Torque       *Torque
	Checks       []Check
	HoldPoint    bool
	// TurnsEngine says that it turns the engine under power: no locking tool may
	// be on it then.
	TurnsEngine bool
	Cautions    []Caution
	// After and Before name steps of the same list, or "owner/step" of
	// another preparation or procedure, that come earlier or later. Steps of
	// one list that name no After follow the step listed before them.
	After, Before []string
	// Anytime frees a step that names no After from its place in the list.
	Anytime bool
	// OnlyBefore and OnlyAfter name preparations: the step must end before
	// the first set-up step, or start after the last put-back step. A step so
	// placed does without that preparation, and without those that need it,
	// even if its procedure needs them. A preparation that the job does not
	// have places nothing.
	OnlyBefore, OnlyAfter []string
	Line                  int // line of the file it was read from; 0 if none
}

// Estimate is how long a step takes in minutes: low, likely and high.
type Estimate struct{ Low, Likely, High int }

// Crew is a number of people who each have all the skills.
type Crew struct {
	People int
	Skills []string
}

// ToolNeed asks for one tool: of a type, or any that can bear a torque.
type ToolNeed struct {
	Type string // ToolType.ID, or empty
	// Purpose asks for any type of that purpose that fits the family, when
	// Type is empty.
	Purpose string
	// Torque is the greatest torque in newton metres that the tool must
	// bear; 0 if none. TorqueLow is the least it must measure.
	Torque, TorqueLow float64
	// Until names a later step of the same list up to whose end the tool is
	// held; empty: only during this step.
	Until string
}

// Part is something that the step uses up or renews.
type Part struct {
	ID        string
	Title     string
	Quantity  int
	SingleUse bool // always renewed; else renewed if worn
}

// Torque is how fasteners are tightened.
type Torque struct {
	Fasteners int      // how many
	Thread    string   // "M10x1.25"
	Class     string   // property class of ISO 898-1: "10.9"
	SingleUse bool     // stretch bolts
	Sequence  string   // order in words: "1-4 crosswise from the middle"
	Stages    []Stage  // in order
	Peak      float64  // greatest torque the tool must bear, newton metres; 0: the greatest stage
	Tolerance float64  // of the joint, as a fraction of the wanted torque; 0 if not stated
	Drive     string   // square drive of the socket, "1/2in"; empty: any
	Friction  float64  // coefficient for the plausibility check; 0: the usual one
	Accepted  []string // codes of the doubts that the author has answered
	// Adapter moves the fastener away from the wrench's drive; nil if the
	// socket sits on it.
	Adapter *torque.Adapter
}

// Stage is one pass of a tightening: a torque or an angle, not both.
type Stage = torque.Stage

// Check is a named thing to measure or confirm.
type Check struct {
	ID       string
	Title    string
	Unit     string // empty: yes or no
	Min, Max *float64
}

// Signal is a signal word of ISO 3864 and ANSI Z535.
type Signal string

// The signal words, most serious first.
const (
	Danger  Signal = "DANGER"
	Warning Signal = "WARNING"
	Cautn   Signal = "CAUTION"
	Notice  Signal = "NOTICE"
)

// Caution is what must be said before a step begins.
type Caution struct {
	Signal Signal
	Code   string // LIFT_SUPPORT, STORED_ENERGY, ...; empty if none fits
	Text   string
}

// Library is what merging draws on: the preparations and procedures of a site,
// by id (one version of each procedure).
type Library struct {
	Preparations map[string]Preparation
	Procedures   map[string]Procedure
	// ToolTypes tells the purpose of tools that steps name by type, so that a
	// named wrench counts as the wrench of a torque step; nil if not known.
	ToolTypes map[string]site.ToolType
}

// Network is the merged work of one job.
type Network struct {
	Family      string
	Procedures  []string  // ids, sorted
	BayFeatures []string  // union, sorted
	Steps       []NetStep // in an order in which they can be done
	Arcs        []Arc
	Holds       []NetHold
	Cautions    []NetCaution // in the order in which they are said
}

// NetStep is a step of a network. Its ID is "owner/step" and is unique.
type NetStep struct {
	ID    string
	Owner string // id of the preparation or procedure
	Step  Step
}

// Arc orders two steps by index into Network.Steps: To starts no earlier than
// From's end plus Lag elapsed minutes, and at that very minute if Joined.
type Arc struct {
	From, To int
	Lag      int
	Joined   bool
}

// NetHold is a tool held from the start of the earliest to the end of the latest
// of Steps (indices into Network.Steps).
type NetHold struct {
	Tool  ToolNeed
	Steps []int
	// Preparation is the state that the tool keeps; empty for a step's own tool.
	Preparation string
}
