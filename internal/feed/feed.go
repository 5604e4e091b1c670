// Package feed tells the events of sites as they come. The log is the truth; a
// notification only wakes, so that one that is lost costs a moment and no event.
//
// One connection a process listens, and one reader a site reads the end of its
// log for all who follow it, some events at a time rather than each by itself.
// Whoever falls behind what is kept of that end reads the log on their own until
// they have caught up.
package feed

import (
	"context"
	"log/slog"
	"strconv"
	"sync"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/store"
)

// Pace of a feed.
const (
	batch     = 500                   // events read at once
	gather    = 10 * time.Millisecond // from one look at a log to the next: what comes meanwhile comes together
	perReader = 50 * time.Microsecond // so much longer for each who follows: to tell them all takes time
	longest   = 50 * time.Millisecond // but no longer
	poll      = 2 * time.Second       // how long a lost notification can delay an event
	heartbeat = 5                     // so many polls
	patience  = 10 * time.Second      // how long followers wait for a database that does not answer
	firstWait = 100 * time.Millisecond
	maxWait   = 5 * time.Second // before listening again
)

// catchers is how many followers read a log on their own at the same time: there
// must be connections left for acts.
const catchers = 3

// Feed wakes the readers of a database's logs.
type Feed struct {
	store *store.Store
	log   *slog.Logger
	catch chan struct{} // those who read on their own

	mu    sync.Mutex
	tails map[int64]*tail // of sites that are followed, by their keys
}

// New makes a Feed. It tells nothing new unless Run runs.
func New(s *store.Store, log *slog.Logger) *Feed {
	return &Feed{store: s, log: log, catch: make(chan struct{}, catchers), tails: map[int64]*tail{}}
}

// Run wakes readers until ctx ends: for what this process wrote, for what others
// say that they wrote, and from time to time for whatever nobody told of.
func (f *Feed) Run(ctx context.Context) {
	var wg sync.WaitGroup
	wg.Go(func() { f.spread(ctx) })
	wg.Go(func() { f.pollAll(ctx) })
	defer wg.Wait()
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
		rest(ctx, wait)
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
	for _, t := range f.followed() {
		t.nudge()
	}
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

// spread wakes this process's readers for what it wrote itself, and notifies the
// other processes of it, once for all that was written meanwhile.
func (f *Feed) spread(ctx context.Context) {
	for ctx.Err() == nil {
		keys, err := f.store.News(ctx)
		if err != nil {
			return
		}
		f.wake(keys...)
		if err := f.store.Notify(ctx, keys); err != nil && ctx.Err() == nil {
			f.log.WarnContext(ctx, "other servers were not told of events: they find them by themselves", "after", poll.String(), "cause", err)
		}
		rest(ctx, gather)
	}
}

// pollAll asks now and then how far the logs of all followed sites have come, and
// has heartbeats told. When nobody can say for too long, it ends the followers:
// they could not know that they hear nothing.
func (f *Feed) pollAll(ctx context.Context) {
	tick := time.NewTicker(poll)
	defer tick.Stop()
	heard := time.Now()
	for n := 1; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		tails := f.followed()
		keys := make([]int64, 0, len(tails))
		for key := range tails {
			keys = append(keys, key)
		}
		ask, cancel := context.WithTimeout(ctx, patience)
		revisions, err := f.store.Revisions(ask, keys)
		cancel()
		if err == nil {
			heard = time.Now()
		}
		for key, t := range tails {
			switch {
			case err != nil && time.Since(heard) > patience && ctx.Err() == nil:
				t.fail(fault.New(fault.Unavailable, "DATABASE_AWAY", "the database does not answer: ask again in a moment, from the last revision that was told").Because(err))
			case err == nil && revisions[key] != t.now().present:
				t.nudge()
			case err == nil && n%heartbeat == 0:
				t.beat()
			}
		}
	}
}

func (f *Feed) wake(keys ...int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, key := range keys {
		if t := f.tails[key]; t != nil {
			t.nudge()
		}
	}
}

// followed are the tails of all sites that are followed.
func (f *Feed) followed() map[int64]*tail {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := make(map[int64]*tail, len(f.tails))
	for key, t := range f.tails {
		out[key] = t
	}
	return out
}

// join gives the tail of a site, of which revision is known to be there. The
// first who follows a site has its tail begin there; leave when done.
func (f *Feed) join(site string, revision int64) (t *tail, leave func()) {
	key := store.SiteKey(site)
	f.mu.Lock()
	defer f.mu.Unlock()
	t = f.tails[key]
	if t == nil || t.now().err != nil {
		t = newTail(f.store, site, revision)
		f.tails[key] = t
	}
	t.readers.Add(1)
	if t.now().present < revision {
		t.nudge()
	}
	return t, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		if t.readers.Add(-1) > 0 {
			return
		}
		t.end()
		if f.tails[key] == t {
			delete(f.tails, key)
		}
	}
}

// rest waits, or less if ctx ends.
func rest(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
