package feed

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/measure"
)

// together is how many events a follower is told at once at the most: so many,
// and no more, does one who is slow keep from being forgotten.
const together = 100

// Told are the events that lead up to a revision, in order; or none, for a
// heartbeat.
type Told struct {
	Revision int64 // ask again after it
	Events   []*Event
}

// Follow tells the events of a site after a revision, each once and in order,
// and goes on with what comes, until ctx ends or tell fails. A nil after begins
// with the present. With touching it tells only events that touch one of these
// ("jobs/12"). First it tells the revision that it begins after; when nothing
// happens, the present one now and then.
// A reader that is slow holds up nobody and misses nothing.
//
// Invalid if there is no such revision, or if a log turns out to have lost its
// end; Unavailable if the database does not answer for a while.
func (f *Feed) Follow(ctx context.Context, site string, after *int64, touching []string, tell func(Told) error) error {
	present, err := f.store.Revision(ctx, site)
	if err != nil {
		return err
	}
	r := follower{feed: f, site: site, touching: touching, tell: tell, cursor: present}
	if after != nil {
		if *after < 0 || *after > present {
			var fs fault.Fields
			fs.Add("after_revision", "is %d, and the site's last revision is %d: ask from there, and read anew what you keep", *after, present)
			return fs.Err("REVISION", "there is no such revision")
		}
		r.cursor = *after
	}
	// A tail is not begun so far back that its own end would fall out of it.
	t, leave := f.join(site, max(r.cursor, present-tailLength))
	defer leave()
	if err := tell(Told{Revision: r.cursor}); err != nil {
		return err
	}
	return r.follow(ctx, t)
}

// follower is one reader's way through a log.
type follower struct {
	feed     *Feed
	site     string
	touching []string
	tell     func(Told) error
	cursor   int64
}

func (r *follower) follow(ctx context.Context, t *tail) error {
	beats := t.now().beats
	for ctx.Err() == nil {
		s := t.now()
		var err error
		switch {
		case s.err != nil:
			return s.err
		case r.cursor+1 < s.first:
			err = r.fromLog(ctx)
		case r.cursor < s.present:
			err = r.fromTail(ctx, s)
		case beats != s.beats:
			beats = s.beats
			err = r.tell(Told{Revision: r.cursor})
		default:
			select {
			case <-ctx.Done():
			case <-s.next:
			}
		}
		if err != nil {
			return err
		}
	}
	return ctx.Err()
}

// fromTail tells what comes next of what is kept for all.
func (r *follower) fromTail(ctx context.Context, s *state) error {
	events, upTo := s.after(r.cursor, together)
	// A copy, since telling may take long: of all that is kept, no more than this
	// is held meanwhile.
	events = r.touched(slices.Clone(events))
	if len(events) > 0 {
		measure.Took(ctx, measure.FeedLag, time.Since(events[0].At), "")
		if err := r.tell(Told{Revision: upTo, Events: events}); err != nil {
			return err
		}
	}
	r.cursor = upTo
	return nil
}

// fromLog tells what comes next in the log, read for this one alone.
func (r *follower) fromLog(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case r.feed.catch <- struct{}{}:
	}
	logged, present, err := r.feed.store.LogAfter(ctx, r.site, r.cursor, r.touching, batch)
	<-r.feed.catch
	switch {
	case err != nil:
		return err
	case present < r.cursor:
		return shorter(r.cursor, present)
	case len(logged) == batch:
		present = logged[batch-1].Revision
	}
	events := own(logged)
	for len(events) > together {
		if err := r.tell(Told{Revision: events[together-1].Revision, Events: events[:together]}); err != nil {
			return err
		}
		events = events[together:]
	}
	if len(events) > 0 {
		if err := r.tell(Told{Revision: present, Events: events}); err != nil {
			return err
		}
	}
	r.cursor = present
	return nil
}

// touched keeps the events that touch what the follower asks for.
func (r *follower) touched(events []*Event) []*Event {
	if len(r.touching) == 0 {
		return events
	}
	return slices.DeleteFunc(events, func(e *Event) bool {
		return !slices.ContainsFunc(e.Touched, func(name string) bool { return slices.Contains(r.touching, name) })
	})
}
