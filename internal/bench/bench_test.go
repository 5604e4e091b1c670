package bench

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// epoch is midnight in a week.
func epoch() time.Time { return time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 7) }

// BenchmarkBooking compares booking over gRPC with the same rows written bare: in
// one pipelined transaction of prepared statements, on tables without exclusion
// constraint and trigger, with the same durability, by as many writers.
func BenchmarkBooking(b *testing.B) {
	h := open(b)
	b.Log(h.machine())
	b.Logf("start to serving on a database that is there: %d ms; idle: %.0f MB resident", h.started.Milliseconds(), h.resident())
	const writers, each, turns = 8, 25, 4
	plans := make([][]*bayholdv1.Plan, writers)
	clients := make([]bayholdv1.BookingServiceClient, writers)
	for i := range writers {
		slug := fmt.Sprintf("many-%d", i)
		conn := h.site(slug)
		clients[i], plans[i] = bayholdv1.NewBookingServiceClient(conn), h.plans(slug, conn, each*(2*turns+1))
	}
	book := func(i, _ int) error {
		plan := plans[i][0]
		plans[i] = plans[i][1:]
		_, err := clients[i].BookPlan(b.Context(), &bayholdv1.BookPlanRequest{
			Parent: fmt.Sprintf("sites/many-%d", i), RequestId: uuid.NewString(), Reference: "bench", Plan: plan, State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		})
		return err
	}
	together(b, writers, each, book) // so that statements are known on the connections
	bare := h.bare(writers)
	together(b, writers, each, bare)
	// Both by turns, so that whatever else the machine does falls on both.
	for _, callers := range []int{writers, 1} {
		var ours, theirs side
		for range turns {
			ours.add(h, callers, each, book)
			theirs.add(h, callers, each, bare)
		}
		b.Logf("%d at a time: booking of 7 %s", callers, ours)
		b.Logf("%d at a time: bare         %s", callers, theirs)
		b.Logf("%d at a time: ratio %.2f, p50 %+.2f ms", callers, ours.rate()/theirs.rate(), ours.at(.5)-theirs.at(.5))
	}
	b.Logf("%.0f MB resident", h.resident())
}

// side is one of two that are compared.
type side struct {
	times
	took time.Duration // of all turns
	work [3]float64    // seconds of processors: server, PostgreSQL, callers
}

func (s *side) add(h *house, callers, each int, do func(i, n int) error) {
	before, began := h.spent(), time.Now()
	got, _ := together(h.b, callers, each, do)
	s.took += time.Since(began)
	s.times = append(s.times, got...)
	for i, after := range h.spent() {
		s.work[i] += after - before[i]
	}
}

func (s *side) rate() float64 { return float64(len(s.times)) / s.took.Seconds() }

// String tells how fast it was, and what one took of processors.
func (s side) String() string {
	each := func(i int) float64 { return 1000 * s.work[i] / float64(len(s.times)) }
	return fmt.Sprintf("%5.0f/s, p50 %6.2f ms, p99 %6.2f ms; processors, ms each: server %.2f, PostgreSQL %.2f, callers %.2f",
		s.rate(), s.at(.5), s.at(.99), each(0), each(1), each(2))
}

// together has writers do something each times, and gives how long each took and
// how many were done in a second.
func together(b *testing.B, writers, each int, do func(i, n int) error) (times, float64) {
	b.Helper()
	var mu sync.Mutex
	var all times
	var wg sync.WaitGroup
	began := time.Now()
	for i := range writers {
		wg.Go(func() {
			for n := range each {
				at := time.Now()
				if err := do(i, n); err != nil {
					b.Errorf("%d of %d: %v", n, i, err)
					return
				}
				took := time.Since(at)
				mu.Lock()
				all = append(all, took)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	took := time.Since(began)
	if len(all) == 0 {
		b.Fatal("nothing was done")
	}
	return all, float64(len(all)) / took.Seconds()
}

// row is a row that a booking wrote, and how it is written bare.
type row struct {
	sql    string
	values []any
}

// bare copies the tables that a booking writes, and gives a function that writes
// what one booking wrote into the copies.
func (h *house) bare(writers int) func(i, n int) error {
	b, ctx := h.b, h.b.Context()
	var written []row
	_, err := h.db.Exec(ctx, "CREATE SCHEMA bare")
	must(b, err)
	for table, key := range map[string]string{"job": "job_id", "job_work": "job_id", "booking": "booking_id", "event": "revision", "request": "request_id"} {
		_, err := h.db.Exec(ctx, fmt.Sprintf("CREATE TABLE bare.%s (LIKE public.%s INCLUDING DEFAULTS INCLUDING CONSTRAINTS); CREATE INDEX ON bare.%s (site_id, %s)", table, table, table, key))
		must(b, err)
		var columns, asText, holes string
		must(b, h.db.QueryRow(ctx, `
			SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum), string_agg(quote_ident(attname) || '::text', ', ' ORDER BY attnum),
				string_agg('$' || n || '::text::' || format_type(atttypid, atttypmod), ', ' ORDER BY attnum)
			FROM (SELECT *, row_number() OVER (ORDER BY attnum) AS n FROM pg_attribute WHERE attrelid = ('public.' || $1)::regclass AND attnum > 0 AND NOT attisdropped) a`,
			table).Scan(&columns, &asText, &holes))
		where := "job_id = (SELECT min(job_id) FROM job)"
		switch table {
		case "event":
			where = "(site_id, request_id) = (SELECT site_id, request_id FROM event WHERE kind = 'job.booked' LIMIT 1)"
		case "request":
			where = "(site_id, request_id) = (SELECT site_id, request_id FROM event WHERE kind = 'job.booked' LIMIT 1)"
		}
		rows, err := h.db.Query(ctx, fmt.Sprintf("SELECT %s FROM %s WHERE %s", asText, table, where))
		must(b, err)
		for rows.Next() {
			values, err := rows.Values()
			must(b, err)
			written = append(written, row{fmt.Sprintf("INSERT INTO bare.%s (%s) VALUES (%s)", table, columns, holes), values})
		}
		must(b, rows.Err())
	}
	if len(written) != 11 {
		b.Fatalf("a booking wrote %d rows, want a job, its work, 7 bookings, an event and an answer", len(written))
	}
	conns := make([]*pgx.Conn, writers)
	for i := range conns {
		conns[i], err = pgx.Connect(ctx, h.pg.SuperuserURL("bayhold"))
		must(b, err)
		b.Cleanup(func() { _ = conns[i].Close(context.Background()) })
	}
	return func(i, _ int) error {
		var batch pgx.Batch
		batch.Queue("BEGIN")
		for _, r := range written {
			batch.Queue(r.sql, r.values...)
		}
		batch.Queue("COMMIT")
		return conns[i].SendBatch(ctx, &batch).Close()
	}
}

// BenchmarkContention lets 64 clients want one tool.
func BenchmarkContention(b *testing.B) {
	h := open(b)
	b.Log(h.machine())
	conn := h.site("one")
	var booked, lost, other atomic.Int64
	var before, after int64
	deadlocks := "SELECT coalesce(sum(deadlocks), 0)::bigint FROM pg_stat_database"
	must(b, h.db.QueryRow(b.Context(), deadlocks).Scan(&before))
	spent := h.spent()
	all, rate := together(b, 64, 30, func(i, n int) error {
		from := epoch().Add(time.Duration(rand.IntN(600)) * time.Hour)
		_, err := bayholdv1.NewBookingServiceClient(conn).Reserve(b.Context(), reserve("one", "T-1", from))
		switch status.Code(err) {
		case codes.OK:
			booked.Add(1)
		case codes.Aborted:
			lost.Add(1)
		default:
			other.Add(1)
			return err
		}
		return nil
	})
	now := h.spent()
	_, err := h.db.Exec(b.Context(), "SELECT pg_stat_force_next_flush()")
	must(b, err)
	must(b, h.db.QueryRow(b.Context(), deadlocks).Scan(&after))
	b.Logf("64 clients for one tool: %.0f acts/s, p50 %.1f ms, p99 %.1f ms; %d booked, %d refused (%.0f %%), %d deadlocks; %.2f ms of processors an act; %.0f MB resident",
		rate, all.at(.5), all.at(.99), booked.Load(), lost.Load(), 100*float64(lost.Load())/float64(len(all)), after-before,
		1000*(now[0]+now[1]-spent[0]-spent[1])/float64(len(all)), h.resident())
}

func reserve(site, tool string, from time.Time) *bayholdv1.ReserveRequest {
	return &bayholdv1.ReserveRequest{
		Parent: "sites/" + site, RequestId: uuid.NewString(), Reference: "bench", Resources: []string{"sites/" + site + "/tools/" + tool},
		State:  bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		During: &bayholdv1.TimeRange{Start: timestamppb.New(from), End: timestamppb.New(from.Add(time.Hour))},
	}
}
