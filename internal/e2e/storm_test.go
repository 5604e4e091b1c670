package e2e

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

var (
	stormTime    = flag.Duration("storm", 3*time.Second, "how long clients and faults go on in the storm")
	stormSeed    = flag.Uint64("storm-seed", 1, "seed of what they do")
	stormClients = flag.Int("storm-clients", 16, "how many clients there are")
)

const (
	bookedTools = 4
	handedTools = 3
	technicians = 4
	watchers    = 4
)

// theatre is the workshop that the storm is about.
func theatre() string {
	var b strings.Builder
	b.WriteString(`
site: {id: arena, name: Arena, time_zone: UTC}
engine_families: [{id: orbit, name: Orbit}]
bays: [{id: bay-1, name: Bay 1}, {id: bay-2, name: Bay 2}]
tool_types: [{id: lock, name: Locking set, purpose: LOCKING}, {id: other, name: Hand tool, purpose: OTHER}]
procedures:
  - {id: swap, title: Swap, family: orbit, steps: [{id: do, title: Do it, estimate: 60, tools: [lock]}]}
technicians:
`)
	for i := range technicians {
		fmt.Fprintf(&b, "  - {id: tech-%d, name: Tech %d, shifts: {mon-sun: \"00:00-24:00\"}}\n", i+1, i+1)
	}
	b.WriteString("tools:\n")
	for i := range bookedTools {
		fmt.Fprintf(&b, "  - {tag: LK-%d, type: lock}\n", i+1)
	}
	for i := range handedTools {
		fmt.Fprintf(&b, "  - {tag: HO-%d, type: other}\n", i+1)
	}
	return b.String()
}

// field is where the storm takes place: two servers, each with a proxy before it
// and one behind, and one PostgreSQL.
type field struct {
	t       *testing.T
	db      *cluster
	servers [2]*server
	past    []*server // all that there were
	ports   [2]string
	toDB    [2]*proxy
	toUs    [2]*proxy
	env     [2][]string
	token   string
	dice    *rand.Rand
}

func newField(t *testing.T, seed uint64) *field {
	t.Helper()
	f := &field{t: t, db: newCluster(t), dice: rand.New(rand.NewPCG(seed, 0))}
	f.db.furnish(t)
	for i := range f.servers {
		f.toDB[i] = between(t, fmt.Sprintf("127.0.0.1:%d", f.db.port))
		f.ports[i] = fmt.Sprintf("127.0.0.1:%d", unusedPort(t))
		f.toUs[i] = between(t, f.ports[i])
		f.env[i] = []string{"DATABASE_URL=" + f.db.address("bayhold_server", f.toDB[i].addr)}
		f.open(i)
	}
	out := tool(t, append(os.Environ(), "DATABASE_URL="+f.db.address("bayhold_server", "")),
		"user", "add", "first", "--site", "arena", "--time-zone", "UTC", "--role", "manager", "--role", "administrator", "--bare")
	f.token = strings.TrimSpace(out)
	_, err := bayholdv1.NewSiteServiceClient(f.dial(0)).ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "arena.yaml", Content: []byte(theatre())}}, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// open starts a server, again until the database lets it: the second one's clock
// is an hour fast.
func (f *field) open(i int) {
	await(f.t, "a server starts", time.Minute, func() bool {
		s := &server{cmd: exec.Command(filepath.Join(bin, "server"), "serve", "--listen", f.ports[i], "--rate", "0", "--address-rate", "0", "--database-connections", "12")} // #nosec G204
		s.cmd.Env = append(os.Environ(), f.env[i]...)
		if i == 1 {
			s.cmd.Env = append(s.cmd.Env, "BAYHOLD_CLOCK_SKEW=1h")
		}
		stderr, err := s.cmd.StderrPipe()
		if err != nil {
			f.t.Fatal(err)
		}
		if err := s.cmd.Start(); err != nil {
			f.t.Fatal(err)
		}
		ready := make(chan string, 1)
		go s.follow(stderr, ready)
		s.addr = <-ready
		if s.addr == "" {
			_ = s.cmd.Wait()
			return false
		}
		f.servers[i], f.past = s, append(f.past, s)
		f.t.Cleanup(func() { s.end(f.t) })
		return true
	})
}

func (f *field) dial(i int) *grpc.ClientConn {
	conn, err := grpc.NewClient(f.toUs[i].addr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithPerRPCCredentials(bearer(f.token)),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 20 * time.Millisecond, Multiplier: 1.3, MaxDelay: 200 * time.Millisecond}, MinConnectTimeout: time.Second}))
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// faults are what may happen, each in turn and then as the dice say.
func (f *field) faults(ctx context.Context) (counts map[string]int) {
	counts = map[string]int{}
	all := []struct {
		name string
		do   func(i int)
	}{
		{"connections to the database are cut", func(i int) { f.toDB[i].cut() }},
		{"connections of clients are cut", func(i int) { f.toUs[i].cut() }},
		{"a server is killed", func(i int) {
			f.servers[i].kill(f.t)
			f.open(i)
		}},
		{"everything is slow", func(i int) {
			f.toDB[i].delay.Store(int64(20 * time.Millisecond))
			rest(ctx, 200*time.Millisecond)
			f.toDB[i].delay.Store(0)
		}},
		{"the database is restarted, immediate", func(int) {
			f.db.stop(f.t, "immediate")
			f.db.start(f.t)
		}},
		{"the database is restarted, fast", func(int) {
			f.db.stop(f.t, "fast")
			f.db.start(f.t)
		}},
	}
	for n := 0; ctx.Err() == nil; n++ {
		rest(ctx, time.Duration(100+f.dice.IntN(300))*time.Millisecond)
		if ctx.Err() != nil {
			return counts
		}
		which := all[n%len(all)]
		if n >= len(all) {
			which = all[f.dice.IntN(len(all))]
		}
		which.do(f.dice.IntN(2))
		counts[which.name]++
	}
	return counts
}

func rest(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// storm lets the clients act for a time, while the faults happen if there shall
// be any, and answers all that was seen.
func (f *field) storm(howLong time.Duration, seed uint64, clients int, faulty bool) (*history, []string) {
	ctx, stop := context.WithTimeout(f.t.Context(), howLong)
	defer stop()
	last, give := context.WithTimeout(f.t.Context(), howLong+insistence)
	defer give()
	begun := time.Now()
	all := make([]*client, clients)
	watch, endWatch := context.WithCancel(f.t.Context())
	defer endWatch()
	w := watchAll(watch, f)
	var wg sync.WaitGroup
	for i := range all {
		all[i] = &client{
			id: i, last: last, conns: []*grpc.ClientConn{f.dial(0), f.dial(1)}, dice: rand.New(rand.NewPCG(seed, uint64(i+1))), begun: begun,
			hour: time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 3),
		}
		wg.Go(func() { all[i].storm(ctx) })
	}
	if faulty {
		for name, n := range f.faults(ctx) {
			f.t.Logf("%d times: %s", n, name)
		}
	}
	wg.Wait()
	h := &history{end: int64(time.Since(begun))}
	var wrong []string
	for _, c := range all {
		h.deeds = append(h.deeds, c.deeds...)
		wrong = append(wrong, c.wrong...)
	}
	h.watched = w.upTo(f.t, f.revision())
	return h, wrong
}

func (f *field) revision() (n int64) {
	conn := f.db.connect(f.t)
	defer func() { _ = conn.Close(context.Background()) }()
	if err := conn.QueryRow(f.t.Context(), "SELECT max(revision) FROM event").Scan(&n); err != nil {
		f.t.Fatal(err)
	}
	return n
}

// tally says in a line what a history holds.
func (h *history) tally() string {
	counts := map[string]int{}
	for _, d := range h.deeds {
		name := d.kind
		if d.read != nil {
			name = "read"
		}
		name += []string{" unknown", " done", " refused"}[d.outcome]
		if d.doubt {
			name += " at last"
		}
		counts[name]++
	}
	var lines []string
	for name, n := range counts {
		lines = append(lines, fmt.Sprintf("%s %d", name, n))
	}
	slices.Sort(lines)
	return strings.Join(lines, ", ")
}

// TestStorm lets clients book, move, cancel, read, hand out and take back through
// two servers on one database, while servers are killed, the database is
// restarted, connections break or are slow, and one server's clock is an hour
// fast. Then it wants the whole history to be one that an undisturbed workshop
// could have had.
//
//	go test ./internal/e2e -run TestStorm$ -args -storm 10m -storm-seed 7 -storm-clients 64
func TestStorm(t *testing.T) {
	f := newField(t, *stormSeed)
	h, wrong := f.storm(*stormTime, *stormSeed, *stormClients, true)
	l := f.ledger()
	t.Logf("%d acts and questions by %d clients with seed %d, %d events: %s", len(h.deeds), *stormClients, *stormSeed, len(l.log), h.tally())
	for _, text := range append(wrong, h.complaints(l)...) {
		t.Error(text)
	}
	if t.Failed() {
		f.tellInternal()
		return
	}
	f.doctored(h, l)
}

// tellInternal shows what the servers' logs have of internal errors.
func (f *field) tellInternal() {
	for _, s := range f.past {
		s.mu.Lock()
		for line := range strings.Lines(s.log.String()) {
			if strings.Contains(line, `"kind":"internal"`) || strings.Contains(line, `"msg":"panic"`) {
				f.t.Log(line)
			}
		}
		s.mu.Unlock()
	}
}

// doctored falsifies a good history in small ways, each of which must be seen.
func (f *field) doctored(h *history, l ledger) {
	i := slices.IndexFunc(h.deeds, func(d deed) bool { return d.outcome == done && d.kind == "job.reserved" })
	if i < 0 || len(l.log) < 3 {
		f.t.Fatal("nothing was done in the storm")
	}
	for name, c := range map[string]struct {
		says string
		do   func(*history, *ledger)
	}{
		"an event is told twice":          {"watch:", func(h *history, _ *ledger) { h.watched[0] = slices.Insert(h.watched[0], 2, h.watched[0][1]) }},
		"an event is not told":            {"watch:", func(h *history, _ *ledger) { h.watched[1] = slices.Delete(h.watched[1], 1, 2) }},
		"an acknowledged act is lost":     {"acknowledged", func(h *history, _ *ledger) { h.deeds[i].request = uuid.NewString() }},
		"a refused act was carried out":   {"refused", func(h *history, _ *ledger) { h.deeds[i].outcome = refused }},
		"an acknowledged booking is gone": {"order:", func(h *history, l *ledger) { l.state[h.deeds[i].wants[0].resource] = tenure{1: -1} }},
		"two got the same hour": {"order:", func(h *history, _ *ledger) {
			twin := h.deeds[i]
			twin.read = &reading{resource: twin.wants[0].resource, state: tenure{}}
			twin.read.state[twin.wants[0].from] = -1
			h.deeds = append(h.deeds, twin)
		}},
	} {
		copied, state := &history{deeds: slices.Clone(h.deeds), end: h.end}, map[string]tenure{}
		for _, w := range h.watched {
			copied.watched = append(copied.watched, slices.Clone(w))
		}
		for k, v := range l.state {
			state[k] = v
		}
		ledger := ledger{log: l.log, state: state}
		c.do(copied, &ledger)
		if found := copied.complaints(ledger); !slices.ContainsFunc(found, func(s string) bool { return strings.Contains(s, c.says) }) {
			f.t.Errorf("%s, and the checker sees nothing of it: %q", name, found)
		}
	}
}

// TestStormOnBrokenBookings takes away, in the database, what keeps bookings
// apart: the exclusion constraint, and the locks on resources, which a view in
// the place of the table does not hand on. Overlaps follow, of which the order of
// acts must tell, and plain SQL of what overlaps at the end: else the checker is
// not to be trusted.
func TestStormOnBrokenBookings(t *testing.T) {
	f := newField(t, 1)
	f.db.exec(t,
		"ALTER TABLE booking DROP CONSTRAINT booking_no_overlap",
		"ALTER TABLE resource RENAME TO resource_as_it_was",
		"CREATE VIEW resource AS WITH r AS (SELECT * FROM resource_as_it_was) SELECT * FROM r",
		"GRANT SELECT, UPDATE ON resource TO bayhold_server",
	)
	for _, p := range f.toDB {
		p.cut() // plans that were prepared know the table
		p.delay.Store(int64(2 * time.Millisecond))
	}
	h, _ := f.storm(2*time.Second, 1, 16, false)
	t.Logf("%s", h.tally())
	found := h.complaints(f.ledger())
	if !seen(found, "order:") {
		t.Errorf("bookings are not kept apart, and the checker sees no more than: %q", found)
	}
	// Those that overlapped may have been given up since. One more does.
	f.db.exec(t, `INSERT INTO booking (site_id, job_id, resource_id, during, state, steps)
		SELECT site_id, job_id, resource_id, during, state, steps FROM booking WHERE state <> 'CANCELLED' LIMIT 1`)
	if found := h.complaints(f.ledger()); !seen(found, "overlap:") {
		t.Errorf("two bookings overlap, and the checker sees no more than: %q", found)
	}
}

func seen(found []string, word string) bool {
	return slices.ContainsFunc(found, func(s string) bool { return strings.HasPrefix(s, word) })
}

// ledger reads what stands in the database, by plain SQL.
func (f *field) ledger() ledger {
	t := f.t
	t.Helper()
	conn := f.db.connect(t)
	defer func() { _ = conn.Close(context.Background()) }()
	l := ledger{state: map[string]tenure{}}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(conn.QueryRow(t.Context(), `
		SELECT count(*) FROM booking a JOIN booking b
		ON a.site_id = b.site_id AND a.resource_id = b.resource_id AND a.booking_id < b.booking_id AND a.during && b.during
		WHERE a.state <> 'CANCELLED' AND b.state <> 'CANCELLED'`).Scan(&l.overlaps))
	must(conn.QueryRow(t.Context(), `SELECT count(*) FROM (
		SELECT FROM tool_issue WHERE returned_at IS NULL GROUP BY site_id, resource_id HAVING count(*) > 1) d`).Scan(&l.doubles))
	rows, err := conn.Query(t.Context(), `
		SELECT revision, request_id::text, kind, CASE WHEN subject LIKE 'jobs/%' THEN substr(subject, 6)::bigint
			WHEN kind IN ('tool.issued', 'tool.returned') THEN (details->'after'->>'ID')::bigint ELSE 0 END, subject
		FROM event ORDER BY revision`)
	must(err)
	l.log, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (e entry, err error) {
		err = row.Scan(&e.revision, &e.request, &e.kind, &e.number, &e.tool)
		return e, err
	})
	must(err)
	day := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 3)
	var name string
	resources, err := conn.Query(t.Context(), "SELECT lower(kind) || 's/' || slug FROM resource")
	must(err)
	_, err = pgx.ForEachRow(resources, []any{&name}, func() error { l.state[name] = tenure{}; return nil })
	must(err)
	rows, err = conn.Query(t.Context(), `
		SELECT lower(x.kind) || 's/' || x.slug, b.job_id, lower(b.during), upper(b.during) FROM booking b JOIN resource x USING (site_id, resource_id)
		WHERE b.state <> 'CANCELLED'
		UNION ALL SELECT lower(x.kind) || 's/' || x.slug, i.issue_id, $1::timestamptz, $1::timestamptz + interval '1 hour' FROM tool_issue i JOIN resource x USING (site_id, resource_id)
		WHERE i.returned_at IS NULL`, day)
	must(err)
	var job int64
	var from, to time.Time
	_, err = pgx.ForEachRow(rows, []any{&name, &job, &from, &to}, func() error {
		name = strings.Replace(name, "bays/", "bays/", 1)
		s := l.state[name]
		for i := int(from.Sub(day) / time.Hour); i < int(to.Sub(day)/time.Hour); i++ {
			s[i] = job
		}
		l.state[name] = s
		return nil
	})
	must(err)
	return l
}
