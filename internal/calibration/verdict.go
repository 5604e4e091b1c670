package calibration

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Rule is a decision rule: how uncertainty bears on a verdict (ISO/IEC
// 17025:2017, 7.1.3; ILAC-G8:09/2019, 4.2).
type Rule string

// The decision rules. The guard band w is the expanded uncertainty U.
const (
	// SimpleAcceptance takes a reading as it is: w = 0.
	SimpleAcceptance Rule = "SIMPLE_ACCEPTANCE"
	// GuardBand passes only what lies within the limit less w.
	GuardBand Rule = "GUARD_BAND"
	// FourWay tells pass, conditional pass, conditional fail and fail apart.
	FourWay Rule = "FOUR_WAY"
)

// Rules lists the decision rules.
func Rules() []Rule { return []Rule{SimpleAcceptance, GuardBand, FourWay} }

// NeedsUncertainty tells whether the rule says nothing without an uncertainty.
func (r Rule) NeedsUncertainty() bool { return r == GuardBand || r == FourWay }

// Verdict is what a rule says. The zero value is no verdict: nothing was read.
type Verdict string

// The verdicts, best first (ILAC-G8:09/2019, 4.2.3).
const (
	Pass            Verdict = "PASS"
	ConditionalPass Verdict = "CONDITIONAL_PASS"
	ConditionalFail Verdict = "CONDITIONAL_FAIL"
	Fail            Verdict = "FAIL"
)

// verdicts stand in order, so that the later of two is the worse.
var verdicts = []Verdict{"", Pass, ConditionalPass, ConditionalFail, Fail}

// Worse tells whether v is worse than w; no verdict is better than any.
func (v Verdict) Worse(w Verdict) bool { return slices.Index(verdicts, v) > slices.Index(verdicts, w) }

// Accepted tells whether a tool with this verdict may be used.
func (v Verdict) Accepted() bool { return v == Pass || v == ConditionalPass }

// worst is the worse of two verdicts.
func worst(a, b Verdict) Verdict {
	if b.Worse(a) {
		return b
	}
	return a
}

// rounding is what arithmetic on decimal figures may add to a deviation: 100
// over 100/1.04 must be 4 %. No tool can be read as finely.
const rounding = 1e-9

// Judge applies a rule to a deviation. Deviation, the permissible deviation and
// the expanded uncertainty are fractions of the reference reading. A deviation
// exactly at a limit has the better of the two verdicts.
func Judge(rule Rule, deviation, permissible, uncertainty float64) Verdict {
	size := math.Abs(deviation)
	within := func(limit float64) bool { return size <= limit+rounding }
	switch rule {
	case SimpleAcceptance:
		if within(permissible) {
			return Pass
		}
	case GuardBand:
		if within(permissible - uncertainty) {
			return Pass
		}
	case FourWay:
		switch {
		case within(permissible - uncertainty):
			return Pass
		case within(permissible):
			return ConditionalPass
		case within(permissible + uncertainty):
			return ConditionalFail
		}
	}
	return Fail
}

// Conformity is the probability that a tool that was read at a deviation
// conforms: that its true deviation lies within the permissible one on either
// side. The error of measurement is taken as normal with the standard
// uncertainty u = U/k, nothing is assumed about the tool beforehand, and all
// arguments are fractions. u must be above 0.
func Conformity(deviation, permissible, u float64) float64 {
	errors := distuv.Normal{Mu: deviation, Sigma: u}
	return max(0, errors.CDF(permissible)-errors.CDF(-permissible))
}
