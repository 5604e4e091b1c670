package workshop

import (
	"context"
	"fmt"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Booked is a job and its bookings, as written.
type Booked struct {
	Job      site.Job
	Bookings []site.Booking
}

// Reservation asks for resources for a time without a procedure.
type Reservation struct {
	Reference string
	Refs      []Ref
	During    hours.Range
	State     site.BookingState
	ExpiresAt time.Time
	Note      string
}

func (r Reservation) check(now time.Time) error {
	var fs fault.Fields
	checkText(&fs, "reference", r.Reference, true)
	checkText(&fs, "note", r.Note, false)
	checkRange(&fs, "during", r.During.Start, r.During.End)
	checkStanding(&fs, r.State, r.ExpiresAt, now)
	if len(r.Refs) == 0 || len(r.Refs) > maxResources {
		fs.Add("resources", "must be 1 to %d", maxResources)
	}
	seen := map[Ref]bool{}
	for i, ref := range r.Refs {
		if seen[ref] {
			fs.Add(fmt.Sprintf("resources[%d]", i), "%s is named twice", ref.ID)
		}
		seen[ref] = true
	}
	return fs.Err("RESERVATION", "the reservation cannot be used")
}

// Reserve books resources for a time, all or none. LostRace with the bookings
// in the way; Precondition if a closure, an absence, a condition or a
// calibration stands against it; Forbidden for whoever is only a technician and
// books another.
func (w *Workshop) Reserve(ctx context.Context, act Act, r Reservation) (Booked, error) {
	if err := r.check(w.Now()); err != nil {
		return Booked{}, err
	}
	for _, ref := range r.Refs {
		if ref.Kind != site.KindTechnician {
			continue
		}
		if err := access.OwnName(act.Caller, ref.ID); err != nil {
			return Booked{}, err
		}
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (Booked, error) {
		m, err := tx.LapseAndGather(ctx, r.Refs, store.Question{During: r.During, Refs: r.Refs, Bookings: len(r.Refs)})
		if err != nil {
			return Booked{}, err
		}
		y, err := newYard(m.State, r.During.Start, r.During.End)
		if err != nil {
			return Booked{}, err
		}
		bookings, err := y.reserve(r)
		if err != nil {
			return Booked{}, err
		}
		if err := store.InTheWay(bookings, m.Bookings); err != nil {
			return Booked{}, err
		}
		job := site.Job{
			Reference: r.Reference, State: r.State, Planned: r.During, ExpiresAt: r.ExpiresAt, Note: r.Note,
			ReservedBy: act.Caller.User,
		}
		return writeJob(ctx, tx, job, bookings, "job.reserved")
	})
}

// reserve makes the bookings, or says what stands against them besides other
// bookings. A technician is booked for the working hours within the time.
func (y *yard) reserve(r Reservation) ([]site.Booking, error) {
	var against fault.Fields
	var out []site.Booking
	whole := plan.Window{Start: 0, End: y.horizon}
	for i, ref := range y.refs {
		path := store.ResourceSubject(ref.Kind, ref.ID)
		for _, why := range y.holdable(int32(i), whole) {
			against.Add(path, "%s", y.sentence(why))
		}
		open := y.units[i].Open
		if len(open) == 0 {
			against.Add(path, "is not on shift at any time of it")
		}
		for _, stretch := range open {
			out = append(out, site.Booking{Kind: ref.Kind, Resource: ref.ID, During: y.rangeOf(stretch)})
		}
	}
	if len(against) > 0 {
		return nil, &fault.Error{
			Kind: fault.Precondition, Reason: "BLOCKED", Fields: against,
			Message: "not all of it can be had for that time; nothing was booked",
		}
	}
	return out, nil
}

// sentence says a reason to people.
func (y *yard) sentence(why reason) string {
	switch why.kind {
	case BlockerBooked:
		return fmt.Sprintf("is booked for %s until %s", why.reference, y.local(why.until))
	case BlockerClosed:
		return fmt.Sprintf("is closed (%s) until %s", why.text, y.local(why.until))
	case BlockerAbsent:
		return fmt.Sprintf("is absent (%s) until %s", why.text, y.local(why.until))
	case BlockerCondition:
		if why.until.IsZero() {
			return fmt.Sprintf("cannot be used: %s", why.text)
		}
		return fmt.Sprintf("cannot be used: %s, expected back %s", why.text, y.local(why.until))
	default:
		return why.text
	}
}

// writeJob writes a job with its bookings and notes the event.
func writeJob(ctx context.Context, tx *store.Tx, job site.Job, bookings []site.Booking, kind string) (Booked, error) {
	job, booked, err := tx.Book(ctx, job, false, bookings)
	if err != nil {
		return Booked{}, err
	}
	out := Booked{Job: job, Bookings: booked}
	tx.Log(bookedEvent(kind, out))
	return out, nil
}

func bookedEvent(kind string, b Booked) store.Event {
	return store.Event{Kind: kind, Subject: fmt.Sprintf("jobs/%d", b.Job.ID), Touched: store.Touching(b.Job.ID, b.Bookings...), Details: b}
}
