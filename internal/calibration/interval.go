package calibration

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"bayhold/internal/fault"
)

// TestInterval is the step of method A3 for an interval at which inTolerance of
// n calibrations found the tool in tolerance: the interval that follows, and
// the confidence with which the present one is rejected, from 0 to 1.
//
// The form of the step is inferred from a published example, which it
// reproduces: the data of a tutorial at the NCSLI Symposium of 2019, as printed
// in a user manual of Sandia National Laboratories. No bounds are applied.
// Figures out of range are an Invalid fault, BAD_REVIEW.
func TestInterval(present, target float64, n, inTolerance int) (next, confidence float64, err error) {
	if !finite(present) || present <= 0 || !share(target) || n < 1 || inTolerance < 0 || inTolerance > n {
		return 0, 0, fault.New(fault.Invalid, "BAD_REVIEW",
			"an interval above 0, a target between 0 and 1 and 0 to n in tolerance of n results are needed")
	}
	observed := float64(inTolerance) / float64(n)
	in := distuv.Binomial{N: float64(n), P: target}
	tail := in.CDF(float64(inTolerance)) // that many or fewer, if the target is met
	if observed >= target {
		tail = 1 - in.CDF(float64(inTolerance-1)) // that many or more
	}
	confidence = max(0, 1-2*tail)
	return present * math.Pow(10, confidence*(observed-target)), confidence, nil
}

// ReviewByTest reviews an interval by method A3, from the results whose
// interval was near the present one. Nothing changes unless there are enough
// results and the confidence reaches the policy's.
func ReviewByTest(present float64, results []Result, policy ReviewPolicy) (Proposal, error) {
	if err := reviewable(present, results, policy); err != nil {
		return Proposal{}, err
	}
	p := proposal(IntervalTest, present, near(present, results, policy))
	if !p.enough(len(results), policy) {
		return p, nil
	}
	next, confidence, err := TestInterval(present, policy.Target, p.Results, p.InTolerance)
	if err != nil {
		return Proposal{}, err
	}
	p.Confidence = confidence
	p.why("%d of %d in tolerance, target %s %%: the interval misses it with a confidence of %.2f %%",
		p.InTolerance, p.Results, number(policy.Target*100), confidence*100)
	if confidence < policy.Confidence || confidence == 0 {
		p.Raw = next
		p.why("a change needs %s %%: the interval is kept", number(policy.Confidence*100))
		return p, nil
	}
	p.propose(next, policy)
	return p, nil
}

// ReviewExponential tells which interval would meet the target if the
// reliability were R(t) = exp(-λt): I·ln(target)/ln(observed) (from memory). It
// is information: the interval is kept, and the answer stands in Raw; 0 where
// all results or none were in tolerance, from which λ cannot be estimated.
func ReviewExponential(present float64, results []Result, policy ReviewPolicy) (Proposal, error) {
	if err := reviewable(present, results, policy); err != nil {
		return Proposal{}, err
	}
	p := proposal(Exponential, present, near(present, results, policy))
	if !p.enough(len(results), policy) {
		return p, nil
	}
	if p.InTolerance == 0 || p.InTolerance == p.Results {
		p.why("%d of %d in tolerance: the rate cannot be estimated", p.InTolerance, p.Results)
		return p, nil
	}
	p.Raw = ExponentialInterval(present, policy.Target, float64(p.InTolerance)/float64(p.Results))
	p.why("%d of %d in tolerance: an exponential model meets %s %% at %s; for comparison only",
		p.InTolerance, p.Results, number(policy.Target*100), number(p.Raw))
	return p, nil
}

// ExponentialInterval is the interval at which a reliability that falls off
// exponentially is the target, if it was observed at the present one. Both
// reliabilities must lie between 0 and 1, ends left out.
func ExponentialInterval(present, target, observed float64) float64 {
	return present * math.Log(target) / math.Log(observed)
}

// near takes the results of about the present interval: others say nothing
// about it.
func near(present float64, results []Result, policy ReviewPolicy) []Result {
	return slices.DeleteFunc(slices.Clone(results), func(r Result) bool {
		return math.Abs(r.Interval-present) > policy.Near*present*(1+rounding)
	})
}

// enough tells whether there are results to go by, and says so if not.
func (p *Proposal) enough(all int, policy ReviewPolicy) bool {
	if p.Results >= policy.LeastResults {
		return true
	}
	p.Why = append(p.Why, fmt.Sprintf("%d of %d results are from intervals within %s %% of the present one, %d are needed: no evidence, no change",
		p.Results, all, number(policy.Near*100), policy.LeastResults))
	return false
}

// ShrinkFor is the factor that goes with a growth factor if every result in
// tolerance grows the interval, every other shrinks it, and the long run is to
// keep the share in tolerance at target (method A1 of NCSLI RP-1, balance
// grow^R · shrink^(1-R) = 1, from memory). Grow must be above 1, target between
// 0 and 1.
func ShrinkFor(grow, target float64) float64 { return math.Pow(grow, -target/(1-target)) }

// TargetOf is the share in tolerance that such a pair of factors holds in the
// long run. Grow must be above 1, shrink below 1 and above 0.
func TargetOf(grow, shrink float64) float64 {
	return math.Log(shrink) / (math.Log(shrink) - math.Log(grow))
}
