package bench

import (
	"context"
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

var (
	watchersFlag    = flag.Int("watchers", 500, "how many watchers there are")
	connectionsFlag = flag.Int("watch-connections", 500, "on how many connections")
	eventsFlag      = flag.Float64("watch-events", 200, "events a second that they watch")
	paceFlag        = flag.Duration("watch-time", 10*time.Second, "for how long")
	profileFlag     = flag.String("watch-profile", "", "file for a CPU profile of the watchers")
)

// BenchmarkWatch lets watchers, a connection each and in a process of their own,
// hear events that are written as fast as wanted: once straight into the log,
// which costs next to nothing beside the watching, and once by bookings through
// the same server. Lateness counts to when the client has read it: from when who
// wrote it was told that it is committed; and from the commit as PostgreSQL notes
// it, which is before it is on disk, and so before anybody may see it.
func BenchmarkWatch(b *testing.B) {
	h := open(b)
	b.Log(h.machine())
	h.end()
	for _, c := range []struct {
		slug   string
		writer func(*house, string) func(id uuid.UUID, n int) error
	}{
		{"log", (*house).logging},
		{"bookings", (*house).reserving},
	} {
		b.Run(c.slug, func(b *testing.B) {
			h := &house{b: b, pg: h.pg, db: h.db, bin: h.bin}
			h.serve()
			for _, together := range []bool{false, true} {
				h.watch(fmt.Sprintf("%s-%t", c.slug, together), together, c.writer)
			}
		})
	}
}

// watch has events of a site written for a while, and tells how late they were
// heard and what it took.
func (h *house) watch(slug string, together bool, writer func(*house, string) func(id uuid.UUID, n int) error) {
	b := h.b
	h.site(slug)
	write := writer(h, slug)
	for n := range 20 { // so that statements are known on every connection
		must(b, write(uuid.New(), n-20))
	}
	idle := h.resident()
	seats := audience{Addr: h.addr, Token: h.tokens[slug], Site: slug, Watchers: *watchersFlag, Connections: *connectionsFlag, Together: together}
	a := seats.open(b)
	standing := h.resident()
	var first int64
	must(b, h.db.QueryRow(b.Context(), "SELECT revision FROM site_counter JOIN site USING (site_id) WHERE slug = $1", slug).Scan(&first))
	spent, busy := h.spent(), busyTime()
	events := int(paceFlag.Seconds() * *eventsFlag)
	ids, told, writing := make([]uuid.UUID, events), make([]int64, events), make(times, events)
	began := time.Now()
	paced(b, events, *eventsFlag, func(n int) error {
		at := time.Now()
		ids[n] = uuid.New()
		err := write(ids[n], n)
		told[n], writing[n] = time.Now().UnixMicro(), time.Since(at)
		return err
	})
	rate := float64(events) / time.Since(began).Seconds()
	heard := a.upTo(b, first+int64(events))
	took := time.Since(began)
	elsewhere := busyTime() - busy - heard.Spent
	for i, is := range h.spent() {
		elsewhere -= is - spent[i]
		spent[i] = (is - spent[i]) / took.Seconds()
	}

	answered := map[uuid.UUID]int64{}
	for n, id := range ids {
		answered[id] = told[n]
	}
	type moments struct{ noted, answered int64 }
	committed := map[int64]moments{}
	rows, err := h.db.Query(b.Context(), `SELECT revision, request_id, (extract(epoch FROM pg_xact_commit_timestamp(e.xmin)) * 1000000)::bigint
		FROM event e JOIN site USING (site_id) WHERE slug = $1 AND revision > $2`, slug, first)
	must(b, err)
	var revision, noted int64
	var id uuid.UUID
	_, err = pgx.ForEachRow(rows, []any{&revision, &id, &noted}, func() error { committed[revision] = moments{noted, answered[id]}; return nil })
	must(b, err)
	var late, sinceNoted times
	lost, messages := 0, 0
	for i, w := range heard.By {
		if w.Wrong != "" {
			b.Errorf("watcher %d: %s", i, w.Wrong)
		}
		lost += events - len(w.At)
		messages += w.Messages
		for n, at := range w.At {
			c := committed[w.First+int64(n)]
			late = append(late, time.Duration(at-c.answered)*time.Microsecond)
			sinceNoted = append(sinceNoted, time.Duration(at-c.noted)*time.Microsecond)
		}
	}
	b.Logf("%d watchers on %d connections, together %t: %.0f events/s: late p50 %.1f ms, p99 %.1f ms, worst %.1f ms (since it was noted: p50 %.1f ms, p99 %.1f ms; writing took p50 %.1f ms, p99 %.1f ms); %d of %d lost; %.0f messages/s",
		seats.Watchers, seats.Connections, together, rate, late.at(.5), late.at(.99), late.at(1),
		sinceNoted.at(.5), sinceNoted.at(.99), writing.at(.5), writing.at(.99), lost, seats.Watchers*events, float64(messages)/took.Seconds())
	b.Logf("processors kept busy: server %.2f, PostgreSQL %.2f, writers %.2f, watchers %.2f, other work %.2f of %d; server memory %.0f MB before, %.0f MB with watchers (%.0f kB each), %.0f MB at the end",
		spent[0], spent[1], spent[2], heard.Spent/took.Seconds(), max(0, elsewhere/took.Seconds()), runtime.NumCPU(), idle, standing, (standing-idle)*1024/float64(seats.Watchers), h.resident())
}

// paced does something so many times at a pace, by eight hands at once if it
// must.
func paced(b *testing.B, times int, pace float64, do func(n int) error) {
	work := make(chan int, times)
	var writing sync.WaitGroup
	for range 8 {
		writing.Go(func() {
			for n := range work {
				if err := do(n); err != nil {
					b.Error(err)
				}
			}
		})
	}
	began := time.Now()
	for n := range times {
		time.Sleep(time.Until(began.Add(time.Duration(float64(n) / pace * float64(time.Second)))))
		work <- n
	}
	close(work)
	writing.Wait()
}

// reserving books an hour of a tool with each event.
func (h *house) reserving(slug string) func(id uuid.UUID, n int) error {
	client := bayholdv1.NewBookingServiceClient(h.dial(h.tokens[slug]))
	return func(id uuid.UUID, n int) error {
		req := reserve(slug, fmt.Sprintf("S-%d", (n+spares)%spares+1), epoch().Add(time.Duration(n+spares)*time.Hour))
		req.RequestId = id.String()
		_, err := client.Reserve(h.b.Context(), req)
		return err
	}
}

// logging writes events as a booking's, each in a transaction of its own, as
// another server on the same database would.
func (h *house) logging(slug string) func(id uuid.UUID, n int) error {
	conns := make(chan *pgx.Conn, 4)
	for range cap(conns) {
		conn, err := pgx.Connect(h.b.Context(), h.pg.SuperuserURL("bayhold"))
		must(h.b, err)
		h.b.Cleanup(func() { _ = conn.Close(context.Background()) })
		conns <- conn
	}
	return func(id uuid.UUID, n int) error {
		conn := <-conns
		defer func() { conns <- conn }()
		var batch pgx.Batch
		batch.Queue(`INSERT INTO event (site_id, at, actor, token, method, kind, subject, touched, request_id, details)
			SELECT site_id, now(), 'first', 'first', '/bayhold.v1.BookingService/Reserve', 'job.reserved', 'jobs/' || $2::int, ARRAY['jobs/' || $2::int, 'tools/S-' || $2::int % 40],
				$3, jsonb_build_object('ID', $2::int, 'State', 'CONFIRMED', 'Reference', 'bench', 'Bookings', jsonb_build_array(
					jsonb_build_object('ID', $2::int, 'Kind', 'TOOL', 'Resource', 'S-' || $2::int % 40, 'Start', now(), 'End', now() + interval '1 hour')))
			FROM site WHERE slug = $1`, slug, n, id)
		batch.Queue("SELECT pg_notify('bayhold_events', site_id::text) FROM site WHERE slug = $1", slug)
		return conn.SendBatch(h.b.Context(), &batch).Close()
	}
}

// spent is how many seconds of a processor were used so far by the server, by
// PostgreSQL, and by this process, which writes.
func (h *house) spent() [3]float64 {
	var out [3]float64
	h.processes(func(pid, parent int, fields []string) {
		whose := slices.Index([]bool{pid == h.cmd.Process.Pid, pid == h.pg.PID() || parent == h.pg.PID(), pid == os.Getpid()}, true)
		if whose < 0 {
			return
		}
		for _, f := range fields[11:13] {
			ticks, _ := strconv.ParseFloat(f, 64)
			out[whose] += ticks / 100 // USER_HZ, which proc(5) is in
		}
	})
	return out
}

// busyTime is how many seconds all processors together have been busy.
func busyTime() float64 {
	text, _ := os.ReadFile("/proc/stat")
	fields := strings.Fields(string(text)) // cpu user nice system idle iowait irq softirq: proc(5)
	var ticks float64
	for _, i := range []int{1, 2, 3, 6, 7} {
		n, _ := strconv.ParseFloat(fields[i], 64)
		ticks += n
	}
	return ticks / 100
}
