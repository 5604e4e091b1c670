package workshop

import (
	"context"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/torque"
)

// Sheet is what a technician works by, and what is signed.
type Sheet struct {
	Site       site.Site
	Zone       *time.Location // of every time on it
	Printed    time.Time
	Unit       torque.Unit // of torques; newton metres stand beside another one
	Job        site.Job    // its parts list too
	Family     string      // the engine family's name
	Bay        string      // the bay's name
	Procedures []PlannedProcedure
	// Newest is the newest issued version of each procedure, by its id; 0 for
	// one that has none any more.
	Newest map[string]int
	Lines  []SheetLine // by planned start
	Spans  []SheetSpan // the tools to draw, by when they are wanted
}

// SheetLine is a step as it stands on a sheet.
type SheetLine struct {
	Number int    // from 1
	ID     string // of the job's step
	Owner  string // title of the preparation or procedure it belongs to
	Part   OwnerPart
	Step   procedure.Step
	// JoinedTo is the number of the step that follows without a gap; 0 if none.
	JoinedTo  int
	During    hours.Range
	Cautions  []procedure.Caution // said before it
	People    []string            // names of technicians
	Tools     []string            // asset tags at hand
	Wrench    *SheetWrench        // nil if it tightens nothing
	Sign      int                 // how many sign it off
	HoldPoint bool
}

// OwnerPart says which of its owner's lists a step stands in.
type OwnerPart string

// The lists of a step's owner; empty for a step of a procedure, or of a
// preparation that has changed since.
const (
	SetUp   OwnerPart = "SET_UP"
	PutBack OwnerPart = "PUT_BACK"
)

// SheetWrench is what a step's tightening is done with.
type SheetWrench struct {
	Tag  string // asset tag; empty if none of the step's tools tightens
	Name string
	// Set is what the tool is set to for each stage, in newton metres, an
	// adapter considered; 0 for angles. It is nil if Problem says why none
	// can be told.
	Set     []float64
	Problem string
	// Driven says that the tool is a multiplier of that Ratio: Set is what
	// drives it.
	Driven bool
	Ratio  float64
}

// SheetSpan is a tool with the time for which it is booked.
type SheetSpan struct {
	Tag, Name, Home string
	During          hours.Range
	Pieces          []site.Piece   // what a complete one is counted by
	Condition       site.Condition // when the sheet was made
	Calibrated      bool           // whether it must be in calibration
	CalibratedUntil time.Time      // zero if it has none
}

// Sheet gives the sheet of a job, as it was planned. Precondition for a
// reservation, which has none.
func (w *Workshop) Sheet(ctx context.Context, slug string, id int64) (Sheet, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Sheet, error) {
		out := Sheet{Printed: w.Now()}
		var err error
		if out.Job, err = r.Job(ctx, id, w.Now()); err != nil {
			return out, err
		}
		net, err := r.Work(ctx, id)
		if err != nil {
			return out, err
		}
		if len(net.Steps) == 0 {
			return out, fault.New(fault.Precondition, "NO_STEPS", "job %d is a reservation: it has no steps and no sheet", id)
		}
		m, err := newSheetMaker(ctx, r, &out, net)
		if err != nil {
			return out, err
		}
		m.write()
		return out, nil
	})
}
