package e2e

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"bayhold/internal/pgtest"
)

// bin is where the binaries under test lie.
var bin string

func TestMain(m *testing.M) { os.Exit(run(m)) }

// programsIn names a folder with programs that were built before, for a test that
// runs itself once more.
const programsIn = "BAYHOLD_E2E_PROGRAMS"

func run(m *testing.M) int {
	if bin = os.Getenv(programsIn); bin != "" {
		return m.Run()
	}
	dir, err := os.MkdirTemp("", "bayhold-e2e-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	bin = dir
	// #nosec G204 -- the test builds its own programs.
	build := exec.Command("go", "build", "-o", dir, "./server", "./client")
	build.Dir = "../.."
	if out, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "building the programs: %v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// server is a server process.
type server struct {
	addr  string
	wall  string // address of the board; empty if none is served
	token string // of the site's first user
	cmd   *exec.Cmd
	mu    sync.Mutex
	log   bytes.Buffer
}

// serve starts a server on the database and waits until it says that it serves.
func serve(t *testing.T, db *pgtest.DB, listen string, flags ...string) *server {
	t.Helper()
	return serveIn(t, nil, db, listen, flags...)
}

// serveIn is serve with more in the environment.
func serveIn(t *testing.T, env []string, db *pgtest.DB, listen string, flags ...string) *server {
	t.Helper()
	args := append([]string{"serve", "--listen", listen, "--rate", "0", "--address-rate", "0"}, flags...)
	s := &server{cmd: exec.Command(filepath.Join(bin, "server"), args...)} // #nosec G204
	// An empty address is none: the private PostgreSQL.
	s.cmd.Env = append(append(os.Environ(), "DATABASE_URL="+db.URL), env...)
	stderr, err := s.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.end(t) })
	ready := make(chan string, 1)
	go s.follow(stderr, ready)
	select {
	case s.addr = <-ready:
	case <-time.After(30 * time.Second):
	}
	if s.addr == "" {
		s.mu.Lock()
		defer s.mu.Unlock()
		t.Fatalf("the server does not serve:\n%s", s.log.String())
	}
	return s
}

// enrol makes the first user of a site, with all roles, whose token the clients
// show from now on.
func (s *server) enrol(t *testing.T, db *pgtest.DB, site string) {
	t.Helper()
	cmd := exec.Command(filepath.Join(bin, "server"), "user", "add", "first", "--site", site, "--time-zone", "UTC", // #nosec G204
		"--role", "manager", "--role", "administrator", "--bare")
	cmd.Env = append(os.Environ(), "DATABASE_URL="+db.URL)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("making the first user: %v", err)
	}
	s.token = strings.TrimSpace(string(out))
}

// follow keeps the log and finds the address in it.
func (s *server) follow(stderr io.Reader, ready chan<- string) {
	defer close(ready)
	for lines := bufio.NewScanner(stderr); lines.Scan(); {
		s.mu.Lock()
		s.log.Write(append(lines.Bytes(), '\n'))
		s.mu.Unlock()
		var entry struct{ Msg, Address string }
		if json.Unmarshal(lines.Bytes(), &entry) != nil {
			continue
		}
		switch entry.Msg {
		case "board": // said before "serving"
			s.wall = entry.Address
		case "serving":
			ready <- entry.Address
		}
	}
}

// end stops the server in good order, and wants it to end well.
func (s *server) end(t *testing.T) {
	t.Helper()
	if s.cmd.ProcessState != nil {
		return
	}
	_ = s.cmd.Process.Signal(syscall.SIGTERM)
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("the server ended with %v:\n%s", err, s.log.String())
	}
	if s.token != "" && strings.Contains(s.log.String(), s.token[len(s.token)-43:]) {
		t.Error("the server's log holds a token")
	}
}

// kill ends the server without a word.
func (s *server) kill(t *testing.T) {
	t.Helper()
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = s.cmd.Wait() // says "signal: killed"
}

// answer is what a client process said and how it ended.
type answer struct {
	out, err string
	code     int
}

// client runs the command-line client as a process of its own.
func (s *server) client(t *testing.T, args ...string) answer {
	t.Helper()
	cmd := exec.Command(filepath.Join(bin, "client"), args...) // #nosec G204
	home := t.TempDir()
	cmd.Env = []string{"BAYHOLD_SERVER=" + s.addr, "BAYHOLD_TOKEN=" + s.token, "HOME=" + home, "PATH=" + os.Getenv("PATH")}
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return answer{out.String(), errs.String(), cmd.ProcessState.ExitCode()}
}

// want fails unless the client ended with the code and said all of the words.
func (a answer) want(t *testing.T, code int, words ...string) {
	t.Helper()
	if a.code != code {
		t.Errorf("exit code %d, want %d\n%s%s", a.code, code, a.out, a.err)
	}
	for _, w := range words {
		if !strings.Contains(a.out+a.err, w) {
			t.Errorf("no word of %q in:\n%s%s", w, a.out, a.err)
		}
	}
}
