package cli

import (
	"cmp"
	"slices"
	"strings"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// stretch is a half-open range of time.
type stretch struct{ from, to time.Time }

// scarcity is a tool type of which nothing can be had for some of the time.
type scarcity struct {
	toolType *bayholdv1.ToolType
	tools    int       // pieces that the site has, retired ones apart
	taken    []stretch // when none is free and fit
	why      []string  // references of the bookings in these times, and unfit tools
}

// length gives for how long there is none.
func (s scarcity) length() time.Duration {
	var sum time.Duration
	for _, t := range s.taken {
		sum += t.to.Sub(t.from)
	}
	return sum
}

// scarceTools finds the tool types that run out within a time: when every
// piece is booked, unfit or out of calibration at once. Longest first.
func scarceTools(within stretch, types []*bayholdv1.ToolType, list []*bayholdv1.Tool, booked []*bayholdv1.Booking) []scarcity {
	held := map[string][]*bayholdv1.Booking{}
	for _, b := range booked {
		if b.GetState() != bayholdv1.BookingState_BOOKING_STATE_CANCELLED {
			held[b.GetResource()] = append(held[b.GetResource()], b)
		}
	}
	var out []scarcity
	for _, tt := range types {
		s := scarcity{toolType: tt, taken: []stretch{within}}
		var bookings []*bayholdv1.Booking
		var unfit []string
		for _, tool := range list {
			if tool.GetToolType() != tt.GetName() || tool.GetCondition() == bayholdv1.Condition_CONDITION_RETIRED {
				continue
			}
			s.tools++
			s.taken = common(s.taken, merged(unusable(within, tt, tool, held[tool.GetName()])))
			bookings = append(bookings, held[tool.GetName()]...)
			if reason := unfitness(within, tt, tool); reason != "" {
				unfit = append(unfit, id(tool.GetName())+" "+reason)
			}
		}
		s.why = append(referencesIn(s.taken, bookings), unfit...)
		if s.tools > 0 && len(s.taken) > 0 {
			out = append(out, s)
		}
	}
	slices.SortStableFunc(out, func(a, b scarcity) int {
		return cmp.Or(-cmp.Compare(a.length(), b.length()), cmp.Compare(a.toolType.GetName(), b.toolType.GetName()))
	})
	return out
}

// unusable gives when a tool cannot be had.
func unusable(within stretch, tt *bayholdv1.ToolType, tool *bayholdv1.Tool, booked []*bayholdv1.Booking) []stretch {
	var out []stretch
	for _, b := range booked {
		out = append(out, stretch{b.GetDuring().GetStart().AsTime(), b.GetDuring().GetEnd().AsTime()})
	}
	if tool.GetCondition() != bayholdv1.Condition_CONDITION_SERVICEABLE {
		until := within.to
		if tool.GetConditionUntil() != nil {
			until = tool.GetConditionUntil().AsTime()
		}
		out = append(out, stretch{within.from, until})
	}
	if tt.GetCalibrated() {
		lapse := within.from
		if tool.GetCalibratedUntil() != nil {
			lapse = tool.GetCalibratedUntil().AsTime()
		}
		out = append(out, stretch{lapse, within.to})
	}
	return out
}

// unfitness says why a tool cannot be had for some of the time, bookings apart.
func unfitness(within stretch, tt *bayholdv1.ToolType, tool *bayholdv1.Tool) string {
	switch {
	case tool.GetCondition() != bayholdv1.Condition_CONDITION_SERVICEABLE:
		return strings.ToLower(enumWord(tool.GetCondition().String(), "CONDITION_"))
	case tt.GetCalibrated() && (tool.GetCalibratedUntil() == nil || tool.GetCalibratedUntil().AsTime().Before(within.to)):
		return "out of calibration"
	}
	return ""
}

// merged sorts stretches, joins those that touch and drops empty ones.
func merged(list []stretch) []stretch {
	list = slices.DeleteFunc(list, func(s stretch) bool { return !s.from.Before(s.to) })
	slices.SortFunc(list, func(a, b stretch) int { return a.from.Compare(b.from) })
	var out []stretch
	for _, s := range list {
		if n := len(out); n > 0 && !s.from.After(out[n-1].to) {
			out[n-1].to = later(out[n-1].to, s.to)
		} else {
			out = append(out, s)
		}
	}
	return out
}

// common gives the times that lie in both of two merged lists.
func common(a, b []stretch) []stretch {
	var out []stretch
	for _, x := range a {
		for _, y := range b {
			if s := (stretch{later(x.from, y.from), earlier(x.to, y.to)}); s.from.Before(s.to) {
				out = append(out, s)
			}
		}
	}
	return out
}

// referencesIn gives the references of the bookings that touch some times,
// by the start of the bookings.
func referencesIn(times []stretch, booked []*bayholdv1.Booking) []string {
	slices.SortStableFunc(booked, func(a, b *bayholdv1.Booking) int {
		return a.GetDuring().GetStart().AsTime().Compare(b.GetDuring().GetStart().AsTime())
	})
	var out []string
	for _, b := range booked {
		one := []stretch{{b.GetDuring().GetStart().AsTime(), b.GetDuring().GetEnd().AsTime()}}
		if len(common(times, one)) > 0 && !slices.Contains(out, b.GetReference()) {
			out = append(out, b.GetReference())
		}
	}
	return out
}
