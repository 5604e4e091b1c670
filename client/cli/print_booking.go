package cli

import (
	"cmp"
	"fmt"
	"io"
	"slices"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// bookingTable lists bookings.
func bookingTable(c clock, list []*bayholdv1.Booking) table {
	t := table{cols: []column{
		{title: "booking", drop: 1},
		{title: "resource", wrap: true},
		{title: "from"},
		{title: "until"},
		{title: "reference", wrap: true},
		{title: "state"},
	}}
	for _, b := range list {
		d := b.GetDuring()
		t.add(id(b.GetName()), id(b.GetResource()), c.at(d.GetStart()), c.at(d.GetEnd()),
			b.GetReference(), stateWord(b.GetState()))
	}
	return t
}

// stateWord gives the word for a booking state.
func stateWord(s bayholdv1.BookingState) string { return enumWord(s.String(), "BOOKING_STATE_") }

func (a *app) printBooking(w io.Writer, c clock, b *bayholdv1.Booking) {
	steps := ""
	for i, s := range b.GetSteps() {
		if i > 0 {
			steps += "\n"
		}
		steps += s
	}
	writeTable(w, facts(
		[2]string{"Booking", id(b.GetName())},
		[2]string{"Resource", id(b.GetResource())},
		[2]string{"When", c.rangeOf(b.GetDuring())},
		[2]string{"State", stateWord(b.GetState())},
		[2]string{"Lapses", c.at(b.GetExpireTime())},
		[2]string{"Job", id(b.GetJob())},
		[2]string{"Reference", b.GetReference()},
		[2]string{"Steps", steps},
	), a.width())
}

// heldTable lists the bookings that won a race. Without a site to go by, times
// are shown as the server's own, in UTC.
func (a *app) heldTable(held []*bayholdv1.Holding) table {
	cs := claims{clock: a.anyClock(), whole: true}
	for _, h := range held {
		cs.add(h.GetResource(), h.GetReference(), h.GetJob(), h.GetStart(), h.GetEnd())
	}
	t := table{cols: []column{
		{title: "resource", wrap: true}, {title: "from"}, {title: "until"}, {title: "for", wrap: true}, {title: "job", drop: 1},
	}}
	for _, cl := range cs.list {
		t.add(id(cl.resource), cs.clock.show(cl.at.from), cs.clock.show(cl.at.to), cl.reference, id(cl.job))
	}
	return t
}

// byResource sorts bookings as claims want them: bays, technicians and tools,
// each by name and start.
func byResource(list []*bayholdv1.Booking) []*bayholdv1.Booking {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b *bayholdv1.Booking) int {
		return cmp.Or(cmp.Compare(a.GetResource(), b.GetResource()),
			a.GetDuring().GetStart().AsTime().Compare(b.GetDuring().GetStart().AsTime()))
	})
	return list
}

// printReserved says what was reserved.
func (a *app) printReserved(w io.Writer, c clock, resp *bayholdv1.ReserveResponse) {
	names := make([]string, 0, len(resp.GetBookings()))
	var during *bayholdv1.TimeRange // the same for all of them
	for _, b := range resp.GetBookings() {
		names, during = append(names, b.GetResource()), b.GetDuring()
	}
	writeText(w, fmt.Sprintf("Reserved for %s: %s, %s.", resp.GetJob().GetReference(), ids(names), c.rangeOf(during)), a.width())
	a.printStanding(w, c, resp.GetJob())
	fmt.Fprintln(w)
	writeTable(w, bookingTable(c, resp.GetBookings()), a.width())
}

// printStanding says what a job's state means and what can be done next.
func (a *app) printStanding(w io.Writer, c clock, j *bayholdv1.Job) {
	switch j.GetState() {
	case bayholdv1.BookingState_BOOKING_STATE_TENTATIVE:
		fmt.Fprintf(w, "Tentative: it lapses %s unless confirmed.\n", c.at(j.GetExpireTime()))
		fmt.Fprintf(w, "Confirm:   %s\n", a.again("job", "confirm", id(j.GetName())))
		fmt.Fprintf(w, "Give up:   %s\n", a.again("job", "cancel", id(j.GetName())))
	case bayholdv1.BookingState_BOOKING_STATE_CONFIRMED:
		fmt.Fprintf(w, "Confirmed as job %s.\n", id(j.GetName()))
	case bayholdv1.BookingState_BOOKING_STATE_CANCELLED:
		fmt.Fprintf(w, "Job %s is cancelled; it holds nothing any more.\n", id(j.GetName()))
	}
}
