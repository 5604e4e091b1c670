package e2e

import (
	"context"
	"crypto/rand"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// cluster is a PostgreSQL of a test's own, which it may stop, kill and starve.
type cluster struct {
	dir, programs string
	port          int
	password      string
}

// programs is where PostgreSQL's server programs lie.
func programs(t testing.TB) string {
	t.Helper()
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/pg_ctl")
	if len(found) > 0 {
		return filepath.Dir(found[len(found)-1])
	}
	path, err := exec.LookPath("pg_ctl")
	if err != nil {
		t.Fatal("PostgreSQL's server programs are needed: install the package postgresql")
	}
	return filepath.Dir(path)
}

// asPostgres has a command run as somebody whom PostgreSQL accepts.
func asPostgres(t testing.TB, cmd *exec.Cmd) {
	t.Helper()
	cmd.Dir = "/"
	if os.Geteuid() != 0 {
		return
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		if u, err = user.Lookup("nobody"); err != nil {
			t.Fatal(err)
		}
	}
	uid, _ := strconv.ParseUint(u.Uid, 10, 32)
	gid, _ := strconv.ParseUint(u.Gid, 10, 32)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
}

// roomFor makes a directory that PostgreSQL's user owns, in memory if there is
// some.
func roomFor(t testing.TB) string {
	t.Helper()
	base := os.TempDir()
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		base = "/dev/shm"
	}
	dir, err := os.MkdirTemp(base, "bayhold-e2e-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	cmd := exec.Command("true")
	asPostgres(t, cmd)
	if cmd.SysProcAttr != nil {
		if err := os.Chown(dir, int(cmd.SysProcAttr.Credential.Uid), int(cmd.SysProcAttr.Credential.Gid)); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// unusedPort is a port of loopback on which nobody listens just now.
func unusedPort(t testing.TB) int {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = lis.Close() }()
	return lis.Addr().(*net.TCPAddr).Port
}

// newCluster makes one and starts it. It ends with the test.
func newCluster(t testing.TB) *cluster {
	t.Helper()
	dir := roomFor(t)
	c := &cluster{dir: filepath.Join(dir, "data"), programs: programs(t), port: unusedPort(t), password: rand.Text()}
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte(c.password+"\n"), 0o644); err != nil { // #nosec G306 -- of a cluster that a test throws away
		t.Fatal(err)
	}
	c.run(t, "initdb", "-D", c.dir, "-U", "postgres", "--pwfile", secret, "-A", "scram-sha-256", "--no-sync", "-E", "UTF8", "--locale=C")
	c.set(t, "listen_addresses = '127.0.0.1'", fmt.Sprintf("port = %d", c.port), "unix_socket_directories = ''", "max_connections = 60",
		"shared_buffers = 64MB", "deadlock_timeout = 200ms")
	t.Cleanup(func() { c.try("pg_ctl", "-D", c.dir, "-m", "immediate", "-w", "stop") })
	c.start(t)
	return c
}

// set adds lines to the configuration.
func (c *cluster) set(t testing.TB, lines ...string) {
	t.Helper()
	f, err := os.OpenFile(filepath.Join(c.dir, "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	if _, err := f.WriteString(strings.Join(lines, "\n") + "\n"); err != nil {
		t.Fatal(err)
	}
}

func (c *cluster) start(t testing.TB) {
	t.Helper()
	c.run(t, "pg_ctl", "-D", c.dir, "-l", filepath.Join(filepath.Dir(c.dir), "log"), "-w", "start")
}

// stop ends it in a mode of pg_ctl: fast or immediate.
func (c *cluster) stop(t testing.TB, mode string) {
	t.Helper()
	c.run(t, "pg_ctl", "-D", c.dir, "-m", mode, "-w", "stop")
}

func (c *cluster) run(t testing.TB, program string, args ...string) {
	t.Helper()
	cmd := c.command(t, program, args...)
	// No pipes: the server that pg_ctl starts would keep them open.
	out, err := os.CreateTemp("", "bayhold-e2e-out-")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _, _ = out.Close(), os.Remove(out.Name()) }()
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Run(); err != nil {
		said, _ := os.ReadFile(out.Name())
		t.Fatalf("%s %v: %v\n%s", program, args, err, said)
	}
}

func (c *cluster) try(program string, args ...string) {
	cmd := exec.Command(filepath.Join(c.programs, program), args...) // #nosec G204
	cmd.Dir = "/"
	if os.Geteuid() == 0 {
		info, err := os.Stat(c.dir)
		if err != nil {
			return
		}
		st := info.Sys().(*syscall.Stat_t)
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: st.Uid, Gid: st.Gid}}
	}
	_ = cmd.Run()
}

func (c *cluster) command(t testing.TB, program string, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(filepath.Join(c.programs, program), args...) // #nosec G204
	cmd.Env = []string{"LC_ALL=C", "TZ=UTC", "PATH=/usr/bin:/bin", "PGPASSWORD=" + c.password}
	asPostgres(t, cmd)
	return cmd
}

// address is a connection string for a role, by way of addr if there is one.
func (c *cluster) address(role, addr string) string {
	if addr == "" {
		addr = fmt.Sprintf("127.0.0.1:%d", c.port)
	}
	return fmt.Sprintf("postgres://%s:%s@%s/postgres?sslmode=disable&connect_timeout=3", role, c.password, addr)
}

// furnish makes the schema, and the role that a server works as.
func (c *cluster) furnish(t testing.TB) {
	t.Helper()
	c.exec(t, fmt.Sprintf("CREATE ROLE bayhold_server LOGIN PASSWORD '%s'", c.password))
	cmd := exec.Command(filepath.Join(bin, "server"), "migrate", "--grant", "bayhold_server", "--database", c.address("postgres", "")) // #nosec G204
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
}

// exec runs statements as the superuser.
func (c *cluster) exec(t testing.TB, statements ...string) {
	t.Helper()
	conn := c.connect(t)
	defer func() { _ = conn.Close(context.Background()) }()
	for _, sql := range statements {
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
}

// connect opens a connection of the superuser's.
func (c *cluster) connect(t testing.TB) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), c.address("postgres", ""))
	if err != nil {
		t.Fatal(err)
	}
	return conn
}

// await asks again and again until something holds.
func await(t testing.TB, what string, within time.Duration, holds func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), within)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-ctx.Done():
			t.Fatalf("%s: not within %s", what, within)
		case <-tick.C:
		}
	}
}
