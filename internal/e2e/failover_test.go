package e2e

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestFailover kills the primary while clients book, promotes the synchronous
// standby, and sees the same server go on: what was acknowledged is there, what
// was in doubt is settled by asking again, and watchers miss and repeat nothing.
func TestFailover(t *testing.T) {
	t.Parallel()
	p := newPair(t)
	dir, primary, standby, s := p.dir, p.primary, p.standby, p.server
	heard := hear(t, s)
	b := bookUntilTold(t, s)
	await(t, "bookings are acknowledged", 30*time.Second, func() bool { return b.count() >= 20 })
	primary.stop(t, "immediate") // no word to anybody: as good as the power off
	before := b.count()
	script(t, "ha/promote.sh", nil, dir)
	promoted := time.Now()
	await(t, "bookings go on", time.Minute, func() bool { return b.count() >= before+40 })
	t.Logf("%d acknowledged before the primary died; 40 more by %s after the promotion", before, time.Since(promoted).Round(time.Millisecond))
	// The old primary becomes the standby of the new one, while bookings go on.
	script(t, "ha/rejoin.sh", nil, dir)
	before = b.count()
	await(t, "bookings go on with a new standby", time.Minute, func() bool { return b.count() >= before+20 })
	b.end()

	conn := standby.connect(t)
	defer func() { _ = conn.Close(context.Background()) }()
	// A booking whose caller has gone may still be written: the log is read anew
	// until the watcher has heard its end.
	var logged []string
	await(t, "the watcher hears the last booking", 30*time.Second, func() bool {
		rows, err := conn.Query(t.Context(), "SELECT request_id::text FROM event WHERE kind = 'job.reserved' ORDER BY revision")
		if err != nil {
			t.Fatal(err)
		}
		if logged, err = pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
			t.Fatal(err)
		}
		return heard.last() == logged[len(logged)-1]
	})
	times := map[string]int{}
	for _, id := range logged {
		times[id]++
	}
	for _, id := range b.acknowledged {
		if times[id] != 1 {
			t.Errorf("%s was acknowledged and is %d times in the log", id, times[id])
		}
	}
	heard.mu.Lock()
	defer heard.mu.Unlock()
	if got, want := strings.Join(heard.reserved, " "), strings.Join(logged, " "); got != want {
		t.Errorf("the watcher heard %d bookings, the log has %d, or another order", len(heard.reserved), len(logged))
	}
	p.agree(t, standby, primary, len(logged))
}

// booker books one hour after the other, and each until it is told what became
// of it.
type booker struct {
	mu           sync.Mutex
	acknowledged []string
	stop         context.CancelFunc
	done         sync.WaitGroup
}

const bookers = 6

func bookUntilTold(t *testing.T, s *server) *booker {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	b := &booker{stop: stop}
	midnight := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 3)
	for n := range bookers {
		c := bayholdv1.NewBookingServiceClient(s.dial(t))
		b.done.Go(func() {
			for hour := n; ctx.Err() == nil; hour += bookers {
				req := anHour(0)
				from := midnight.Add(time.Duration(hour) * time.Hour)
				req.During = &bayholdv1.TimeRange{Start: timestamppb.New(from), End: timestamppb.New(from.Add(time.Hour))}
				b.insist(ctx, t, c, req)
			}
		})
	}
	return b
}

func (b *booker) insist(ctx context.Context, t *testing.T, c bayholdv1.BookingServiceClient, req *bayholdv1.ReserveRequest) {
	for ctx.Err() == nil {
		try, cancel := context.WithTimeout(ctx, callTime)
		_, err := c.Reserve(try, req)
		cancel()
		switch outcomeOf(err) {
		case done:
			b.mu.Lock()
			b.acknowledged = append(b.acknowledged, req.GetRequestId())
			b.mu.Unlock()
			return
		case refused:
			t.Errorf("an hour that nobody else wants: %v", err)
			return
		}
		rest(ctx, 50*time.Millisecond)
	}
}

func (b *booker) count() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.acknowledged)
}

func (b *booker) end() {
	b.stop()
	b.done.Wait()
}

// hearing is a watcher that asks again after the last revision it heard.
type hearing struct {
	mu       sync.Mutex
	after    int64
	reserved []string
}

func hear(t *testing.T, s *server) *hearing {
	t.Helper()
	h := &hearing{}
	conn := s.dial(t)
	ctx := t.Context()
	go func() {
		for ctx.Err() == nil {
			h.follow(ctx, conn)
			rest(ctx, 50*time.Millisecond)
		}
	}()
	return h
}

func (h *hearing) follow(ctx context.Context, conn *grpc.ClientConn) {
	h.mu.Lock()
	after := h.after
	h.mu.Unlock()
	stream, err := bayholdv1.NewWatchServiceClient(conn).Watch(ctx, &bayholdv1.WatchRequest{Parent: "sites/arena", AfterRevision: &after})
	for err == nil {
		var told *bayholdv1.WatchResponse
		if told, err = stream.Recv(); err != nil || told.GetEvent() == nil {
			continue
		}
		h.mu.Lock()
		h.after = told.GetEvent().GetRevision()
		if told.GetEvent().GetKind() == "job.reserved" {
			h.reserved = append(h.reserved, told.GetEvent().GetRequestId())
		}
		h.mu.Unlock()
	}
}

func (h *hearing) last() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.reserved) == 0 {
		return ""
	}
	return h.reserved[len(h.reserved)-1]
}
