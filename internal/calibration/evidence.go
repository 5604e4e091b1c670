package calibration

import (
	"slices"
	"time"

	"bayhold/internal/hours"
)

// Evidence is a proof that a tool was good at some time.
type Evidence struct {
	// From is the instant from which tightenings are in doubt if the tool is
	// found bad later.
	From   time.Time
	Source string // "certificate 4711", "check 12"
	// Covers are the settings it speaks for.
	Covers []Coverage
}

// Coverage is a range of settings in newton metres, ends included, in one
// direction.
type Coverage struct {
	Direction Direction
	Low, High float64
	Whole     bool // it is all that the tool can be set to
}

// covers tells whether the evidence speaks for a setting. Of a setting of 0,
// which nobody knows, only evidence for the whole tool can speak.
func (e Evidence) covers(direction Direction, set float64) bool {
	return slices.ContainsFunc(e.Covers, func(c Coverage) bool {
		known := set >= c.Low*(1-rounding) && set <= c.High*(1+rounding)
		return c.Direction == direction && (known || set == 0 && c.Whole)
	})
}

// EvidenceOf is what a certificate proves: that the tool came back good, over
// its whole range, in the directions that were calibrated. It holds from the
// beginning of its day, so that the use of that day stays in doubt. False: the
// certificate proves no such thing.
func EvidenceOf(c Certificate, a Assessment, tool Tool, zone *time.Location) (Evidence, bool) {
	e := Evidence{From: c.Date.At(0, zone), Source: "certificate " + c.Number}
	for _, d := range a.Left().Directions {
		if d.Verdict.Accepted() {
			e.Covers = append(e.Covers, Coverage{d.Direction, tool.Min, tool.Max, true})
		}
	}
	return e, len(e.Covers) > 0
}

// EvidenceOfCheck is what an intermediate check proves, by the policy's rule.
// False: it does not count.
func (p Policy) EvidenceOfCheck(c Check, r CheckResult) (Evidence, bool) {
	if !r.Good {
		return Evidence{}, false
	}
	e := Evidence{From: c.At, Source: "check " + c.ID}
	for _, point := range r.Readings.Points { // by direction, then by torque
		low, high := point.Nominal*(1-p.Check.Reach), point.Nominal*(1+p.Check.Reach)
		last := len(e.Covers) - 1
		if last < 0 || e.Covers[last].Direction != point.Direction {
			e.Covers = append(e.Covers, Coverage{point.Direction, low, high, false})
			continue
		}
		e.Covers[last].High = high
	}
	return e, true
}

// Finding is a tool found out of tolerance.
type Finding struct {
	// At is when the tool was found so; only earlier evidence bears on it.
	At time.Time
	// Until is the instant up to which its use is in doubt.
	Until       time.Time
	Source      string
	Permissible float64       // of the tool, as a fraction
	Points      []PointResult // as found
}

// FindingOf is what a certificate found; false if the tool was accepted as
// found, or was not read. The certificate's whole day is in doubt.
func FindingOf(c Certificate, a Assessment, zone *time.Location) (Finding, bool) {
	if a.AsFound.Verdict == "" || a.AsFound.Verdict.Accepted() {
		return Finding{}, false
	}
	return Finding{
		At: c.Date.At(0, zone), Until: c.Date.AddDays(1).At(0, zone), Source: "certificate " + c.Number,
		Permissible: a.Permissible, Points: a.AsFound.Points,
	}, true
}

// FindingOfCheck is what an intermediate check found; false unless it failed.
func FindingOfCheck(c Check, r CheckResult) (Finding, bool) {
	if !r.Failed {
		return Finding{}, false
	}
	return Finding{At: c.At, Until: c.At, Source: "check " + c.ID, Permissible: r.Permissible, Points: r.Readings.Points}, true
}

// window is the time in doubt for one setting: from the last evidence that
// speaks for it. Without evidence it has no beginning.
func (f Finding) window(evidence []Evidence, direction Direction, set float64) (hours.Range, *Evidence) {
	w := hours.Range{End: f.Until}
	var since *Evidence
	for i, e := range evidence {
		if e.From.Before(f.At) && e.covers(direction, set) && (since == nil || e.From.After(since.From)) {
			since = &evidence[i]
			w.Start = e.From
		}
	}
	return w, since
}
