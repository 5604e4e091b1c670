// Package site is what a workshop has: its bays, technicians, tool types and
// tools, and the jobs and bookings that claim them. Plain values, no database.
package site

import (
	"time"

	"bayhold/internal/hours"
)

// Kind says what a resource is.
type Kind string

// The kinds of resource that can be booked.
const (
	KindBay        Kind = "BAY"
	KindTechnician Kind = "TECHNICIAN"
	KindTool       Kind = "TOOL"
)

// Site is one workshop address.
type Site struct {
	ID       string // slug, unique
	Name     string
	TimeZone string // IANA name
	Revision int64  // number of the last event
}

// Closure is a time during which a bay is closed or a technician absent.
type Closure struct {
	During hours.Range
	Reason string
}

// Bay is a place where one vehicle stands.
type Bay struct {
	ID       string
	Name     string
	Features []string // "two-post-lift", "engine-crane", ...; sorted
	Closures []Closure
}

// Technician is a person with skills, shifts and absences.
type Technician struct {
	ID       string
	Name     string
	Skills   []string // sorted
	Shifts   hours.Pattern
	Absences []Closure
}

// EngineFamily is what a procedure and a special tool fit.
type EngineFamily struct {
	ID   string
	Name string
}

// Purpose says what a tool type does.
type Purpose string

// The purposes of tool types.
const (
	Locking    Purpose = "LOCKING"
	Tensioning Purpose = "TENSIONING"
	Holding    Purpose = "HOLDING"
	Aligning   Purpose = "ALIGNING"
	Drilling   Purpose = "DRILLING"
	Torque     Purpose = "TORQUE"  // wrenches and multipliers: has a torque range
	Angle      Purpose = "ANGLE"   // angle gauges
	Lifting    Purpose = "LIFTING" // cranes, jacks, engine supports
	Other      Purpose = "OTHER"
)

// Purposes lists every purpose.
func Purposes() []Purpose {
	return []Purpose{Locking, Tensioning, Holding, Aligning, Drilling, Torque, Angle, Lifting, Other}
}

// ToolType is what a tool can do.
type ToolType struct {
	ID       string
	Name     string
	Purpose  Purpose
	Families []string // engine families it fits; empty: every one
	// TorqueMin and TorqueMax bound what it can tighten, in newton metres;
	// both zero for a tool that tightens nothing.
	TorqueMin, TorqueMax float64
	Resolution           float64 // smallest step of the scale in newton metres, 0 if unknown
	Drive                string  // square drive, "1/2in"; empty if none
	// Length is from the drive to the centre of the grip, in millimetres; 0 if
	// not known. An adapter is corrected for by it.
	Length float64
	// Ratio is output to input torque of a multiplier, as its maker states
	// it; 0 for anything else.
	Ratio      float64
	Calibrated bool // whether tools of this type must be in calibration
	// ISOType and ISOClass place a torque tool in ISO 6789, "II" and "A"; empty
	// if it has no place there.
	ISOType, ISOClass string
	// Permissible is the greatest deviation that is permitted of it, a fraction
	// of the reference reading; 0: what its class says.
	Permissible float64
	// CalibrationMonths and CalibrationCycles are how long a calibration of it
	// holds, whichever ends first; 0 each: what the house rule says.
	CalibrationMonths, CalibrationCycles int

	Pieces []Piece // what a complete set consists of
}

// Piece is a counted part of a tool that is a set.
type Piece struct {
	Name  string
	Count int
}

// Condition is the state a tool is in.
type Condition string

// The conditions of a tool. Only a SERVICEABLE tool can be booked.
const (
	Serviceable   Condition = "SERVICEABLE"
	Unserviceable Condition = "UNSERVICEABLE"
	Quarantined   Condition = "QUARANTINED"
	Away          Condition = "AWAY"
	Lost          Condition = "LOST"
	Retired       Condition = "RETIRED"
)

// Conditions lists every condition.
func Conditions() []Condition {
	return []Condition{Serviceable, Unserviceable, Quarantined, Away, Lost, Retired}
}

// Tool is a piece on the shelf with an asset tag.
type Tool struct {
	Tag       string // asset tag, unique in the site; its resource id
	Type      string // ToolType.ID
	Condition Condition
	// ConditionUntil is the expected end of QUARANTINED or AWAY; zero if not known.
	ConditionUntil time.Time
	ConditionNote  string
	// CalibratedUntil is the instant from which the tool counts as out of
	// calibration; zero if it has no calibration or needs none.
	CalibratedUntil time.Time
	Home            string // bay or shelf where it is kept
	PhotoURL        string // https address of a photo or drawing; empty if none
	// Missing and Damaged are what its set lacked when it was last counted, by
	// the order of its type.
	Missing, Damaged []Piece
}

// Complete tells whether every piece of the tool's set is there and fit.
func (t Tool) Complete() bool { return len(t.Missing) == 0 && len(t.Damaged) == 0 }

// BookingState is the standing of a booking (the words of RFC 5545, 3.8.1.11).
type BookingState string

// The states of a booking.
const (
	Tentative BookingState = "TENTATIVE"
	Confirmed BookingState = "CONFIRMED"
	Cancelled BookingState = "CANCELLED"
)

// Job is one vehicle and the work on it, or a bare reservation.
type Job struct {
	ID           int64
	Reference    string // the workshop's own reference; no customer data
	EngineFamily string
	Procedures   []ProcedureRef
	State        BookingState
	Planned      hours.Range // first booking's start to hand-back
	Promise      time.Time   // hand-back told to the customer; zero if none
	Confidence   float64     // of the promise when it was made, 0 to 1; 0 if not known
	ExpiresAt    time.Time   // when a TENTATIVE job lapses; zero otherwise
	Steps        []JobStep
	Parts        []JobPart
	Note         string
	ReservedBy   string // the user who made a bare reservation; empty for any other job, and one from a file
	Created      time.Time
}

// ProcedureRef names the version of a procedure.
type ProcedureRef struct {
	ID      string
	Version int
}

// JobStep is a step of a job with its place in time.
type JobStep struct {
	ID       string
	Title    string
	During   hours.Range
	Position int // order in the sheet, from 0
}

// PartState says where a part of a job stands.
type PartState string

// The states of a part; empty if nothing was said of it.
const (
	PartOrdered  PartState = "ORDERED"
	PartExpected PartState = "EXPECTED" // with the time from when it is there
	PartHere     PartState = "HERE"
)

// JobPart is a line of a job's parts list.
type JobPart struct {
	ID       string
	Title    string
	Quantity int // renewed in any case
	IfWorn   int // how many more if those that come off are worn
	State    PartState
	Expected time.Time // with EXPECTED; zero otherwise
	Steps    []string  // ids of the steps that need it
}

// Booking is one resource for one half-open time range for one job.
type Booking struct {
	ID        int64
	Job       int64
	Reference string // of the job
	Kind      Kind
	Resource  string // id of the bay or technician, asset tag of the tool
	During    hours.Range
	State     BookingState
	ExpiresAt time.Time // when a TENTATIVE booking lapses
	Steps     []string  // ids of the job's steps that it serves; empty for a bare reservation
}
