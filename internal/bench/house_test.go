package bench

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"bayhold/internal/localpg"
	"bayhold/internal/pgtest"
	"bayhold/migrations"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

var keepFlag = flag.String("keep", "", "directory in which the databases stay, to be measured again; default: they go")

var serverFlag = flag.String("server", "", "the server's program, for who has built it before; default: it is built")

// house is a server process, and the database behind it.
type house struct {
	b       *testing.B
	pg      *localpg.Server
	db      *pgx.Conn // as the superuser
	url     string    // of the database, for the server
	bin     string
	addr    string
	cmd     *exec.Cmd
	started time.Duration // from its start until it served
	tokens  map[string]string
}

func open(b *testing.B) *house {
	b.Helper()
	ctx := b.Context()
	dir := *keepFlag
	if dir == "" {
		dir = pgtest.Dir(b)
	}
	pg, err := localpg.Start(ctx, localpg.Options{DataDir: filepath.Join(dir, "pg"), Settings: map[string]string{
		"max_connections": "100", "shared_buffers": "256MB", "max_wal_size": "2GB",
		"track_commit_timestamp": "on",
	}})
	must(b, err)
	b.Cleanup(func() { _ = pg.Stop(context.Background()) })
	must(b, migrations.Up(ctx, pg.URL(), nil))
	must(b, migrations.Grant(ctx, pg.URL(), localpg.ServerRole))
	h := &house{b: b, pg: pg, url: pg.ServerURL(), bin: filepath.Join(b.TempDir(), "server")}
	h.db, err = pgx.Connect(ctx, pg.SuperuserURL(localpg.Database))
	must(b, err)
	b.Cleanup(func() { _ = h.db.Close(context.Background()) })
	if *serverFlag != "" {
		h.bin = *serverFlag
		h.serve()
		return h
	}
	build := exec.Command("go", "build", "-o", h.bin, "./server") // #nosec G204
	build.Dir = "../.."
	if out, err := build.CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	h.serve()
	return h
}

// serve starts the server, and the one before ends.
func (h *house) serve() {
	h.end()
	began := time.Now()
	h.cmd = exec.Command(h.bin, "serve", "--listen", "127.0.0.1:0", "--rate", "0", "--address-rate", "0", "--max-streams", "1000", // #nosec G204
		"--max-calls", "1000", "--max-connections", "0", "--max-connections-per-address", "0", "--planners", "0", "--database-connections", "16")
	h.cmd.Env = append(os.Environ(), "DATABASE_URL="+h.url)
	log, err := h.cmd.StderrPipe()
	must(h.b, err)
	must(h.b, h.cmd.Start())
	h.b.Cleanup(h.end)
	ready := make(chan string, 1)
	go func() {
		for lines := bufio.NewScanner(log); lines.Scan(); {
			var entry struct{ Msg, Address string }
			if json.Unmarshal(lines.Bytes(), &entry) == nil && entry.Msg == "serving" {
				ready <- entry.Address
			}
		}
		close(ready)
	}()
	if h.addr = <-ready; h.addr == "" {
		h.b.Fatal("the server does not serve")
	}
	h.started = time.Since(began)
}

func (h *house) end() {
	if h.cmd != nil && h.cmd.ProcessState == nil {
		_ = h.cmd.Process.Signal(syscall.SIGTERM)
		_ = h.cmd.Wait()
	}
}

// resident is the server's memory in MB.
func (h *house) resident() float64 { return h.memory(h.cmd.Process.Pid, "VmRSS") }

// memory is one of the figures of a process in MB; 0 if it has ended.
func (h *house) memory(pid int, figure string) float64 {
	text, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	for line := range strings.Lines(string(text)) {
		var kb float64
		if n, _ := fmt.Sscanf(line, figure+": %f kB", &kb); n == 1 {
			return kb / 1024
		}
	}
	return 0
}

// processes visits all processes of the machine, with the fields of proc(5) from
// the third on.
func (h *house) processes(visit func(pid, parent int, fields []string)) {
	all, err := filepath.Glob("/proc/[0-9]*/stat")
	must(h.b, err)
	for _, path := range all {
		text, err := os.ReadFile(path) // #nosec G304
		if err != nil {
			continue // it has ended
		}
		var pid int
		_, _ = fmt.Sscan(string(text), &pid)
		fields := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
		parent, _ := strconv.Atoi(fields[1])
		visit(pid, parent, fields)
	}
}

// site makes a workshop and gives a connection of its manager's: one bay, two
// technicians, four tools and a job that takes them all for an hour, and tools
// and a job of 60 steps besides.
func (h *house) site(slug string) *grpc.ClientConn {
	add := exec.Command(h.bin, "user", "add", "u-"+uuid.NewString()[:8], "--site", slug, "--time-zone", "UTC", "--role", "manager", "--role", "administrator", "--bare") // #nosec G204
	add.Env = append(os.Environ(), "DATABASE_URL="+h.url)
	token, err := add.Output()
	must(h.b, err)
	if h.tokens == nil {
		h.tokens = map[string]string{}
	}
	h.tokens[slug] = strings.TrimSpace(string(token))
	conn := h.dial(h.tokens[slug])
	_, err = bayholdv1.NewSiteServiceClient(conn).ImportWorkshop(h.b.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "bench.yaml", Content: []byte(workshop(slug))}}, RequestId: uuid.NewString(),
	})
	must(h.b, err)
	return conn
}

func (h *house) dial(token string) *grpc.ClientConn {
	conn, err := grpc.NewClient(h.addr, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithPerRPCCredentials(bearer(token)))
	must(h.b, err)
	h.b.Cleanup(func() { _ = conn.Close() })
	return conn
}

type bearer string

// GetRequestMetadata shows the token with every call.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

// RequireTransportSecurity is false, on loopback.
func (b bearer) RequireTransportSecurity() bool { return false }

// workshop is the file of a site, all invented.
func workshop(slug string) string {
	var s strings.Builder
	fmt.Fprintf(&s, "site: {id: %s, name: Bench, time_zone: UTC}\nengine_families: [{id: orbit, name: Orbit}]\nbays: [{id: bay-1, name: Bay 1}]\n", slug)
	s.WriteString("technicians:\n")
	for i := range 2 {
		fmt.Fprintf(&s, "  - {id: tech-%d, name: Tech %d, shifts: {mon-sun: \"00:00-24:00\"}}\n", i+1, i+1)
	}
	s.WriteString("tool_types:\n")
	for i := range 4 {
		fmt.Fprintf(&s, "  - {id: kind-%d, name: Kind %d, purpose: OTHER}\n", i+1, i+1)
	}
	s.WriteString("  - {id: spare, name: Spare, purpose: OTHER}\ntools:\n")
	for i := range 4 {
		fmt.Fprintf(&s, "  - {tag: T-%d, type: kind-%d}\n", i+1, i+1)
	}
	for i := range spares {
		fmt.Fprintf(&s, "  - {tag: S-%d, type: spare}\n", i+1)
	}
	s.WriteString("procedures:\n  - {id: hour, title: Hour, family: orbit, steps: [{id: do, title: Do it, estimate: 60, people: 2, tools: [kind-1, kind-2, kind-3, kind-4]}]}\n")
	s.WriteString("  - id: sixty\n    title: Sixty steps\n    family: orbit\n    steps:\n")
	for i := range 60 {
		fmt.Fprintf(&s, "      - {id: s-%d, title: Step %d, estimate: 10, tools: [kind-%d]}\n", i+1, i+1, i%4+1)
	}
	return s.String()
}

const spares = 40

func must(b *testing.B, err error) {
	if err != nil {
		b.Helper()
		b.Fatal(err)
	}
}

// times are how long calls took.
type times []time.Duration

// at gives the share that is no longer than the result, in milliseconds.
func (t times) at(share float64) float64 {
	sorted := slices.Sorted(slices.Values(t))
	return float64(sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]) / 1e6
}

// machine says what it was measured on.
func (h *house) machine() string {
	var version, model string
	must(h.b, h.db.QueryRow(h.b.Context(), "SHOW server_version").Scan(&version))
	text, _ := os.ReadFile("/proc/cpuinfo")
	for line := range strings.Lines(string(text)) {
		if k, v, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(k) == "model name" {
			model = strings.TrimSpace(v)
		}
	}
	load, _ := os.ReadFile("/proc/loadavg")
	return fmt.Sprintf("%d cores %s; PostgreSQL %s; %s; load before: %s", runtime.NumCPU(), model, version, runtime.Version(), strings.TrimSpace(string(load)))
}
