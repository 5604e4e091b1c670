package calibration

import "time"

// Term is a decision to let calibrations last otherwise from an instant on.
type Term struct {
	From   time.Time
	Policy DuePolicy
}

// terms are decisions by time.
type terms []Term

// at is the policy that holds at an instant; first, if nothing was decided by
// then.
func (ts terms) at(t time.Time, first DuePolicy) DuePolicy {
	out := first
	for _, term := range ts {
		if !term.From.After(t) {
			out = term.Policy
		}
	}
	return out
}

// WithInterval is the policy with an interval of days in place of its own.
func (p DuePolicy) WithInterval(days int) DuePolicy {
	p.Months, p.Days = 0, days
	return p
}

// IntervalDays is the policy's interval in days; twelve months are a year of
// 365.
func (p DuePolicy) IntervalDays() float64 { return float64(p.Months*365)/12 + float64(p.Days) }
