package feed

import (
	"context"
	"slices"
	"sort"
	"sync"
	"sync/atomic"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/store"
)

// What is kept of a log's end: no more events than this, no more bytes of their
// details, and nothing once no event has come for a while.
const (
	tailLength = 1000
	tailBytes  = 4 << 20
	tailTime   = time.Minute
)

// Line is an event as it stands in a site's log.
type Line = store.LoggedEvent

// Event is a line of a site's log, the same one for all who hear it. Nobody
// changes it.
type Event struct {
	Line
	once sync.Once
	made any
}

// Made gives what from makes of the event, made once for all who ask; they ask
// for the same.
func (e *Event) Made(from func(*Line) any) any {
	e.once.Do(func() { e.made = from(&e.Line) })
	return e.made
}

func own(events []Line) []*Event {
	out := make([]*Event, len(events))
	for i := range events {
		out[i] = &Event{Line: events[i]}
	}
	return out
}

// tail is the end of a site's log, read once for all who follow the site.
type tail struct {
	store   *store.Store
	site    string
	readers atomic.Int64 // changed under the feed's lock
	woken   chan struct{}
	end     context.CancelFunc

	mu    sync.Mutex // of those who change the state
	state atomic.Pointer[state]
	bytes int       // of details in state.events
	grew  time.Time // when the last event came
}

// state is how a tail was at one time. It never changes; next is closed when
// there is another one.
type state struct {
	events  []*Event
	first   int64 // all events from this revision on up to present are here
	present int64
	beats   int   // heartbeats so far
	err     error // why the tail has ended
	next    chan struct{}
}

// newTail makes a tail that begins after a revision, and reads on.
func newTail(s *store.Store, site string, revision int64) *tail {
	ctx, end := context.WithCancel(context.Background())
	t := &tail{store: s, site: site, woken: make(chan struct{}, 1), end: end}
	t.state.Store(&state{first: revision + 1, present: revision, next: make(chan struct{})})
	t.nudge()
	go t.run(ctx)
	return t
}

// now is the state as it is now.
func (t *tail) now() *state { return t.state.Load() }

// nudge has the log looked at.
func (t *tail) nudge() {
	select {
	case t.woken <- struct{}{}:
	default: // it will be anyway
	}
}

// run reads on until ctx ends or the log cannot be read.
func (t *tail) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.woken:
		}
		if err := t.persist(ctx); err != nil {
			if ctx.Err() == nil {
				t.fail(err)
			}
			return
		}
		rest(ctx, min(longest, gather+perReader*time.Duration(t.readers.Load())))
	}
}

// persist reads up to the present, again for a while if the database does not
// answer: it may just be restarting.
func (t *tail) persist(ctx context.Context) error {
	wait := firstWait
	for began := time.Now(); ; {
		err := t.read(ctx)
		if err == nil || fault.KindOf(err) != fault.Unavailable || time.Since(began) > patience || ctx.Err() != nil {
			return err
		}
		rest(ctx, wait)
		wait = min(2*wait, maxWait)
	}
}

// read reads up to the present.
func (t *tail) read(ctx context.Context) error {
	for {
		was := t.now().present
		events, present, err := t.store.LogAfter(ctx, t.site, was, nil, batch)
		if err != nil {
			return err
		}
		if present < was {
			return shorter(was, present)
		}
		if len(events) < batch {
			t.grow(own(events), present)
			return nil
		}
		t.grow(own(events), events[batch-1].Revision)
	}
}

// shorter says that a log has lost its end: a database was put back, or a standby
// took over that had not got everything.
func shorter(had, has int64) error {
	var fs fault.Fields
	fs.Add("after_revision", "revision %d was told, and the site's last revision is now %d: ask from there, and read anew what you keep", had, has)
	return fs.Err("REVISION", "the site's log has lost its end: the database was put back to an earlier state")
}

// grow adds events that lead up to a revision.
func (t *tail) grow(events []*Event, present int64) {
	t.change(func(s *state) {
		s.present = present
		if len(events) == 0 {
			return
		}
		t.grew = time.Now()
		// Whoever has the old state does not look beyond its end.
		s.events = append(s.events, events...)
		for _, e := range events {
			t.bytes += len(e.Details)
		}
		keep := 0
		for over := len(s.events) - tailLength; keep < len(s.events) && (keep < over || t.bytes > tailBytes); keep++ {
			t.bytes -= len(s.events[keep].Details)
		}
		if keep > 0 {
			s.first = s.events[keep-1].Revision + 1
			s.events = slices.Clone(s.events[keep:])
		}
	})
}

// beat has a heartbeat told, and forgets what has been heard long ago.
func (t *tail) beat() {
	t.change(func(s *state) {
		s.beats++
		if time.Since(t.grew) > tailTime {
			s.events, s.first, t.bytes = nil, s.present+1, 0
		}
	})
}

// fail ends all who follow.
func (t *tail) fail(err error) {
	t.change(func(s *state) { s.err = err })
}

// change makes a new state of the present one, and wakes who waits for it. After
// a failure nothing changes any more.
func (t *tail) change(how func(*state)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	old := t.now()
	if old.err != nil {
		return
	}
	s := *old
	s.next = make(chan struct{})
	how(&s)
	t.state.Store(&s)
	close(old.next)
}

// after gives the events after a revision, at most so many, and the revision up
// to which they are all there are. The state must go back so far.
func (s *state) after(revision int64, most int) ([]*Event, int64) {
	from := sort.Search(len(s.events), func(i int) bool { return s.events[i].Revision > revision })
	if len(s.events)-from > most {
		return s.events[from : from+most], s.events[from+most-1].Revision
	}
	return s.events[from:], s.present
}
