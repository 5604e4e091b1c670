// Package feed tells the events of sites as they come: one connection a process
// listens, every reader reads the log. The log is the truth; a notification only
// wakes, so that one that is lost costs a moment and no event.
package feed

import (
	"context"
	"log/slog"
	"strconv"
	"sync"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/measure"
	"bayhold/internal/store"
)

// Pace of a feed.
const (
	batch     = 500             // events read at once
	poll      = 2 * time.Second // how long a lost notification can delay an event
	heartbeat = 10 * time.Second
	firstWait = 100 * time.Millisecond // before listening again
	maxWait   = 5 * time.Second
)

// Event is a line of a site's log.
type Event = store.LoggedEvent

// Told is an event, or a heartbeat without one.
type Told struct {
	Revision int64 // ask again after it
	Event    *Event
}

// Feed wakes the readers of a database's logs.
type Feed struct {
	store *store.Store
	log   *slog.Logger

	mu      sync.Mutex
	readers map[int64]map[chan struct{}]bool // by site key
	tails   map[int64]*tail                  // of sites that have readers
	told    map[int64]int64                  // how often a notification came
}

// New makes a Feed; it tells nothing sooner than by polling until Run runs.
func New(s *store.Store, log *slog.Logger) *Feed {
	return &Feed{store: s, log: log, readers: map[int64]map[chan struct{}]bool{}, tails: map[int64]*tail{}, told: map[int64]int64{}}
}

// Run listens until ctx ends, on a connection of its own that is made anew
// whenever it breaks.
func (f *Feed) Run(ctx context.Context) {
	wait := firstWait
	for ctx.Err() == nil {
		began := time.Now()
		err := f.listen(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > maxWait {
			wait = firstWait
		}
		f.log.WarnContext(ctx, "listening for events again", "after", wait.String(), "cause", err)
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, maxWait)
	}
}

// listen wakes readers until the connection breaks. Whoever waited while nobody
// listened is woken once it stands.
func (f *Feed) listen(ctx context.Context) error {
	conn, err := f.store.Connect(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, "LISTEN "+store.Channel); err != nil {
		return err
	}
	f.wakeAll()
	for {
		n, err := conn.WaitForNotification(ctx)
		if err != nil {
			return err
		}
		if key, err := strconv.ParseInt(n.Payload, 10, 64); err == nil {
			f.wake(key)
		}
	}
}

func (f *Feed) wake(key int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.nudgeAll(key)
}

func (f *Feed) wakeAll() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for key := range f.readers {
		f.nudgeAll(key)
	}
}

// nudgeAll nudges the readers of a site, whose log has grown. The caller holds
// the lock.
func (f *Feed) nudgeAll(key int64) {
	if len(f.readers[key]) == 0 {
		return
	}
	f.told[key]++
	for c := range f.readers[key] {
		nudge(c)
	}
}

// nudge wakes a reader that may be awake already.
func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// subscribe gives a channel that is nudged with the events of a site.
func (f *Feed) subscribe(key int64) (woken <-chan struct{}, leave func()) {
	c := make(chan struct{}, 1)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.readers[key] == nil {
		f.readers[key] = map[chan struct{}]bool{}
	}
	f.readers[key][c] = true
	return c, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.readers[key], c)
		if len(f.readers[key]) == 0 {
			delete(f.readers, key)
			delete(f.tails, key)
			delete(f.told, key)
		}
	}
}

// Follow tells the events of a site after a revision, each once and in order,
// and goes on with what comes, until ctx ends or tell fails. A nil after begins
// with the present. With touching it tells only events that touch one of these
// ("jobs/12"). First it tells the revision that it begins after; when nothing
// happens, the present one now and then.
// A reader that is slow holds up nobody and misses nothing: what is no longer in
// the tail that all share, it reads from the log.
func (f *Feed) Follow(ctx context.Context, site string, after *int64, touching []string, tell func(Told) error) error {
	woken, leave := f.subscribe(store.SiteKey(site))
	defer leave()
	r := follower{feed: f, site: site, touching: touching, tell: tell}
	if err := r.begin(ctx, after); err != nil {
		return err
	}
	if err := tell(Told{Revision: r.cursor}); err != nil {
		return err
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	look := time.NewTicker(poll)
	defer look.Stop()
	for {
		if err := r.catchUp(ctx); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-woken:
		case <-look.C:
		case <-beat.C:
			if err := tell(Told{Revision: r.cursor}); err != nil {
				return err
			}
		}
	}
}

// follower is one reader's way through a log.
type follower struct {
	feed     *Feed
	site     string
	touching []string
	tell     func(Told) error
	cursor   int64
	live     bool // all that is told is new: the past has been caught up with
}

func (r *follower) begin(ctx context.Context, after *int64) error {
	return r.feed.store.View(ctx, r.site, func(ctx context.Context, v store.Reader) error {
		now, err := v.Site(ctx)
		if err != nil {
			return err
		}
		r.cursor = now.Revision
		if after == nil {
			return nil
		}
		if *after < 0 || *after > now.Revision {
			var fs fault.Fields
			fs.Add("after_revision", "is %d, and the site's last revision is %d: ask from there, and read anew what you keep", *after, now.Revision)
			return fs.Err("REVISION", "there is no such revision")
		}
		r.cursor = *after
		return nil
	})
}

// catchUp tells everything up to the present.
func (r *follower) catchUp(ctx context.Context) error {
	for {
		events, present, err := r.read(ctx)
		if err != nil {
			return err
		}
		for i := range events {
			if err := r.tell(Told{Revision: events[i].Revision, Event: &events[i]}); err != nil {
				return err
			}
			if r.live {
				measure.Took(ctx, measure.FeedLag, time.Since(events[i].At), "")
			}
			r.cursor = events[i].Revision
		}
		if len(events) < batch {
			r.cursor, r.live = present, true
			return nil
		}
	}
}

// read reads the next events and the revision up to which they are all there
// are. No transaction stands open while they are told.
func (r *follower) read(ctx context.Context) (events []Event, present int64, err error) {
	t, told := r.feed.tailOf(store.SiteKey(r.site))
	events, present, ok, err := t.after(ctx, r.feed.store, r.site, told, r.cursor)
	if err != nil || ok {
		return touch(events, r.touching), present, err
	}
	err = r.feed.store.View(ctx, r.site, func(ctx context.Context, v store.Reader) error {
		now, err := v.Site(ctx)
		if err != nil {
			return err
		}
		present = now.Revision
		events, err = v.Events(ctx, store.EventFilter{After: r.cursor, Touching: r.touching, Limit: batch})
		return err
	})
	return events, present, err
}
