package calibration

import (
	"slices"
	"time"

	"bayhold/internal/hours"
)

// afterwards is the step from the use that spends the last cycle to the instant
// at which the tool is due: that use was still in order. PostgreSQL's clock has
// no smaller one.
const afterwards = time.Microsecond

// stretch is the time from one calibration on, with what happened in it.
type stretch struct {
	calibration Calibration
	now         time.Time
	uses        []Use // by time
	events      []Event
}

// stretchOf gathers what happened from a calibration on and is known by now.
func stretchOf(c Calibration, h History, now time.Time) *stretch {
	s := &stretch{calibration: c, now: now}
	within := func(t time.Time) bool { return !t.Before(c.At) && !t.After(now) }
	for _, u := range h.Uses {
		if within(u.At) {
			s.uses = append(s.uses, u)
		}
	}
	for _, e := range h.Events {
		if within(e.At) {
			s.events = append(s.events, e)
		}
	}
	slices.SortStableFunc(s.uses, func(a, b Use) int { return a.At.Compare(b.At) })
	return s
}

// due reckons the ends of the calibration, the earliest first.
func (s *stretch) due(tool Tool, policy DuePolicy, zone *time.Location) Due {
	d := Due{Certificate: s.calibration.Number, CyclesLeft: -1}
	d.Limits = append(d.Limits, Limit{s.byDate(policy, zone), ByDate})
	for _, u := range s.uses {
		before := d.CyclesUsed
		d.CyclesUsed += u.Cycles
		if policy.Cycles > 0 && before < policy.Cycles && d.CyclesUsed >= policy.Cycles {
			d.Limits = append(d.Limits, Limit{u.At.Add(afterwards), ByCycles})
		}
	}
	if policy.Cycles > 0 {
		d.CyclesLeft = max(0, policy.Cycles-d.CyclesUsed)
		d.Projected = s.projected(d.CyclesUsed, d.CyclesLeft)
	}
	for _, e := range s.events {
		if reason, ends := policy.Ends(e, tool); ends {
			d.Limits = append(d.Limits, Limit{e.At, reason})
		}
	}
	slices.SortStableFunc(d.Limits, func(a, b Limit) int { return a.At.Compare(b.At) })
	d.At, d.Reason = d.Limits[0].At, d.Limits[0].Reason
	return d
}

// byDate is the end of the last day of the interval.
func (s *stretch) byDate(policy DuePolicy, zone *time.Location) time.Time {
	start := hours.DateOf(s.calibration.At, zone)
	if policy.FromFirstUse {
		shelf := addMonths(start, policy.ShelfMonths)
		start = hours.DateOf(s.firstUse(), zone)
		if policy.ShelfMonths > 0 && shelf.Compare(start) < 0 {
			start = shelf
		}
	}
	return addMonths(start, policy.Months).AddDays(policy.Days+1).At(0, zone)
}

// firstUse is that of the stretch, or now: the next use cannot be earlier.
func (s *stretch) firstUse() time.Time {
	if len(s.uses) > 0 {
		return s.uses[0].At
	}
	return s.now
}

func (s *stretch) projected(used, left int) time.Time {
	since := s.now.Sub(s.firstUse())
	if used == 0 || since < 24*time.Hour {
		return time.Time{}
	}
	// In days, because a duration ends after 292 years.
	days := since.Hours() / 24 / float64(used) * float64(left)
	if days > 36500 {
		return time.Time{}
	}
	return s.now.Add(time.Duration(days * 24 * float64(time.Hour)))
}
