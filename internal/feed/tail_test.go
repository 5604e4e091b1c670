package feed

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"pgregory.net/rapid"

	"bayhold/internal/fault"
	"bayhold/internal/pgtest"
	"bayhold/internal/store"
)

// many writes events in one transaction, and notifies nobody.
func many(t *testing.T, db *pgtest.DB, n int) {
	t.Helper()
	_, err := db.Pool(t).Exec(t.Context(), `INSERT INTO event (site_id, at, actor, kind, subject, touched, request_id, details)
		SELECT site_id, now(), 'ada', 'test.said', 'jobs/' || g, ARRAY['jobs/' || g], gen_random_uuid(), '{}' FROM site, generate_series(1, $1::int) g`, n)
	if err != nil {
		t.Fatal(err)
	}
}

// TestWhoIsSlow holds one follower fast in what it is told first, while more
// events come than are kept for all. Another one hears them meanwhile; and when
// the slow one is let go, it hears all of them too.
func TestWhoIsSlow(t *testing.T) {
	t.Parallel()
	s, f, db := quiet(t)
	const n = 3*tailLength + 17
	stuck, free := make(chan struct{}), make(chan struct{})
	var slow []int64
	var wg sync.WaitGroup
	enough := errors.New("enough")
	wg.Go(func() {
		var from int64
		first := true
		err := f.Follow(t.Context(), "north", &from, nil, func(told Told) error {
			for _, e := range told.Events {
				slow = append(slow, e.Revision)
			}
			if first && len(told.Events) > 0 {
				first = false
				close(stuck)
				<-free
			}
			if len(slow) == n {
				return enough
			}
			return nil
		})
		if !errors.Is(err, enough) {
			t.Error(err)
		}
	})
	say(t, s, "jobs/0")
	<-stuck
	many(t, db, n-2)
	say(t, s, "jobs/last")
	for i, e := range hear(t, f, 1, n-1) {
		if e.Revision != int64(i+2) {
			t.Fatalf("event %d of the other one has revision %d", i+2, e.Revision)
		}
	}
	tail := f.followed()[store.SiteKey("north")].now()
	if kept := len(tail.events); kept > tailLength || tail.first <= 2 {
		t.Errorf("%d events from %d on are kept: the slow one would not have to read the log", kept, tail.first)
	}
	close(free)
	wg.Wait()
	for i, r := range slow {
		if r != int64(i+1) {
			t.Fatalf("event %d of the slow one has revision %d", i+1, r)
		}
	}
}

// TestTheLogIsReadOnceForAll counts, at the driver, how often the log is read for
// many followers of one site.
func TestTheLogIsReadOnceForAll(t *testing.T) {
	t.Parallel()
	_, _, db := quiet(t)
	var reads counting
	s, err := store.OpenWith(t.Context(), db.URL, store.Options{Tracer: &reads})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	f := New(s, discard())
	const followers, events = 40, 50
	var ready, done sync.WaitGroup
	enough := errors.New("enough")
	for range followers {
		ready.Add(1)
		done.Go(func() {
			var heard int64
			first := true
			err := f.Follow(t.Context(), "north", nil, nil, func(told Told) error {
				if first {
					first = false
					ready.Done()
				}
				for _, e := range told.Events {
					if heard++; e.Revision != heard {
						return fmt.Errorf("hears %d, not %d", e.Revision, heard)
					}
				}
				if heard == events {
					return enough
				}
				return nil
			})
			if !errors.Is(err, enough) {
				t.Error(err)
			}
		})
	}
	ready.Wait()
	before := reads.n.Load()
	for range events {
		many(t, db, 1)
		f.wake(store.SiteKey("north"))
	}
	done.Wait()
	if n := reads.n.Load() - before; n > events+2 {
		t.Errorf("%d followers of %d events had the log read %d times", followers, events, n)
	}
}

// counting counts queries for events.
type counting struct{ n atomic.Int64 }

// TraceQueryStart hears of a query.
func (c *counting) TraceQueryStart(ctx context.Context, _ *pgx.Conn, q pgx.TraceQueryStartData) context.Context {
	c.count(q.SQL)
	return ctx
}

// TraceQueryEnd hears of its end.
func (c *counting) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// TraceBatchStart hears of a batch.
func (c *counting) TraceBatchStart(ctx context.Context, _ *pgx.Conn, b pgx.TraceBatchStartData) context.Context {
	for _, q := range b.Batch.QueuedQueries {
		c.count(q.SQL)
	}
	return ctx
}

// TraceBatchQuery hears of a query within one.
func (c *counting) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd hears of its end.
func (c *counting) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

func (c *counting) count(sql string) {
	if strings.Contains(sql, "FROM event") {
		c.n.Add(1)
	}
}

// TestOthersAreNotified sees that an act notifies other processes, and that a
// notification of another one wakes: this feed only listens, and polls not.
func TestOthersAreNotified(t *testing.T) {
	t.Parallel()
	s, _, db := quiet(t)
	key := store.SiteKey("north")
	ear, err := s.Connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = ear.Close(context.Background()) }()
	if _, err := ear.Exec(t.Context(), "LISTEN "+store.Channel); err != nil {
		t.Fatal(err)
	}
	say(t, s, "jobs/1")
	n, err := ear.WaitForNotification(t.Context())
	if err != nil || n.Payload != fmt.Sprint(key) {
		t.Fatalf("heard %v, %v", n, err)
	}

	f := New(s, discard())
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	ready := make(chan struct{})
	wg.Go(func() {
		<-ready
		for ctx.Err() == nil { // until it is heard: it may not listen yet
			if _, err := db.Pool(t).Exec(ctx, "SELECT pg_notify($1, $2)", store.Channel, fmt.Sprint(key)); err != nil {
				return
			}
			rest(ctx, 10*time.Millisecond)
		}
	})
	wg.Go(func() { _ = f.listen(ctx) })
	enough := errors.New("enough")
	err = f.Follow(ctx, "north", nil, nil, func(told Told) error {
		if len(told.Events) > 0 {
			return enough
		}
		if told.Revision == 1 {
			many(t, db, 1)
			close(ready)
		}
		return nil
	})
	if !errors.Is(err, enough) {
		t.Error(err)
	}
}

// TestALogThatLostItsEnd takes events away, as a database that was put back to an
// earlier state does: whoever heard them is told, and cannot go on after them.
func TestALogThatLostItsEnd(t *testing.T) {
	t.Parallel()
	s, f, db := quiet(t)
	for n := range 5 {
		say(t, s, fmt.Sprintf("jobs/%d", n))
	}
	owner, err := pgx.Connect(t.Context(), db.Owner)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = owner.Close(context.Background()) }()
	from := int64(3)
	err = f.Follow(t.Context(), "north", &from, nil, func(told Told) error {
		if told.Revision == 5 && len(told.Events) > 0 {
			for _, sql := range []string{"DELETE FROM event WHERE revision > 4", "UPDATE site_counter SET revision = 4"} {
				if _, err := owner.Exec(t.Context(), sql); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if fault.KindOf(err) != fault.Invalid || !strings.Contains(err.Error(), "lost its end") {
		t.Errorf("the follower is told %v", err)
	}
	after := int64(5)
	if err := f.Follow(t.Context(), "north", &after, nil, func(Told) error { return nil }); fault.KindOf(err) != fault.Invalid {
		t.Errorf("going on after an event that is lost: %v", err)
	}
}

// TestAnybodyHearsAll has a tail grow, and forget, in any way, and followers read
// it at any times: what they hear has no gap and no repetition, and only what is
// no longer kept do they have to read in the log.
func TestAnybodyHearsAll(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		start := rapid.Int64Range(0, 5).Draw(t, "start")
		tail := &tail{}
		tail.state.Store(&state{first: start + 1, present: start, next: make(chan struct{})})
		last := start
		cursors := []int64{start, start, start}
		t.Repeat(map[string]func(*rapid.T){
			"grow": func(t *rapid.T) {
				n := rapid.IntRange(0, batch).Draw(t, "events")
				size := rapid.SampledFrom([]int{1, 10_000}).Draw(t, "bytes")
				was, events := tail.now(), []Line(nil)
				for range n {
					last++
					events = append(events, Line{Revision: last, Details: make([]byte, size)})
				}
				tail.grow(own(events), last)
				select {
				case <-was.next:
				default:
					t.Fatal("nobody is woken")
				}
			},
			"beat": func(*rapid.T) { tail.beat() },
			"rest": func(*rapid.T) {
				tail.grew = tail.grew.Add(-2 * tailTime)
				tail.beat()
			},
			"read": func(t *rapid.T) {
				who := rapid.IntRange(0, len(cursors)-1).Draw(t, "who")
				s := tail.now()
				if cursors[who]+1 < s.first {
					cursors[who] = s.first - 1 // from the log
				}
				events, upTo := s.after(cursors[who], together)
				for _, e := range events {
					if cursors[who]++; e.Revision != cursors[who] {
						t.Fatalf("hears %d, not %d", e.Revision, cursors[who])
					}
				}
				if upTo != cursors[who] || len(events) > together || len(events) < together && upTo != last {
					t.Fatalf("%d events up to %d, of %d", len(events), upTo, last)
				}
			},
			"": func(t *rapid.T) {
				s := tail.now()
				size := 0
				for _, e := range s.events {
					size += len(e.Details)
				}
				if s.present != last || len(s.events) > tailLength || size > tailBytes || size != tail.bytes || int64(len(s.events)) != s.present-s.first+1 {
					t.Fatalf("%d events of %d bytes (%d) from %d to %d are kept, the last is %d", len(s.events), size, tail.bytes, s.first, s.present, last)
				}
			},
		})
	})
}
