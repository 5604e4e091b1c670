package e2e

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// pair is a primary and its synchronous standby, as deploy/ha makes them, and a
// server with a workshop on both.
type pair struct {
	dir              string
	primary, standby *cluster
	server           *server
}

func newPair(t *testing.T) *pair {
	t.Helper()
	dir := filepath.Join(roomFor(t), "ha")
	first, second := unusedPort(t), unusedPort(t)
	p := &pair{
		dir:     dir,
		primary: &cluster{dir: filepath.Join(dir, "primary"), programs: programs(t), port: first},
		standby: &cluster{dir: filepath.Join(dir, "standby"), programs: programs(t), port: second},
	}
	t.Cleanup(func() {
		for _, c := range []*cluster{p.primary, p.standby} {
			c.try("pg_ctl", "-D", c.dir, "-m", "immediate", "stop")
		}
	})
	said := script(t, "ha/start.sh", nil, dir, fmt.Sprint(first), fmt.Sprint(second))
	if want := fmt.Sprintf("127.0.0.1:%d,127.0.0.1:%d", first, second); !strings.Contains(said, want) {
		t.Fatalf("no word of both servers in %s", said)
	}
	secret, err := os.ReadFile(filepath.Join(dir, "password"))
	if err != nil {
		t.Fatal(err)
	}
	p.primary.password, p.standby.password = string(secret), string(secret)
	p.primary.furnish(t)
	address := strings.Replace(said[strings.LastIndex(said, "postgres://"):], "postgres://postgres@", "postgres://bayhold_server:"+string(secret)+"@", 1)
	p.server = serveAt(t, address)
	p.server.token = strings.TrimSpace(tool(t, append(os.Environ(), "DATABASE_URL="+p.primary.address("bayhold_server", "")),
		"user", "add", "first", "--site", "arena", "--time-zone", "UTC", "--role", "manager", "--role", "administrator", "--bare"))
	if _, err := bayholdv1.NewSiteServiceClient(p.server.dial(t)).ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "arena.yaml", Content: []byte(theatre())}}, RequestId: uuid.NewString(),
	}); err != nil {
		t.Fatal(err)
	}
	return p
}

// TestTheStandbyDies kills the standby. Nothing is acknowledged then, and reading
// goes on; until the standby is back, or somebody lets the primary go on alone.
// What was asked for meanwhile is done once.
func TestTheStandbyDies(t *testing.T) {
	t.Parallel()
	p := newPair(t)
	bookings := bayholdv1.NewBookingServiceClient(p.server.dial(t))
	ask := func(req *bayholdv1.ReserveRequest, within time.Duration) error {
		ctx, cancel := context.WithTimeout(t.Context(), within)
		defer cancel()
		_, err := bookings.Reserve(ctx, req)
		return err
	}
	if err := ask(anHour(0), callTime); err != nil {
		t.Fatal(err)
	}
	for n, wayOn := range []string{"rejoin.sh", "alone.sh"} {
		p.standby.stop(t, "immediate")
		given, waiting := anHour(3*n+1), anHour(3*n+2)
		if err := ask(given, time.Second); status.Code(err) != codes.DeadlineExceeded && status.Code(err) != codes.Unavailable {
			t.Errorf("without a standby an act is answered with %v", err)
		}
		if _, err := bookings.ListBookings(t.Context(), &bayholdv1.ListBookingsRequest{Parent: "sites/arena", During: anHour(0).GetDuring()}); err != nil {
			t.Errorf("reading without a standby: %v", err)
		}
		answered := make(chan error, 1)
		go func() { answered <- ask(waiting, time.Minute) }()
		await(t, "an act waits for the standby", 20*time.Second, func() bool { return p.primary.waiting(t) > 0 })
		select {
		case err := <-answered:
			t.Fatalf("without a standby an act is answered with %v", err)
		default:
		}
		await(t, "the server tells of it", 20*time.Second, func() bool {
			p.server.mu.Lock()
			defer p.server.mu.Unlock()
			return strings.Contains(p.server.log.String(), "synchronous standby")
		})
		script(t, "ha/"+wayOn, nil, p.dir)
		if err := <-answered; err != nil {
			t.Errorf("%s: the act that waited is answered with %v", wayOn, err)
		}
		if err := ask(given, callTime); err != nil {
			t.Errorf("%s: what nobody was told of, asked again: %v", wayOn, err)
		}
		if err := ask(anHour(3*n+3), callTime); err != nil {
			t.Errorf("%s: a new act is answered with %v", wayOn, err)
		}
	}
	if _, err := tryScript(t, "ha/promote.sh", nil, p.dir); err == nil {
		t.Error("the standby was promoted beside a primary that runs")
	}
	script(t, "ha/rejoin.sh", nil, p.dir)
	p.agree(t, p.primary, p.standby, 7)
}

// agree wants so many bookings, each once, on one of the pair and on the other.
func (p *pair) agree(t *testing.T, first, second *cluster, want int) {
	t.Helper()
	for _, c := range []*cluster{first, second} {
		var jobs, requests int
		await(t, "the standby has what the primary has", 20*time.Second, func() bool {
			conn := c.connect(t)
			defer func() { _ = conn.Close(context.Background()) }()
			if err := conn.QueryRow(t.Context(), "SELECT count(*), count(DISTINCT request_id) FROM event WHERE kind = 'job.reserved'").Scan(&jobs, &requests); err != nil {
				t.Fatal(err)
			}
			return jobs >= want
		})
		if jobs != want || requests != want {
			t.Errorf("%s has %d bookings of %d requests, want %d", filepath.Base(c.dir), jobs, requests, want)
		}
	}
}

// waiting is how many transactions wait for a synchronous standby.
func (c *cluster) waiting(t *testing.T) (n int) {
	t.Helper()
	conn := c.connect(t)
	defer func() { _ = conn.Close(context.Background()) }()
	if err := conn.QueryRow(t.Context(), "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'SyncRep'").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
