package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/pflag"
	"go.yaml.in/yaml/v3"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"bayhold/internal/fault"
	"bayhold/internal/localpg"
	"bayhold/internal/pgtest"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// lockedBuffer is a log that may be read while it is written.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// playing is a house after the demo's show.
type playing struct {
	*house
	db    *pgtest.DB
	log   *lockedBuffer
	token string // of a manager
	conn  *grpc.ClientConn
}

// play opens a house on a database of its own and plays the show in it.
func play(t *testing.T) playing {
	t.Helper()
	db := pgtest.New(t)
	p := playing{db: db, log: &lockedBuffer{}}
	clock := &demoClock{}
	var c config
	flags := pflag.NewFlagSet("server", pflag.ContinueOnError)
	c.listenFlags(flags) // for the limits that a server has unless told otherwise
	c.listen, c.metrics, c.now = "127.0.0.1:0", "127.0.0.1:0", clock.Now
	var err error
	p.house, err = open(t.Context(), localpg.Found{URL: db.Owner, ServerURL: db.URL}, c, logger(p.log))
	if err != nil {
		t.Fatal(err)
	}
	s := &show{ctx: t.Context(), server: p.lis.Addr().String(), shop: p.shop, tokens: map[string]string{}, clock: clock, all: true, out: io.Discard}
	if err := s.play(); err != nil {
		t.Fatal(err)
	}
	p.token = s.tokens[manager]
	p.conn, err = grpc.NewClient(p.lis.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.conn.Close() })
	return p
}

// as is a context that shows the manager's token.
func (p playing) as(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+p.token)
}

const yard = "sites/quillgate"

// rename changes a bay.
func (p playing) rename(ctx context.Context, name string) error {
	_, err := bayholdv1.NewBayServiceClient(p.conn).UpdateBay(p.as(ctx), &bayholdv1.UpdateBayRequest{
		Bay: &bayholdv1.Bay{Name: yard + "/bays/bay-1", DisplayName: name}, RequestId: uuid.NewString(),
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}},
	})
	return err
}

// watch opens a watch and gives what ends with it; it has heard the first answer.
func (p playing) watch(t *testing.T) grpc.ServerStreamingClient[bayholdv1.WatchResponse] {
	t.Helper()
	stream, err := bayholdv1.NewWatchServiceClient(p.conn).Watch(p.as(t.Context()), &bayholdv1.WatchRequest{Parent: yard})
	if err == nil {
		_, err = stream.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	return stream
}

// TestItStopsInOrder stops a server while somebody watches its health, somebody
// its events, and a call waits for a lock: each hears what it should, in order,
// and the call is finished before the connections are given back.
func TestItStopsInOrder(t *testing.T) {
	t.Parallel()
	p := play(t)
	var mu sync.Mutex
	var order []string
	happened := func(what string) {
		mu.Lock()
		defer mu.Unlock()
		order = append(order, what)
	}
	var wg sync.WaitGroup

	healthy, err := healthpb.NewHealthClient(p.conn).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for state := healthpb.HealthCheckResponse_UNKNOWN; state != healthpb.HealthCheckResponse_SERVING; {
		got, err := healthy.Recv()
		if err != nil {
			t.Fatal(err)
		}
		state = got.GetStatus()
	}
	wg.Go(func() {
		if got, err := healthy.Recv(); err == nil && got.GetStatus() == healthpb.HealthCheckResponse_NOT_SERVING {
			happened("health")
		}
	})
	stream := p.watch(t)
	ended := make(chan struct{})
	wg.Go(func() {
		defer close(ended)
		for {
			if _, err := stream.Recv(); err != nil {
				if status.Code(err) == codes.Unavailable {
					happened("streams")
				}
				return
			}
		}
	})

	// The call waits for this row.
	holder, err := p.db.Pool(t).Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := holder.Exec(t.Context(), "SELECT FROM resource WHERE slug = 'bay-1' FOR UPDATE"); err != nil {
		t.Fatal(err)
	}
	wg.Go(func() {
		if err := p.rename(t.Context(), "Renamed"); err != nil {
			t.Errorf("the call that was under way: %v", err)
		}
		happened("call")
	})
	waiting := p.db.Pool(t)
	for n := 0; n == 0; {
		err := waiting.QueryRow(t.Context(), "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'").Scan(&n)
		if err != nil {
			t.Fatal(err)
		}
	}

	wg.Go(func() {
		if err := p.close(); err != nil {
			t.Error(err)
		}
		happened("closed")
	})
	<-ended
	if err := holder.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	wg.Wait()
	if want := []string{"health", "streams", "call", "closed"}; !slices.Equal(order, want) {
		t.Errorf("it stopped in the order %v, want %v\n%s", order, want, p.log)
	}
	if err := p.store.Ping(context.Background()); err == nil {
		t.Error("the connections to the database were not given back")
	}
	if _, err := http.Get("http://" + p.figures.lis.Addr().String() + "/metrics"); err == nil {
		t.Error("figures are served still")
	}
}

// TestItIsNotReady on a schema that is older than the program, nor without a
// database.
func TestItIsNotReady(t *testing.T) {
	t.Parallel()
	p := play(t)
	defer func() { _ = p.close() }()
	if err := p.ready(t.Context()); err != nil {
		t.Errorf("on a database that is there and up to date: %v", err)
	}
	owner := p.db.Pool(t)
	if _, err := owner.Exec(t.Context(), "DELETE FROM goose_db_version WHERE version_id = (SELECT max(version_id) FROM goose_db_version)"); err != nil {
		t.Fatal(err)
	}
	if err := p.ready(t.Context()); fault.Fault(err) == nil || fault.Fault(err).Reason != "SCHEMA_OLDER" {
		t.Errorf("on an older schema: %v", err)
	}
	// And those who ask for its health learn it with the next look.
	healthy, err := healthpb.NewHealthClient(p.conn).Watch(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for state := healthpb.HealthCheckResponse_SERVING; state != healthpb.HealthCheckResponse_NOT_SERVING; {
		got, err := healthy.Recv()
		if err != nil {
			t.Fatal(err)
		}
		state = got.GetStatus()
	}
	name := owner.Config().ConnConfig.Database
	super := p.db.AsSuperuser(t)
	if _, err := super.Exec(t.Context(), "ALTER DATABASE "+name+" CONNECTION LIMIT 0"); err != nil {
		t.Fatal(err)
	}
	if _, err := super.Exec(t.Context(), "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1 AND pid <> pg_backend_pid()", name); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if err := p.ready(ctx); fault.KindOf(err) != fault.Unavailable {
		t.Errorf("without a database: %v", err)
	}
}

// figureNames are the names of figures in an expression or a dashboard.
var figureNames = regexp.MustCompile(`\b(?:bayhold|rpc_server|pgxpool|db_client|go|process)_[a-z_]+\b`)

// TestDashboardAndAlertsKnowTheFigures reads both, and wants each figure that
// they name in what a server tells after a busy day.
func TestDashboardAndAlertsKnowTheFigures(t *testing.T) {
	t.Parallel()
	p := play(t)
	stream := p.watch(t)
	if err := p.rename(t.Context(), "Renamed"); err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	// The second event is told when the first one's telling has been measured.
	if err := p.rename(t.Context(), "Renamed again"); err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	if _, err := bayholdv1.NewSiteServiceClient(p.conn).ListSites(t.Context(), &bayholdv1.ListSitesRequest{}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("without a token: %v", err)
	}
	resp, err := http.Get("http://" + p.figures.lis.Addr().String() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatal(resp.Status, err)
	}
	told := map[string]bool{}
	for line := range strings.Lines(string(body)) {
		if !strings.HasPrefix(line, "#") {
			told[line[:strings.IndexAny(line, "{ ")]] = true
		}
	}
	exprs := append(dashboard(t), alerts(t)...)
	for _, e := range exprs {
		names := figureNames.FindAllString(e, -1)
		for _, n := range names {
			if !told[n] {
				t.Errorf("%q names %s, which the server does not tell", e, n)
			}
		}
		if len(names) == 0 && !strings.HasPrefix(e, "up{") {
			t.Errorf("%q names no figure", e)
		}
	}
	if len(exprs) < 25 {
		t.Errorf("only %d expressions were read", len(exprs))
	}
	if err := p.close(); err != nil {
		t.Error(err)
	}
	logIsTraceable(t, p)
}

// logIsTraceable wants lines of JSON, and that of a change to tell who made it,
// under which request and trace; and no token anywhere.
func logIsTraceable(t *testing.T, p playing) {
	t.Helper()
	uuids, traces := 0, 0
	for line := range strings.Lines(p.log.String()) {
		var e struct {
			Msg, Method, User string
			RequestID         string `json:"request_id"`
			TraceID           string `json:"trace_id"`
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%q is no JSON: %v", line, err)
		}
		if e.Msg != "call" || e.User == "" {
			continue
		}
		if len(e.TraceID) == 32 {
			traces++
		}
		if _, err := uuid.Parse(e.RequestID); err == nil && strings.HasSuffix(e.Method, "BookPlan") {
			uuids++
		}
	}
	if uuids < 2 || traces < 10 {
		t.Errorf("%d bookings have their request id, %d calls a trace id:\n%s", uuids, traces, p.log)
	}
	if strings.Contains(p.log.String(), p.token) {
		t.Error("the log holds a token")
	}
}

// dashboard gives the expressions of the dashboard, each panel of which must be
// whole.
func dashboard(t *testing.T) []string {
	t.Helper()
	raw, err := os.ReadFile("../deploy/grafana/bayhold.json")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Title, UID string
		Panels     []struct {
			ID      int
			Type    string
			Title   string
			Targets []struct{ Expr, RefID string }
		}
	}
	if err := json.Unmarshal(raw, &d); err != nil {
		t.Fatal(err)
	}
	var out []string
	ids := map[int]bool{}
	for _, p := range d.Panels {
		if ids[p.ID] || p.Title == "" || p.Type != "row" && len(p.Targets) == 0 {
			t.Errorf("the panel %q (%d) is not whole", p.Title, p.ID)
		}
		ids[p.ID] = true
		for _, target := range p.Targets {
			out = append(out, target.Expr)
		}
	}
	return out
}

// alerts gives the expressions of the alert rules, each of which must tell what
// it is about and what to do.
func alerts(t *testing.T) []string {
	t.Helper()
	raw, err := os.ReadFile("../deploy/prometheus/bayhold.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	var rules struct {
		Groups []struct {
			Name  string
			Rules []struct {
				Alert, Expr string
				For         time.Duration
				Labels      map[string]string
				Annotations map[string]string
			}
		}
	}
	dec := yaml.NewDecoder(bytes.NewReader(raw))
	dec.KnownFields(true)
	if err := dec.Decode(&rules); err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			if r.Alert == "" || r.Labels["severity"] == "" || r.Annotations["summary"] == "" || r.Annotations["action"] == "" {
				t.Errorf("the rule %q does not tell what it is about", r.Alert)
			}
			out = append(out, r.Expr)
		}
	}
	return out
}
