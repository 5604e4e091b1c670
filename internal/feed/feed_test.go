package feed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/goleak"

	"bayhold/internal/fault"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2031, 5, 14, 12, 0, 0, 0, time.UTC)

// quiet opens a store with the site "north", which has no event yet, and a feed
// that runs.
func quiet(t *testing.T) (*store.Store, *Feed, *pgtest.DB) {
	t.Helper()
	db := pgtest.New(t)
	s, err := store.Open(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	act(t, s, func(ctx context.Context, tx *store.Tx) error {
		return tx.PutSite(ctx, site.Site{ID: "north", Name: "North", TimeZone: "UTC"})
	})
	f := New(s, discard())
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { f.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		wg.Wait()
	})
	return s, f, db
}

func discard() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

func act(t *testing.T, s *store.Store, fn func(context.Context, *store.Tx) error) {
	t.Helper()
	req := store.Request{Site: "north", ID: uuid.New(), Method: "test", Actor: "ada", Now: noon, NewSite: true}
	_, err := store.Act(context.WithoutCancel(t.Context()), s, req, func(ctx context.Context, tx *store.Tx) (int, error) { return 0, fn(ctx, tx) })
	if err != nil {
		t.Error(err)
	}
}

func say(t *testing.T, s *store.Store, subject string) {
	t.Helper()
	act(t, s, func(_ context.Context, tx *store.Tx) error {
		tx.Log(store.Event{Kind: "test.said", Subject: subject, Details: map[string]string{"what": subject}})
		return nil
	})
}

// hear follows the site until it has heard n events, and gives those.
func hear(t *testing.T, f *Feed, after int64, n int, touching ...string) []Line {
	t.Helper()
	var out []Line
	enough := errors.New("enough")
	err := f.Follow(t.Context(), "north", &after, touching, func(told Told) error {
		for _, e := range told.Events {
			out = append(out, e.Line)
		}
		if len(out) >= n {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) {
		t.Fatal(err)
	}
	return out[:n]
}

func TestEveryEventOnceAndInOrder(t *testing.T) {
	t.Parallel()
	s, f, _ := quiet(t)
	const writers, each = 8, 100
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for n := range each {
				say(t, s, fmt.Sprintf("jobs/%d", w*each+n))
			}
		})
	}
	// Half of it is heard while it is written, the rest after a break.
	first := hear(t, f, 0, writers*each/2)
	rest := hear(t, f, first[len(first)-1].Revision, writers*each/2)
	wg.Wait()
	seen := map[string]bool{}
	for i, e := range append(first, rest...) {
		if e.Revision != int64(i+1) {
			t.Fatalf("event %d has revision %d", i+1, e.Revision)
		}
		seen[e.Subject] = true
	}
	if len(seen) != writers*each {
		t.Errorf("%d of %d subjects were heard", len(seen), writers*each)
	}
}

func TestOnlyWhatTouches(t *testing.T) {
	t.Parallel()
	s, f, _ := quiet(t)
	for _, subject := range []string{"jobs/1", "jobs/2", "jobs/1", "tools/LK-1"} {
		say(t, s, subject)
	}
	got := hear(t, f, 0, 3, "jobs/1", "tools/LK-1")
	if got[0].Revision != 1 || got[1].Revision != 3 || got[2].Revision != 4 {
		t.Errorf("heard %+v", got)
	}
	if got[2].Actor != "ada" || got[2].Kind != "test.said" || string(got[2].Details) != `{"what": "tools/LK-1"}` {
		t.Errorf("heard %+v", got[2])
	}
}

// TestABrokenConnectionLosesNothing ends the connection that listens, time and
// again, while events come.
func TestABrokenConnectionLosesNothing(t *testing.T) {
	t.Parallel()
	s, f, db := quiet(t)
	pool := db.Pool(t)
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := range 30 {
			say(t, s, fmt.Sprintf("jobs/%d", n))
			if n%10 == 5 {
				_, err := pool.Exec(context.WithoutCancel(t.Context()),
					"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND query LIKE 'LISTEN%'")
				if err != nil {
					t.Error(err)
				}
			}
		}
	})
	got := hear(t, f, 0, 30)
	wg.Wait()
	for i, e := range got {
		if e.Revision != int64(i+1) {
			t.Fatalf("event %d has revision %d", i+1, e.Revision)
		}
	}
}

func TestFromThePresentOn(t *testing.T) {
	t.Parallel()
	s, f, _ := quiet(t)
	say(t, s, "jobs/1")
	enough := errors.New("enough")
	heard := make(chan string, 1)
	var wg sync.WaitGroup
	wg.Go(func() {
		err := f.Follow(t.Context(), "north", nil, nil, func(told Told) error {
			if len(told.Events) == 0 {
				return nil
			}
			heard <- told.Events[0].Subject
			return enough
		})
		if !errors.Is(err, enough) {
			t.Error(err)
		}
	})
	// It may not have read its beginning yet, and then begins behind this one.
	for n := 2; ; n++ {
		say(t, s, fmt.Sprintf("jobs/%d", n))
		select {
		case got := <-heard:
			if got == "jobs/1" {
				t.Error("what was before was told")
			}
			wg.Wait()
			return
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func TestFollowRefuses(t *testing.T) {
	t.Parallel()
	_, f, _ := quiet(t)
	ahead, behind := int64(5), int64(-1)
	none := func(Told) error { return nil }
	for _, after := range []*int64{&ahead, &behind} {
		if err := f.Follow(t.Context(), "north", after, nil, none); fault.KindOf(err) != fault.Invalid {
			t.Errorf("after %d: %v", *after, err)
		}
	}
	if err := f.Follow(t.Context(), "south", nil, nil, none); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a site that does not exist: %v", err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if err := f.Follow(gone, "north", nil, nil, none); err == nil {
		t.Error("a reader that is gone was served")
	}
}
