package calibration

import (
	"cmp"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

// DuePolicy says how long a calibration holds. Date and cycles: whichever comes
// first.
type DuePolicy struct {
	// Months and Days make up the interval; at least one is above 0. The day
	// on which it ends still counts. A month later is the same day of that
	// month, or its last.
	Months, Days int
	Cycles       int // 0: not counted
	// FromFirstUse lets the interval run from the first use after the
	// calibration instead of from the calibration, which it may follow by at
	// most ShelfMonths; 0 is without limit.
	FromFirstUse bool
	ShelfMonths  int
	// Overload is the load, as a fraction of the tool's maximum, above which
	// a tool is due at once; 0: no load.
	Overload float64
	// Early are the events after which a tool is due at once; never LOAD,
	// which counts by its torque.
	Early []EventKind
}

func (p DuePolicy) validate(fs *fault.Fields) {
	if p.Months < 0 || p.Days < 0 || p.Months > 240 || p.Days > 7300 || p.Months+p.Days == 0 {
		fs.Add("due.months", "months and days must be 0 or more, not both 0, and 20 years at most")
	}
	if p.Cycles < 0 {
		fs.Add("due.cycles", "must be 0 or more")
	}
	if p.ShelfMonths < 0 || p.ShelfMonths > 240 {
		fs.Add("due.shelf_months", "must be from 0 to 240")
	}
	if p.Overload != 0 && !(finite(p.Overload) && p.Overload >= 1) {
		fs.Add("due.overload", "must be a fraction of the tool's maximum, 1 or more: 1.25 is 125 %%")
	}
	for i, k := range p.Early {
		if k == Load || !slices.Contains(EventKinds(), k) {
			fs.Add(item("due.early", i), "%q is none of %v", clip(string(k)), EventKinds()[1:])
		}
	}
}

// Ends tells whether an event ends a tool's calibration at once, and why.
func (p DuePolicy) Ends(e Event, tool Tool) (Reason, bool) {
	switch {
	case e.Kind == Load && p.Overload > 0 && e.Torque > p.Overload*tool.Max:
		return ByOverload, true
	case slices.Contains(p.Early, e.Kind):
		return Reason(e.Kind), true
	}
	return "", false
}

// EventKind is something that happens to a tool apart from use.
type EventKind string

// The kinds of events.
const (
	Load        EventKind = "LOAD" // a load worth noting; it counts as an overload by its torque
	Drop        EventKind = "DROP"
	Damage      EventKind = "DAMAGE" // visible wear included
	Repair      EventKind = "REPAIR"
	CheckFailed EventKind = "CHECK_FAILED" // an intermediate check found it out of tolerance
)

// EventKinds lists the kinds of events.
func EventKinds() []EventKind { return []EventKind{Load, Drop, Damage, Repair, CheckFailed} }

// Event is one of them.
type Event struct {
	At     time.Time
	Kind   EventKind
	Torque float64 // of a LOAD, in newton metres
}

// Use is a tightening, or a count of them that was entered by hand.
type Use struct {
	At     time.Time
	Cycles int // 1 for a tightening of one fastener
	// Job and Step say where; empty for a count.
	Job, Step string
}

// Calibration is what due dates need of a certificate.
type Calibration struct {
	Number string
	// At is when it began to hold: the beginning of the certificate's day,
	// or the instant where it is known.
	At time.Time
	// Accepted tells whether the tool came back fit for use.
	Accepted bool
}

// Calibration is the certificate as due dates see it; its day is one of the
// zone. All use of that day counts as use after it.
func (c Certificate) Calibration(a Assessment, zone *time.Location) Calibration {
	return Calibration{Number: c.Number, At: c.Date.At(0, zone), Accepted: a.Overall().Accepted()}
}

// History is what is known of one tool, each list in any order.
type History struct {
	Calibrations []Calibration
	Uses         []Use
	Events       []Event
	// Terms are decisions to let calibrations last otherwise. Before the first
	// of them the policy that is asked with holds.
	Terms []Term
}

// Reason is why a calibration ends. Events give their kind.
type Reason string

// The reasons apart from DROP, DAMAGE, REPAIR and CHECK_FAILED.
const (
	ByDate          Reason = "DATE"
	ByCycles        Reason = "CYCLES"
	ByOverload      Reason = "OVERLOAD"
	NotAccepted     Reason = "NOT_ACCEPTED"     // the last certificate says so
	NeverCalibrated Reason = "NEVER_CALIBRATED" // there is no certificate
	Superseded      Reason = "SUPERSEDED"       // by the next certificate
)

// Limit is one end of a calibration.
type Limit struct {
	At     time.Time // from this instant the tool is out of calibration
	Reason Reason
}

// Due says until when a tool is in calibration.
type Due struct {
	// At is the instant from which it is not; zero if it never was. A
	// booking may hold the tool up to At and no longer.
	At     time.Time
	Reason Reason
	// Limits are all the ends that are known, the first of which binds.
	Limits      []Limit
	Certificate string // the one that holds, or was not accepted
	// CyclesUsed counts since the calibration; CyclesLeft is -1 where cycles
	// are not limited.
	CyclesUsed, CyclesLeft int
	// Projected is when the cycles run out at the average rate since the
	// first use: a forecast, which binds nobody; zero if there is no rate.
	Projected time.Time
}

// Covers tells whether a tool that is in calibration until an instant is so to
// the end of a range: the one rule by which planning, booking and issuing may
// take it.
func Covers(until time.Time, during hours.Range) bool { return !during.End.After(until) }

// DueAt says until when a tool is in calibration, as it is known at an instant:
// what is dated later is left out. A calibration whose interval runs from first
// use and that was not used yet is taken to be used now.
func DueAt(h History, tool Tool, policy DuePolicy, zone *time.Location, now time.Time) Due {
	all := calibrations(h, now)
	if len(all) == 0 {
		return Due{Reason: NeverCalibrated, Limits: []Limit{{Reason: NeverCalibrated}}, CyclesLeft: -1}
	}
	last := all[len(all)-1]
	due := stretchOf(last, h, now).due(tool, policy, zone)
	if !last.Accepted {
		due.Limits = slices.Insert(due.Limits, 0, Limit{last.At, NotAccepted})
	}
	due.At, due.Reason = due.Limits[0].At, due.Limits[0].Reason
	return due
}

// calibrations are those known at an instant, the oldest first; of two at one
// instant the one that was not accepted is last and rules.
func calibrations(h History, now time.Time) []Calibration {
	all := slices.DeleteFunc(slices.Clone(h.Calibrations), func(c Calibration) bool { return c.At.After(now) })
	slices.SortStableFunc(all, func(a, b Calibration) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(rank(b.Accepted), rank(a.Accepted)))
	})
	return all
}

func rank(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Listed is a tool on a due list.
type Listed struct {
	Tag string
	Due Due
}

// DueWithin lists the tools that fall due before an instant, those overdue
// included, the most urgent first; of two the lower tag.
func DueWithin(tools []Listed, horizon time.Time) []Listed {
	due := slices.DeleteFunc(slices.Clone(tools), func(l Listed) bool { return !l.Due.At.Before(horizon) })
	slices.SortFunc(due, func(a, b Listed) int {
		return cmp.Or(a.Due.At.Compare(b.Due.At), cmp.Compare(a.Tag, b.Tag))
	})
	return due
}

// addMonths is the same day of a later month, or the last of that month.
func addMonths(d hours.Date, n int) hours.Date {
	first := time.Date(d.Year, d.Month+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return hours.Date{Year: first.Year(), Month: first.Month(), Day: min(d.Day, last)}
}
