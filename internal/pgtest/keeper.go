package pgtest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"syscall"
)

// The keeper is a process beside the test process: the same program, started
// anew with keeperEnv set. It starts the server, writes where it is, and waits
// for its standard input to end. That happens when the test process ends, be it
// by its last test, a panic, a timeout or kill -9; then the keeper stops the
// server and clears away what it had. So nothing is left behind, no TestMain is
// needed, and no goroutine of ours stands in the test process.

const keeperEnv = "BAYHOLD_PGTEST_KEEPER"

// report is what the keeper has to say: one line of JSON.
type report struct {
	URL       string `json:"url"`
	Superuser string `json:"superuser"`
	Role      string `json:"role"`
	Note      string `json:"note"`
	Failure   string `json:"failure"`
}

// init turns the process into a keeper before any test is looked at.
func init() {
	if os.Getenv(keeperEnv) == "" {
		return
	}
	// An interrupt at the terminal is for the tests; we end when they have.
	signal.Ignore(syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP)
	keep(os.Stdin, os.Stdout)
	os.Exit(0)
}

// startKeeper starts a keeper and asks it for a server.
func startKeeper() (*server, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	in, hold, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer in.Close()
	read, out, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer read.Close()
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), keeperEnv+"=1")
	cmd.Dir = "/"
	cmd.Stdin, cmd.Stdout = in, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	err = cmd.Start()
	out.Close()
	if err != nil {
		return nil, err
	}
	// It outlives us, so nobody waits for it.
	var r report
	if err := json.NewDecoder(read).Decode(&r); err != nil {
		return nil, fmt.Errorf("the keeper ended: %w", err)
	}
	if r.Note != "" {
		fmt.Fprintln(os.Stderr, "pgtest:", r.Note)
	}
	if r.Failure != "" {
		return nil, errors.New(r.Failure)
	}
	return &server{url: r.URL, superuser: r.Superuser, role: r.Role, leash: hold}, nil
}

// keep is the keeper's life.
func keep(in io.Reader, out io.Writer) {
	ctx, cancel := context.WithCancel(context.Background())
	released := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, in) // nothing is ever sent: it ends
		cancel()                       // a start that nobody waits for any more
		close(released)
	}()
	r, stop := provide(ctx)
	// If nobody listens, the input has ended as well.
	_ = json.NewEncoder(out).Encode(r)
	<-released
	stop()
}

// provide starts a server by the first way that works.
func provide(ctx context.Context) (report, func()) {
	only := os.Getenv("BAYHOLD_TEST_ON")
	var r report
	var failures []error
	for _, way := range []struct {
		name  string
		start func(context.Context) (run, error)
	}{
		{"container", startContainer},
		{"local", startLocal},
	} {
		if only != "" && only != way.name {
			continue
		}
		got, err := way.start(ctx)
		if err == nil {
			if r.URL, err = apprentice(ctx, got.superuser); err == nil {
				r.Superuser, r.Role = got.superuser, serverRole
				return r, got.stop
			}
			got.stop()
		}
		failures = append(failures, fmt.Errorf("%s: %w", way.name, err))
		if !errors.Is(err, errNoDocker) {
			r.Note = failures[len(failures)-1].Error()
		}
	}
	if len(failures) == 0 {
		failures = []error{fmt.Errorf("BAYHOLD_TEST_ON is %q, not container or local", only)}
	}
	return report{Failure: errors.Join(failures...).Error()}, func() {}
}

// run is a server that a way of starting one has brought up.
type run struct {
	// superuser is a connection string as a superuser.
	superuser string
	// stop ends the server and removes what it had.
	stop func()
}
