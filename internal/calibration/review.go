package calibration

import (
	"fmt"
	"slices"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

// ReviewPolicy bounds what an interval review may propose.
type ReviewPolicy struct {
	// Floor and Cap bound an interval, in the unit of the intervals: days,
	// in bayhold.
	Floor, Cap float64
	// LeastFactor and GreatestFactor bound one step: 0.5 and 1.5 let an
	// interval at most halve or grow by half at a review.
	LeastFactor, GreatestFactor float64

	// The staircase: an interval grows by Grow if the tool was found within
	// GrowWithin of its permissible deviation, shrinks by Shrink if it was
	// found beyond the whole of it, and is kept otherwise.
	GrowWithin, Grow, Shrink float64

	// The interval test and the exponential model: the share of calibrations
	// that ought to find the tool in tolerance, the confidence below which
	// nothing is changed, the least number of results, and how far a
	// result's interval may lie from the present one, as a fraction of it.
	Target       float64
	Confidence   float64
	LeastResults int
	Near         float64
}

func (p ReviewPolicy) validate(fs *fault.Fields) {
	for _, rule := range []struct {
		path, message string
		holds         bool
	}{
		{"floor", "must be above 0 and at most the cap", p.Floor > 0 && p.Floor <= p.Cap && finite(p.Cap)},
		{"least_factor", "must be above 0 and at most 1", p.LeastFactor > 0 && p.LeastFactor <= 1},
		{"greatest_factor", "must be 1 or more", p.GreatestFactor >= 1 && finite(p.GreatestFactor)},
		{"grow_within", "must be a fraction above 0, 1 at most", p.GrowWithin > 0 && p.GrowWithin <= 1},
		{"grow", "must be 1 or more", p.Grow >= 1 && finite(p.Grow)},
		{"shrink", "must be above 0 and at most 1", p.Shrink > 0 && p.Shrink <= 1},
		{"target", "must be a fraction above 0 and below 1", share(p.Target)},
		{"confidence", "must be a fraction, 0 or more and below 1", p.Confidence >= 0 && p.Confidence < 1},
		{"least_results", "must be 1 or more", p.LeastResults >= 1},
		{"near", "must be a fraction, 0 or more", p.Near >= 0 && finite(p.Near)},
	} {
		if !rule.holds {
			fs.Add("review."+rule.path, "%s", rule.message)
		}
	}
}

// Method names how a proposal was reached.
type Method string

// The methods.
const (
	// Staircase looks at the last result: method 1 of ILAC-G24:2007.
	Staircase Method = "STAIRCASE"
	// IntervalTest looks at all results of about the present interval:
	// method A3 of NCSLI RP-1 (2010).
	IntervalTest Method = "INTERVAL_TEST"
	// Exponential takes the reliability to fall off exponentially. It is told
	// for comparison: from the same results it may differ from the interval
	// test several times over.
	Exponential Method = "EXPONENTIAL"
)

// Result is what one calibration found.
type Result struct {
	Date hours.Date
	// Interval is the time since the calibration before, in the unit of the
	// intervals; 0 if that is not known.
	Interval float64
	// Share is the deviation farthest from 0 as found, over the permissible
	// one: 1 is exactly at the limit. Never negative.
	Share float64
}

// InTolerance tells whether the tool was found within its permissible
// deviation. Uncertainty is left aside: this is about the tool.
func (r Result) InTolerance() bool { return r.Share <= 1+rounding }

// ResultOf is the result of a certificate, interval being the time since the
// calibration before. False if the tool was not read as found: then the
// certificate says nothing about the interval.
func ResultOf(c Certificate, a Assessment, interval float64) (Result, bool) {
	if a.AsFound.Verdict == "" {
		return Result{}, false
	}
	return Result{Date: c.Date, Interval: interval, Share: max(a.AsFound.Worst, -a.AsFound.Worst) / a.Permissible}, true
}

// Proposal is the outcome of a review.
type Proposal struct {
	Method            Method
	Present, Proposed float64 // intervals
	// Raw is what the method alone would give, without the policy's bounds;
	// 0 if it gives nothing.
	Raw float64
	// Results and InTolerance count what the method looked at, from First to
	// Last.
	Results, InTolerance int
	First, Last          hours.Date
	// Confidence is that with which the present interval misses the target;
	// 0 where the method has none to state.
	Confidence float64
	Why        []string // in words: what was found, what the policy made of it
}

// Changes tells whether a change is proposed.
func (p Proposal) Changes() bool { return p.Proposed != p.Present }

// proposal begins one from the results that a method looks at.
func proposal(m Method, present float64, results []Result) Proposal {
	p := Proposal{Method: m, Present: present, Proposed: present, Results: len(results)}
	for i, r := range results {
		if i == 0 || r.Date.Compare(p.First) < 0 {
			p.First = r.Date
		}
		if i == 0 || r.Date.Compare(p.Last) > 0 {
			p.Last = r.Date
		}
		if r.InTolerance() {
			p.InTolerance++
		}
	}
	return p
}

func (p *Proposal) why(format string, args ...any) {
	p.Why = append(p.Why, fmt.Sprintf(format, args...))
}

// propose takes the method's interval within the policy's bounds. A bound never
// turns growth into a cut, nor a cut into growth.
func (p *Proposal) propose(raw float64, policy ReviewPolicy) {
	p.Raw = raw
	bounded := min(max(raw, p.Present*policy.LeastFactor), p.Present*policy.GreatestFactor)
	if bounded != raw {
		p.why("one review may change the interval %s to %s times", number(policy.LeastFactor), number(policy.GreatestFactor))
	}
	within := min(max(bounded, policy.Floor), policy.Cap)
	if within != bounded {
		p.why("an interval must be from %s to %s", number(policy.Floor), number(policy.Cap))
	}
	if (within > p.Present) != (raw > p.Present) || (within < p.Present) != (raw < p.Present) {
		p.why("the bounds leave no room for that change: the interval is kept")
		within = p.Present
	}
	p.Proposed = within
}

// ReviewStaircase looks at the latest result. Without one nothing changes.
func ReviewStaircase(present float64, results []Result, policy ReviewPolicy) (Proposal, error) {
	if err := reviewable(present, results, policy); err != nil {
		return Proposal{}, err
	}
	if len(results) == 0 {
		p := proposal(Staircase, present, nil)
		p.why("there is no calibration with readings as found: no evidence, no change")
		return p, nil
	}
	last := slices.MaxFunc(results, func(a, b Result) int { return a.Date.Compare(b.Date) })
	p := proposal(Staircase, present, []Result{last})
	found := fmt.Sprintf("found at %s %% of the permissible deviation", number(last.Share*100))
	switch {
	case !last.InTolerance():
		p.why("%s: the interval shrinks", found)
		p.propose(present*policy.Shrink, policy)
	case last.Share <= policy.GrowWithin+rounding:
		p.why("%s, within %s %%: the interval grows", found, number(policy.GrowWithin*100))
		p.propose(present*policy.Grow, policy)
	default:
		p.why("%s: the interval is kept", found)
		p.Raw = present
	}
	return p, nil
}

// reviewable refuses figures that no method can reckon with.
func reviewable(present float64, results []Result, policy ReviewPolicy) error {
	var fs fault.Fields
	if !finite(present) || present <= 0 {
		fs.Add("present", "must be above 0")
	}
	for i, r := range results {
		if !finite(r.Share) || r.Share < 0 || !finite(r.Interval) || r.Interval < 0 {
			fs.Add(item("results", i), "share and interval must be 0 or more")
		}
	}
	policy.validate(&fs)
	return fs.Err("BAD_REVIEW", "the interval cannot be reviewed")
}
