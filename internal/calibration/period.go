package calibration

import (
	"slices"
	"time"

	"bayhold/internal/hours"
)

// Period is a time in which a tool was in calibration.
type Period struct {
	During      hours.Range
	Certificate string
	// Ended says why it ended, or will.
	Ended Reason
}

// Periods lists the times in which a tool was in calibration, in order and
// disjoint, as it is known at an instant. The last one may end after it.
func Periods(h History, tool Tool, policy DuePolicy, zone *time.Location, now time.Time) []Period {
	return slices.DeleteFunc(periods(h, tool, policy, zone, now), func(p Period) bool { return p.During.Empty() })
}

// periods are Periods and the empty ones of calibrations that ended as they
// began, which say why there is none.
func periods(h History, tool Tool, policy DuePolicy, zone *time.Location, now time.Time) []Period {
	var periods []Period
	all := calibrations(h, now)
	for i, c := range all {
		if !c.Accepted {
			continue
		}
		// What happens after the next calibration cannot end this one.
		end := stretchOf(c, h, now).due(tool, policy, zone).Limits[0]
		if i+1 < len(all) && all[i+1].At.Before(end.At) {
			end = Limit{all[i+1].At, Superseded}
			if !all[i+1].Accepted {
				end.Reason = NotAccepted
			}
		}
		periods = append(periods, Period{hours.Range{Start: c.At, End: end.At}, c.Number, end.Reason})
	}
	return periods
}

// Gap is a day on which a tool was used outside calibration.
type Gap struct {
	Day  hours.Date // of the site's zone
	Uses []Use      // of that day that lie outside, by time
	// Reason is why the last calibration before had ended, or that there was
	// none; Since is when it ended, zero if there was none.
	Reason Reason
	Since  time.Time
}

// Gaps lists the days within a range on which a tool was used outside
// calibration, as it is known at an instant. No gaps is the answer that an
// auditor wants.
func Gaps(h History, tool Tool, policy DuePolicy, zone *time.Location, within hours.Range, now time.Time) []Gap {
	periods := periods(h, tool, policy, zone, now)
	uses := slices.DeleteFunc(slices.Clone(h.Uses), func(u Use) bool { return !within.Has(u.At) || u.At.After(now) })
	slices.SortStableFunc(uses, func(a, b Use) int { return a.At.Compare(b.At) })
	var gaps []Gap
	for _, u := range uses {
		reason, since, outside := standing(periods, h, u.At)
		if !outside {
			continue
		}
		day := hours.DateOf(u.At, zone)
		last := len(gaps) - 1
		if last < 0 || gaps[last].Day != day || gaps[last].Reason != reason {
			gaps = append(gaps, Gap{Day: day, Reason: reason, Since: since})
			last++
		}
		gaps[last].Uses = append(gaps[last].Uses, u)
	}
	return gaps
}

// standing tells whether an instant lies outside every period, and if so why.
func standing(periods []Period, h History, t time.Time) (reason Reason, since time.Time, outside bool) {
	reason = NeverCalibrated
	for _, p := range periods {
		if p.During.Has(t) {
			return "", time.Time{}, false
		}
		if !p.During.End.After(t) {
			reason, since = p.Ended, p.During.End
		}
	}
	// A certificate that was not accepted is the last word on its tool.
	for _, c := range calibrations(h, t) {
		if !c.Accepted && !c.At.Before(since) {
			reason, since = NotAccepted, c.At
		}
	}
	return reason, since, true
}
