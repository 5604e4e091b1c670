package calibration

import (
	"fmt"
	"time"

	"bayhold/internal/fault"
)

// Check is an intermediate check: a quick look at a tool on the workshop's own
// tester between two calibrations.
type Check struct {
	ID     string
	At     time.Time
	Tester Tester
	// Points carry AsFound readings only; their own uncertainty is left
	// aside for the tester's.
	Points []Point
}

// Tester is the device that a check was made on.
type Tester struct {
	Tag string
	// Permissible is its own greatest deviation, a fraction of its reading.
	// It stands for the expanded uncertainty of the check.
	Permissible float64
	// CalibratedUntil is the instant from which it is out of calibration.
	CalibratedUntil time.Time
}

// CheckPolicy is the rule by which a check counts as known-good evidence:
//
//  1. the tester was in calibration,
//  2. it is better than the tool by TesterRatio,
//  3. every point has enough readings,
//  4. every reading lies within the permissible deviation less the tester's:
//     a guard band, because nobody looks at the tool again before it is used.
//
// It then speaks for settings near and between its points, in their
// directions, and for no others. A reading beyond the permissible deviation
// itself, on a tester in order, is a finding: the tool is out of tolerance.
// Whatever lies between proves nothing.
type CheckPolicy struct {
	Readings    int     // least number a point
	TesterRatio float64 // permissible deviation of the tool over the tester's
	// Reach is how far beyond its outermost points a check speaks, as a
	// fraction of their values.
	Reach float64
}

// Text says the rule with the policy's figures, for people.
func (p CheckPolicy) Text() []string {
	return []string{
		"A check proves a tool good if:",
		"1. its tester was in calibration,",
		"2. the tool may deviate " + number(p.TesterRatio) + " times as much as the tester, or more,",
		fmt.Sprintf("3. there are %d readings or more at every point,", p.Readings),
		"4. every reading lies within what the tool may deviate, less what the tester may.",
		fmt.Sprintf("It then speaks for settings from %s %% below its lowest to %s %% above its highest point, in the direction that was read, and for no other. "+
			"A reading beyond what the tool may deviate, on a tester in order, is a finding: the tool is out of tolerance. What lies between proves nothing.",
			number(p.Reach*100), number(p.Reach*100)),
	}
}

func (p CheckPolicy) validate(fs *fault.Fields) {
	if p.Readings < 1 || p.Readings > MaxReadings {
		fs.Add("check.readings", "must be from 1 to %d", MaxReadings)
	}
	if !finite(p.TesterRatio) || p.TesterRatio < 1 {
		fs.Add("check.tester_ratio", "must be 1 or more: a tester worse than the tool proves nothing")
	}
	if !finite(p.Reach) || p.Reach < 0 || p.Reach >= 1 {
		fs.Add("check.reach", "must be a fraction, 0 or more and below 1")
	}
}

// CheckResult is what a check proves.
type CheckResult struct {
	// Good tells that it counts as known-good evidence; Failed that it found
	// the tool out of tolerance. Neither may hold, both never do.
	Good, Failed bool
	// Doubts are the rule's conditions that were not met, in words.
	Doubts      []string
	Permissible float64 // of the tool, as a fraction
	Readings    Side    // judged with the tester's guard band
}

// Judge applies the rule to a check. Readings that cannot be judged are an
// Invalid fault, BAD_CHECK; a tool without a permissible deviation is a
// Precondition fault.
func (p Policy) Judge(c Check, tool Tool) (CheckResult, error) {
	var fs fault.Fields
	if !share(c.Tester.Permissible) {
		fs.Add("tester.permissible", "must be a fraction above 0 and below 1: 0.01 is 1 %%")
	}
	as := Certificate{Rule: GuardBand}
	for i, point := range c.Points {
		if len(point.AsLeft) > 0 {
			fs.Add(item("points", i)+".as_left", "a check has readings as found only")
			point.AsLeft = nil
		}
		point.Uncertainty = Uncertainty{Amount: c.Tester.Permissible, Relative: true, K: 2}
		as.Points = append(as.Points, point)
	}
	if len(fs) == 0 {
		as.readable(tool, &fs)
	}
	if err := fs.Err("BAD_CHECK", "the check cannot be judged"); err != nil {
		return CheckResult{}, err
	}
	a, err := Assess(as, tool, p)
	if err != nil {
		return CheckResult{}, err
	}
	return p.Check.weigh(c, a), nil
}

func (p CheckPolicy) weigh(c Check, a Assessment) CheckResult {
	r := CheckResult{Permissible: a.Permissible, Readings: a.AsFound}
	doubt := func(format string, args ...any) { r.Doubts = append(r.Doubts, fmt.Sprintf(format, args...)) }
	inOrder := c.At.Before(c.Tester.CalibratedUntil)
	if !inOrder {
		doubt("tester %s was out of calibration", c.Tester.Tag)
	}
	if a.Permissible < p.TesterRatio*c.Tester.Permissible-rounding {
		inOrder = false
		doubt("tester %s may deviate by %s %%, the tool by %s %%: that is not %s times better",
			c.Tester.Tag, percent(c.Tester.Permissible), percent(a.Permissible), number(p.TesterRatio))
	}
	for _, point := range a.AsFound.Points {
		if len(point.Readings) < p.Readings {
			doubt("%d readings at %s N·m, not %d", len(point.Readings), number(point.Nominal), p.Readings)
		}
	}
	beyond := Judge(SimpleAcceptance, a.AsFound.Worst, a.Permissible, 0) == Fail
	if a.AsFound.Verdict != Pass {
		doubt("a reading deviates by %s %%, of %s %% that the tool may and the tester leaves %s %%",
			percent(a.AsFound.Worst), percent(a.Permissible), percent(a.Permissible-c.Tester.Permissible))
	}
	r.Good = len(r.Doubts) == 0
	r.Failed = inOrder && beyond
	return r
}
