package workshop

import (
	"context"
	"fmt"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
	"bayhold/internal/store"
)

// toBook is a standing booking that is to be written.
type toBook struct {
	file     sitefile.StandingBooking
	bookings []site.Booking
	before   []site.Job     // those of its reference that stand
	had      []site.Booking // what they hold
}

// putBookings writes standing bookings. The reference is the key: the same one
// with other times or resources takes the place of the one before. What stands
// in the way is told for all of them at once, each at its place in the files.
func (i *importer) putBookings(ctx context.Context, files *sitefile.Workshop) error {
	c := i.count("standing booking")
	if len(files.Bookings) == 0 {
		return nil
	}
	var all []toBook
	var refs []Ref
	for _, b := range files.Bookings {
		t, err := i.readStanding(ctx, b)
		if err != nil {
			return err
		}
		if t == nil {
			c.Unchanged++
			continue
		}
		all = append(all, *t)
		refs = append(refs, store.RefsOf(t.bookings)...)
	}
	if len(all) == 0 {
		return nil
	}
	if err := i.tx.Lapse(ctx, refs); err != nil {
		return err
	}
	for _, t := range all {
		for _, old := range t.before {
			if _, err := changeState(ctx, i.tx, old, site.Cancelled, "job.replaced", "replaced by what was imported"); err != nil {
				return err
			}
		}
	}
	if err := i.checkFree(ctx, all, refs); err != nil {
		return err
	}
	for _, t := range all {
		job := site.Job{Reference: t.file.Reference, Note: t.file.Note, State: t.file.State, ExpiresAt: t.file.ExpiresAt, Planned: spanOf(t.bookings)}
		if err := i.tx.Claim(ctx, t.bookings); err != nil {
			return err
		}
		job, booked, err := i.tx.Book(ctx, job, true, t.bookings)
		if err != nil {
			return err
		}
		i.tx.Log(bookedEvent("job.reserved", Booked{Job: job, Bookings: booked}))
		if len(t.before) > 0 {
			c.Changed++
		} else {
			c.Added++
		}
		i.note(ImportChange{Kind: c.Kind, ID: t.file.Reference, Added: len(t.before) == 0,
			Fields: sitefile.Differ(t.words(i.zone), sitefile.BookingWords(t.file, i.zone))})
	}
	return nil
}

// readStanding compares a booking of the files with what stands under its
// reference; nil if it stands as it is.
func (i *importer) readStanding(ctx context.Context, b sitefile.StandingBooking) (*toBook, error) {
	t := &toBook{file: b}
	for _, each := range b.Claims {
		t.bookings = append(t.bookings, site.Booking{Kind: each.Kind, Resource: each.Resource, During: each.During})
	}
	var err error
	if t.before, err = i.tx.Jobs(ctx, store.JobFilter{Imported: b.Reference, Now: i.tx.Now()}); err != nil {
		return nil, err
	}
	for _, old := range t.before {
		had, err := i.tx.Bookings(ctx, store.BookingFilter{Job: old.ID, Now: i.tx.Now()})
		if err != nil {
			return nil, err
		}
		if old.Note == b.Note && old.State == b.State && old.ExpiresAt.Equal(b.ExpiresAt) && same(claims(had), claims(t.bookings)) {
			return nil, nil
		}
		t.had = append(t.had, had...)
	}
	return t, nil
}

// words says what stood before.
func (t toBook) words(zone *time.Location) []sitefile.Word {
	if len(t.before) == 0 {
		return nil
	}
	was := sitefile.StandingBooking{State: t.before[0].State, ExpiresAt: t.before[0].ExpiresAt, Note: t.before[0].Note}
	for _, b := range t.had {
		was.Claims = append(was.Claims, sitefile.Claim{Kind: b.Kind, Resource: b.Resource, During: b.During})
	}
	return sitefile.BookingWords(was, zone)
}

// checkFree refuses what others hold. PostgreSQL judges in the end; this tells
// of all of it at once, and where it stands.
func (i *importer) checkFree(ctx context.Context, all []toBook, refs []Ref) error {
	var every []site.Booking
	for _, t := range all {
		every = append(every, t.bookings...)
	}
	standing, err := i.tx.Bookings(ctx, store.BookingFilter{During: spanOf(every), Refs: refs, Now: i.tx.Now()})
	if err != nil {
		return err
	}
	held := make(map[Ref][]site.Booking)
	for _, b := range standing {
		ref := Ref{Kind: b.Kind, ID: b.Resource}
		held[ref] = append(held[ref], b)
	}
	lost := &fault.Error{
		Kind: fault.LostRace, Reason: "BOOKED",
		Message: "others hold what the files would book: nothing was changed; take other times or resources",
	}
	seen := make(map[int64]bool)
	for _, t := range all {
		for _, c := range t.file.Claims {
			for _, b := range held[Ref{Kind: c.Kind, ID: c.Resource}] {
				if !b.During.Overlaps(c.During) || len(lost.Fields) >= maxInTheWay {
					continue
				}
				lost.Fields = append(lost.Fields, fault.Field{Path: c.Place, Message: fmt.Sprintf("%s is booked for %s from %s until %s",
					c.Resource, b.Reference, momentIn(b.During.Start, i.zone), momentIn(b.During.End, i.zone))})
				if !seen[b.ID] {
					lost.Held = append(lost.Held, holdingOf(b))
				}
				seen[b.ID] = true
			}
		}
	}
	if len(lost.Fields) > 0 {
		return lost
	}
	return nil
}

// maxInTheWay bounds how many bookings in the way are told.
const maxInTheWay = 100

func momentIn(t time.Time, zone *time.Location) string { return t.In(zone).Format("2006-01-02 15:04") }

// spanOf is the time from the first to the last of bookings.
func spanOf(list []site.Booking) hours.Range {
	out := list[0].During
	for _, b := range list[1:] {
		out = cover(out, b.During)
	}
	return out
}

// claims is what bookings hold, for comparison.
func claims(list []site.Booking) map[string]bool {
	out := make(map[string]bool, len(list))
	for _, b := range list {
		out[fmt.Sprintf("%s %d %d", store.ResourceSubject(b.Kind, b.Resource), b.During.Start.Unix(), b.During.End.Unix())] = true
	}
	return out
}

// holdingOf tells of a booking in the way as the store does.
func holdingOf(b site.Booking) fault.Holding {
	return fault.Holding{
		Booking: fmt.Sprintf("bookings/%d", b.ID), Resource: store.ResourceSubject(b.Kind, b.Resource),
		Job: fmt.Sprintf("jobs/%d", b.Job), Reference: b.Reference, Start: b.During.Start, End: b.During.End,
	}
}
