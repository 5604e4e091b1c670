package localpg

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
)

// testProcess is a copy of this test program that runs one test.
func testProcess(t *testing.T, test string, env ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^"+test+"$", "-test.v")
	cmd.Env = append(os.Environ(), env...)
	return cmd
}

func TestAKilledProgramStopsItsPostgres(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		return // no other kernel tells children of a parent's death; next test
	}
	dir := place(t)
	pid := killed(t, "serve", dir)
	s := start(t, quick(t, dir)) // at once: it must wait for the one that stops
	if s.PID() == pid {
		t.Error("the old postmaster was taken over; want it stopped")
	}
	if said := logOf(t, dir); strings.Contains(said, "not properly shut down") {
		t.Errorf("the stop was not clean:\n%s", said)
	}
}

func TestAnOrphanIsTakenOverAndStopped(t *testing.T) {
	t.Parallel()
	dir := place(t)
	pid := killed(t, "orphan", dir)
	s := start(t, quick(t, dir))
	if s.PID() != pid {
		t.Errorf("postmaster %d runs, want the orphan %d", s.PID(), pid)
	}
	do(t, s.URL(), "CREATE TABLE kept (x int)")
	stop(t, s)
	if isPostmaster(pid, filepath.Join(dir, "cluster")) {
		t.Error("the orphan runs after the stop")
	}
	start(t, quick(t, dir))
}

func TestAnOrphanThatIsShuttingDownIsWaitedFor(t *testing.T) {
	t.Parallel()
	dir := place(t)
	pid := killed(t, "orphan", dir)
	if err := syscall.Kill(pid, syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	s := start(t, quick(t, dir))
	if got := one[int](t, s.URL(), "SELECT 1"); got != 1 {
		t.Error("no answer")
	}
}

// TestAPostmasterThatWasKilled leaves its lock, and for a moment processes that
// hold its memory.
func TestAPostmasterThatWasKilled(t *testing.T) {
	t.Parallel()
	dir := place(t)
	pid := killed(t, "orphan", dir)
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	s := start(t, quick(t, dir))
	if got := one[int](t, s.URL(), "SELECT 1"); got != 1 {
		t.Error("no answer")
	}
}

// TestALockWhoseNumberIsAnothers has a lock file name a process that lives, but
// is no PostgreSQL; by itself PostgreSQL would refuse to start.
func TestALockWhoseNumberIsAnothers(t *testing.T) {
	t.Parallel()
	dir := place(t)
	s := start(t, quick(t, dir))
	stop(t, s)
	other := exec.Command("sleep", "600")
	other.SysProcAttr = s.home.acc.attributes() // of PostgreSQL's own user
	other.Dir = "/"
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = other.Process.Kill()
		_ = other.Wait()
	}()
	lock := fmt.Sprintf("%d\n%s\n1\n%s\n%s\n\n  1 1\nready   \n", other.Process.Pid, s.home.cluster(), port, s.home.sock)
	for _, path := range []string{filepath.Join(dir, "cluster", "postmaster.pid"), filepath.Join(dir, "run", ".s.PGSQL."+port+".lock")} {
		if err := os.WriteFile(path, []byte(lock), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := s.home.acc.own(path); err != nil {
			t.Fatal(err)
		}
	}
	start(t, quick(t, dir))
	if vanished(other.Process.Pid) {
		t.Error("the other process was ended")
	}
}

// TestInitdbThatWasKilled kills the program while it makes the cluster.
func TestInitdbThatWasKilled(t *testing.T) {
	t.Parallel()
	dir := place(t)
	cmd, _ := program(t, "slow", dir, "said making")
	eventually(t, "initdb at work", func() bool {
		data, err := filepath.Glob(filepath.Join(dir, "cluster.new-*", "data", "base"))
		return err == nil && len(data) > 0
	})
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	if _, err := os.Stat(filepath.Join(dir, "cluster")); !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("a cluster is there already: %v", err)
	}
	start(t, quick(t, dir))
	left, err := filepath.Glob(filepath.Join(dir, "cluster.new-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left: %v, %v", left, err)
	}
}

func TestReadLockFile(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, text string
		want       lockFile
		ok         bool
	}{
		{"ready", "42\n/data\n1700000000\n5432\n/run\n\n  123 4\nready   \n", lockFile{pid: 42, port: "5432", sockDir: "/run"}, true},
		{"stopping", "42\n/data\n1700000000\n5432\n/run\n\n  123 4\nstopping\n", lockFile{pid: 42, port: "5432", sockDir: "/run", stopping: true}, true},
		{"just begun", "42\n/data\n", lockFile{pid: 42}, true},
		{"emptied by a crash", "", lockFile{}, false},
		{"nonsense", "\x00\x00\x00", lockFile{}, false},
		{"a single user's", "-42\n/data\n", lockFile{pid: 42}, true},
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "postmaster.pid"), []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		got, ok, err := readLockFile(dir)
		if err != nil || ok != c.ok || got != c.want {
			t.Errorf("%s: %+v, %v, %v; want %+v, %v", c.name, got, ok, err, c.want, c.ok)
		}
	}
}

// TestAsAnOrdinaryUser runs the tests of a server's life again as somebody who
// is not root, if we are.
func TestAsAnOrdinaryUser(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		return // we are one
	}
	acc, err := chooseAccount("")
	if err != nil {
		t.Fatal(err)
	}
	// The go command keeps test programs where nobody else may look, and from
	// memory programs often may not be run.
	dir := placeIn(t, "")
	self := filepath.Join(dir, "localpg.test")
	if err := copyFile(os.Args[0], self); err != nil {
		t.Fatal(err)
	}
	home := filepath.Join(dir, "home")
	if err := os.Mkdir(home, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := acc.own(home); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), self, "-test.v", "-test.run",
		"TestItKeepsDataAndTellsNobody|TestAKilledProgram|TestAnOrphanIsTakenOver|TestALockWhoseNumber|TestTwoServers|TestALongPath|TestHelperProcess")
	cmd.SysProcAttr = acc.attributes()
	cmd.Dir = home
	cmd.Env = []string{"HOME=" + home, "PATH=" + os.Getenv("PATH"), "USER=" + acc.name}
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "--- PASS: TestItKeepsDataAndTellsNobody") {
		t.Errorf("as %s: %v:\n%s", acc.name, err, out)
	}
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o755)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
