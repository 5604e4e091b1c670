package cli

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// claim is what one resource is taken for: bookings that follow each other on
// a day, told as one. A job of thirty steps has a booking for each step and
// person; people want to know who is busy from when to when.
type claim struct {
	resource, reference, job string

	at    stretch
	taken time.Duration // without the gaps
	parts int
}

// span says from when to when, and in how many parts.
func (cl claim) span(show func(from, to time.Time) string) string {
	text := show(cl.at.from, cl.at.to)
	if cl.parts > 1 {
		text += fmt.Sprintf(" (%d×)", cl.parts)
	}
	return text
}

// claims gathers what it is given, in order.
type claims struct {
	clock clock
	// whole tells each resource of a job once, over all days.
	whole bool
	list  []claim
}

// add takes a booking in. What touches the one before is one part with it,
// what comes later on the same day is another part of the same claim.
func (cs *claims) add(resource, reference, job string, from, to *timestamppb.Timestamp) {
	at := stretch{from.AsTime(), to.AsTime()}
	if n := len(cs.list); n > 0 {
		before := &cs.list[n-1]
		same := before.resource == resource && before.reference == reference && before.job == job
		touches := at.from.Equal(before.at.to)
		if same && !at.from.Before(before.at.to) && (touches || cs.whole || cs.sameDay(before.at, at)) {
			before.at.to = at.to
			before.taken += at.to.Sub(at.from)
			if !touches {
				before.parts++
			}
			return
		}
	}
	cs.list = append(cs.list, claim{resource, reference, job, at, at.to.Sub(at.from), 1})
}

// sameDay tells whether two stretches lie within one day.
func (cs *claims) sameDay(a, b stretch) bool {
	return dateOf(a.from.In(cs.clock.zone)) == dateOf(b.to.In(cs.clock.zone))
}

// claimsOf gathers bookings, which come by resource and start.
func claimsOf(c clock, list []*bayholdv1.Booking) []claim {
	cs := claims{clock: c}
	for _, b := range list {
		cs.add(b.GetResource(), b.GetReference(), b.GetJob(), b.GetDuring().GetStart(), b.GetDuring().GetEnd())
	}
	return cs.list
}

// plannedClaims gathers the bookings that a plan would write for one sort of
// resource: by day, or whole.
func plannedClaims(c clock, p *bayholdv1.Plan, sort string, whole bool) []claim {
	cs := claims{clock: c, whole: whole}
	for _, b := range p.GetBookings() {
		if collection(b.GetResource()) == sort {
			cs.add(b.GetResource(), "", "", b.GetStartTime(), b.GetEndTime())
		}
	}
	return cs.list
}

// claimTable lists claims; each resource is named once.
func claimTable(c clock, list []claim) table {
	t := table{cols: []column{{title: "resource", wrap: true, once: true}, {title: "from"}, {title: "until"}, {title: "taken for", wrap: true}}}
	before := ""
	for _, cl := range list {
		taken := hours(cl.taken)
		if cl.parts > 1 {
			taken += fmt.Sprintf(" in %d parts", cl.parts)
		}
		name := id(cl.resource)
		if cl.resource == before {
			name = ""
		}
		before = cl.resource
		t.add(name, c.show(cl.at.from), c.show(cl.at.to), taken)
	}
	return t
}
