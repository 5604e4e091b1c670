package feed

import (
	"context"
	"slices"
	"sync"
	"time"

	"bayhold/internal/store"
)

// tailLength is how many events of a site are kept for those who follow it.
const tailLength = 1000

// tail is the end of a site's log, read once for all who follow the site: with
// some hundred of them, each reading for itself would leave the database no time
// for anything else.
type tail struct {
	mu      sync.Mutex
	events  []Event // every one from first on, in order
	first   int64   // revision of events[0], or of what will be there
	present int64   // they are all there are up to this
	told    int64   // how often a notification had come when it was read
	readAt  time.Time
}

// tailOf is the tail of a site that has readers, and how often a notification
// came for it.
func (f *Feed) tailOf(key int64) (*tail, int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	t := f.tails[key]
	if t == nil {
		t = &tail{told: -1}
		if len(f.readers[key]) > 0 {
			f.tails[key] = t
		}
	}
	return t, f.told[key]
}

// after gives the events after a revision, and the revision up to which they are
// all there are. False if the tail does not go back so far. It reads the log if
// something has come since, or if it was not read for as long as a lost
// notification may delay an event.
func (t *tail) after(ctx context.Context, s *store.Store, site string, told, revision int64) ([]Event, int64, bool, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.told < told || time.Since(t.readAt) >= poll {
		if err := t.read(ctx, s, site, told); err != nil {
			return nil, 0, false, err
		}
	}
	if revision+1 < t.first || revision > t.present {
		return nil, 0, false, nil
	}
	return slices.Clone(t.events[revision+1-t.first:]), t.present, true, nil
}

// read goes on where the tail ends. At first it begins with the present.
func (t *tail) read(ctx context.Context, s *store.Store, site string, told int64) error {
	began := time.Now()
	err := s.View(ctx, site, func(ctx context.Context, v store.Reader) error {
		now, err := v.Site(ctx)
		if err != nil {
			return err
		}
		if t.told < 0 || now.Revision > t.present+batch || now.Revision < t.present {
			t.events, t.first, t.present = nil, now.Revision+1, now.Revision
			return nil
		}
		events, err := v.Events(ctx, store.EventFilter{After: t.present, Limit: batch})
		if err != nil {
			return err
		}
		t.events, t.present = append(t.events, events...), now.Revision
		return nil
	})
	if err != nil {
		return err
	}
	if over := len(t.events) - tailLength; over > 0 {
		t.events = slices.Clone(t.events[over:])
		t.first = t.events[0].Revision
	}
	t.told, t.readAt = told, began
	return nil
}

// touch keeps the events that touch one of the names; all without names.
func touch(events []Event, names []string) []Event {
	if len(names) == 0 {
		return events
	}
	return slices.DeleteFunc(events, func(e Event) bool {
		return !slices.ContainsFunc(e.Touched, func(name string) bool { return slices.Contains(names, name) })
	})
}
