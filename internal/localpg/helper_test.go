package localpg

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5"
)

// place makes a directory that PostgreSQL's user can reach even if we are root,
// in memory if it may be: most of these tests make a cluster.
func place(t *testing.T) string {
	t.Helper()
	var st syscall.Statfs_t
	if syscall.Statfs("/dev/shm", &st) == nil && st.Bavail*uint64(st.Bsize) > 4<<30 {
		return placeIn(t, "/dev/shm")
	}
	return placeIn(t, "")
}

func placeIn(t *testing.T, base string) string {
	t.Helper()
	dir, err := os.MkdirTemp(base, "localpg-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// quick are options for a server whose data nobody will miss.
func quick(t *testing.T, dir string) Options {
	return Options{DataDir: dir, Volatile: true, NoFetch: true, Progress: func(s string) { t.Log(s) }}
}

func start(t *testing.T, o Options) *Server {
	t.Helper()
	s, err := Start(t.Context(), o)
	if err != nil {
		t.Fatalf("start: %v", err)
	}
	t.Cleanup(func() { stop(t, s) })
	return s
}

func stop(t *testing.T, s *Server) {
	t.Helper()
	if err := s.Stop(context.Background()); err != nil {
		t.Errorf("stop: %v", err)
	}
}

func one[T any](t *testing.T, u, sql string) T {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), u)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var v T
	if err := conn.QueryRow(t.Context(), sql).Scan(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

func do(t *testing.T, u, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), u)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
}

func wantReason(t *testing.T, err error, kind fault.Kind, reason string) {
	t.Helper()
	f := fault.Fault(err)
	if f == nil || f.Kind != kind || f.Reason != reason {
		t.Errorf("got %v, want a fault %s of kind %q", err, reason, kind)
	}
}

// Copies of this test program play the programs that get killed.
const (
	helperPart = "BAYHOLD_LOCALPG_HELPER"
	helperDir  = "BAYHOLD_LOCALPG_DIR"
)

func TestHelperProcess(t *testing.T) {
	part := os.Getenv(helperPart)
	if part == "" {
		return
	}
	o := quick(t, os.Getenv(helperDir))
	o.orphan = part == "orphan"
	if part == "slow" {
		o.Progress = func(s string) { fmt.Println("said", s) }
	}
	s, err := Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Println("pid", s.PID())
	_, _ = io.Copy(io.Discard, os.Stdin) // until it is killed, or its parent ends
	stop(t, s)
}

// program starts a copy that works on dir, and answers when it says something
// that begins with word: the copy, and the rest of what it said.
func program(t *testing.T, part, dir, word string) (*exec.Cmd, string) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestHelperProcess$", "-test.v")
	cmd.Env = append(os.Environ(), helperPart+"="+part, helperDir+"="+dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close()
		_ = cmd.Wait() // most were killed
	})
	var said []string
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), word+" "); ok {
			return cmd, rest
		}
		said = append(said, lines.Text())
	}
	t.Fatalf("the program ended without a word:\n%s", strings.Join(said, "\n"))
	return nil, ""
}

// killed starts a program on dir, kills it the hard way, and answers the number
// of the postmaster that it had.
func killed(t *testing.T, part, dir string) int {
	t.Helper()
	cmd, rest := program(t, part, dir, "pid")
	pid, err := strconv.Atoi(rest)
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	return pid
}

// eventually waits for what another process is about to do.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 30 s: %s", what)
		}
	}
}

func vanished(pid int) bool { return syscall.Kill(pid, 0) == syscall.ESRCH }

func logOf(t *testing.T, dir string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "postgres.log"))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
