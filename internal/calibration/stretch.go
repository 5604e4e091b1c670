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
	terms       terms // decided before or during it
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
	for _, t := range h.Terms {
		if !t.From.After(now) {
			s.terms = append(s.terms, t)
		}
	}
	slices.SortStableFunc(s.uses, func(a, b Use) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(s.terms, func(a, b Term) int { return a.From.Compare(b.From) })
	return s
}

// due reckons the ends of the calibration, the earliest first.
func (s *stretch) due(tool Tool, first DuePolicy, zone *time.Location) Due {
	d := Due{Certificate: s.calibration.Number, CyclesLeft: -1}
	d.Limits = append(d.Limits, Limit{s.byDate(first, zone), ByDate})
	for _, u := range s.uses {
		d.CyclesUsed += u.Cycles
	}
	if at, ends := s.byCycles(first); ends {
		d.Limits = append(d.Limits, Limit{at, ByCycles})
	}
	if most := s.terms.at(s.now, first).Cycles; most > 0 {
		d.CyclesLeft = max(0, most-d.CyclesUsed)
		d.Projected = s.projected(d.CyclesUsed, d.CyclesLeft)
	}
	for _, e := range s.events {
		if reason, ends := s.terms.at(e.At, first).Ends(e, tool); ends {
			d.Limits = append(d.Limits, Limit{e.At, reason})
		}
	}
	slices.SortStableFunc(d.Limits, func(a, b Limit) int { return a.At.Compare(b.At) })
	d.At, d.Reason = d.Limits[0].At, d.Limits[0].Reason
	return d
}

// byCycles is the instant after the use that spends the last cycle, or that of
// a decision that fewer are allowed than were spent already.
func (s *stretch) byCycles(first DuePolicy) (time.Time, bool) {
	spent := func(at time.Time, used int) bool {
		most := s.terms.at(at, first).Cycles
		return most > 0 && used >= most
	}
	used, next := 0, 0
	for _, u := range s.uses {
		for ; next < len(s.terms) && !s.terms[next].From.After(u.At); next++ {
			if from := s.terms[next].From; from.After(s.calibration.At) && spent(from, used) {
				return from, true
			}
		}
		if used += u.Cycles; u.Cycles > 0 && spent(u.At, used) {
			return u.At.Add(afterwards), true
		}
	}
	for ; next < len(s.terms); next++ {
		if from := s.terms[next].From; from.After(s.calibration.At) && spent(from, used) {
			return from, true
		}
	}
	return time.Time{}, false
}

// byDate is the end of the last day of the interval. A decision changes the end
// that is still ahead, but never to one that lies behind: what was in order
// until then was in order. What has ended stays ended.
func (s *stretch) byDate(first DuePolicy, zone *time.Location) time.Time {
	end := s.interval(s.terms.at(s.calibration.At, first), zone)
	for _, t := range s.terms {
		if !t.From.After(s.calibration.At) || !t.From.Before(end) {
			continue
		}
		if end = s.interval(t.Policy, zone); end.Before(t.From) {
			end = t.From
		}
	}
	return end
}

// interval is the end of the last day of a policy's interval.
func (s *stretch) interval(policy DuePolicy, zone *time.Location) time.Time {
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
