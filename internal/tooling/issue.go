package tooling

import (
	"fmt"
	"slices"
	"time"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// Ask is the wish to hand a tool out.
type Ask struct {
	Tool       site.Tool
	Kind       site.ToolType
	Technician string         // who shall have it
	Now        time.Time      // the instant of the handing out
	Zone       *time.Location // for times in sentences
	Held       *site.Issue    // that is open; nil if it is on the shelf
	// Bookings are the tool's own that stand and have not ended, by start.
	Bookings []site.Booking
	// Job asks for it against that job's booking, Booking against that one; 0
	// each: against a booking of this day of a job that Serving names, else
	// without.
	Job, Booking int64
	// Serving are the jobs for which the technician is booked.
	Serving []int64
	// Without refuses to look for a booking.
	Without bool
	// Due is when it shall be back, if it is issued without a booking; zero:
	// End, which is the end of the technician's day.
	Due, End time.Time
}

// Grant says how a tool is handed out.
type Grant struct {
	Booking *site.Booking // against which; nil: without one
	Due     time.Time     // a whole minute
	// Next is the booking that ends it, where none was asked for; nil if the
	// end has another reason.
	Next *site.Booking
}

// Judge tells how a tool may be handed out, or every reason why not: each a
// sentence that goes on from the tool's asset tag.
//
// Against a booking it is due when that ends. Without one it may be had until
// somebody else's booking begins, and not at all while one runs.
func Judge(a Ask) (Grant, []string) {
	var g Grant
	var against []string
	if a.Held != nil {
		against = append(against, fmt.Sprintf("is out with %s since %s", a.Held.Technician, a.local(a.Held.IssuedAt)))
	}
	if a.Tool.Condition != site.Serviceable {
		against = append(against, "is "+condition(a.Tool))
	}
	if lack := Lacking(a.Tool.Missing, a.Tool.Damaged); lack != "" {
		against = append(against, "is not complete: "+lack)
	}
	var why string
	if b := a.chosen(); a.named() || b != nil {
		g, why = a.against(b)
	} else {
		g, why = a.without()
	}
	if why != "" {
		against = append(against, why)
	}
	switch {
	case !a.Kind.Calibrated || g.Due.IsZero() || calibration.Covers(a.Tool.CalibratedUntil, hours.Range{Start: a.Now, End: g.Due}):
	case a.Tool.CalibratedUntil.IsZero():
		against = append(against, "has no calibration")
	default:
		against = append(against, fmt.Sprintf("goes out of calibration %s, before it is due back %s", a.local(a.Tool.CalibratedUntil), a.local(g.Due)))
	}
	return g, against
}

func condition(t site.Tool) string {
	if t.ConditionNote == "" {
		return string(t.Condition)
	}
	return fmt.Sprintf("%s: %s", t.Condition, t.ConditionNote)
}

// named tells whether a booking was asked for.
func (a Ask) named() bool { return a.Job != 0 || a.Booking != 0 }

// chosen is the booking that the tool is handed out against: the first that has
// not ended of those that the wish names, or that the technician serves.
func (a Ask) chosen() *site.Booking {
	for i, b := range a.Bookings {
		if !b.During.End.After(a.Now) {
			continue
		}
		switch {
		case a.Booking != 0 && b.ID != a.Booking, a.Job != 0 && b.Job != a.Job:
			continue
		case !a.named() && (a.Without || b.State != site.Confirmed || !slices.Contains(a.Serving, b.Job)):
			continue
		case !a.named() && !b.During.Start.Before(a.End):
			return nil // of another day: whoever wants it until then names it
		}
		if !a.named() && a.inBetween(b) != nil {
			return nil // somebody else comes first
		}
		return &a.Bookings[i]
	}
	return nil
}

// inBetween is a booking of another job between now and the start of one.
func (a Ask) inBetween(of site.Booking) *site.Booking {
	for i, b := range a.Bookings {
		if b.Job != of.Job && b.During.End.After(a.Now) && b.During.Start.Before(of.During.Start) {
			return &a.Bookings[i]
		}
	}
	return nil
}

// against grants a tool against a booking; nil if there is none such.
func (a Ask) against(b *site.Booking) (Grant, string) {
	switch {
	case b == nil && a.Booking != 0:
		return Grant{}, fmt.Sprintf("has no booking %d that stands and has not ended", a.Booking)
	case b == nil:
		return Grant{}, fmt.Sprintf("is not booked for job %d, or no longer", a.Job)
	case b.State != site.Confirmed:
		return Grant{Booking: b, Due: b.During.End}, fmt.Sprintf("is booked for %s only tentatively: confirm job %d first", b.Reference, b.Job)
	}
	g := Grant{Booking: b, Due: b.During.End}
	if other := a.inBetween(*b); other != nil {
		return g, fmt.Sprintf("is booked for %s until %s, before the booking for %s begins", other.Reference, a.local(other.During.End), b.Reference)
	}
	return g, ""
}

// without grants a tool for as long as nobody else's booking suffers.
func (a Ask) without() (Grant, string) {
	g := Grant{Due: a.Due}
	if g.Due.IsZero() {
		g.Due = a.End
	}
	for i, b := range a.Bookings {
		if !b.During.End.After(a.Now) {
			continue
		}
		if !b.During.Start.After(a.Now.Add(time.Minute)) {
			return g, fmt.Sprintf("is booked for %s until %s: it can be had against that booking only", b.Reference, a.local(b.During.End))
		}
		if b.During.Start.Before(g.Due) {
			if !a.Due.IsZero() {
				return g, fmt.Sprintf("is booked for %s from %s: without a booking it can be had until then", b.Reference, a.local(b.During.Start))
			}
			g.Due, g.Next = b.During.Start, &a.Bookings[i]
		}
		break // the first that is to come is the one that counts
	}
	if !g.Due.After(a.Now) {
		return g, fmt.Sprintf("would be due back %s, which is not ahead", a.local(g.Due))
	}
	return g, ""
}

// local writes an instant as people of the site read it.
func (a Ask) local(t time.Time) string { return t.In(a.Zone).Format("Mon 2006-01-02 15:04") }

// NotIssuable is the fault of tools that may not be handed out: Precondition,
// with a field for each reason of each tool. The fields' paths are asset tags.
func NotIssuable(reasons fault.Fields) error {
	if len(reasons) == 0 {
		return nil
	}
	return &fault.Error{
		Kind: fault.Precondition, Reason: "NOT_ISSUABLE", Fields: reasons,
		Message: "not all of it can be handed out; nothing was",
	}
}
