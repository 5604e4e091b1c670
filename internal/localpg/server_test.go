package localpg

import (
	"context"
	"errors"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
)

func TestItKeepsDataAndTellsNobody(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(place(t), "data")
	// As a workshop runs it, with everything written through.
	s := start(t, Options{DataDir: dir, NoFetch: true})
	do(t, s.URL(), "CREATE EXTENSION btree_gist; CREATE TABLE kept (x int); INSERT INTO kept VALUES (7)")
	for sql, want := range map[string]string{
		"SHOW fsync":               "on",
		"SHOW full_page_writes":    "on",
		"SHOW synchronous_commit":  "on",
		"SHOW data_checksums":      "on",
		"SHOW server_encoding":     "UTF8",
		"SHOW TimeZone":            "UTC",
		"SHOW log_timezone":        "UTC",
		"SHOW max_connections":     "100",
		"SHOW listen_addresses":    "",
		"SHOW password_encryption": "scram-sha-256",
		"SELECT datcollate FROM pg_database WHERE datname = current_database()":     "C",
		"SELECT rolsuper::text FROM pg_roles WHERE rolname = current_user":          "false",
		"SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = 'bayhold'": Role,
		"SELECT string_agg(DISTINCT auth_method, ',') FROM pg_hba_file_rules":       "scram-sha-256",
	} {
		u := s.URL()
		if strings.Contains(sql, "pg_hba") {
			u = s.SuperuserURL("postgres")
		}
		if got := one[string](t, u, sql); got != want {
			t.Errorf("%s: %q, want %q", sql, got, want)
		}
	}
	const powers = `SELECT concat_ws(' ', rolname, rolsuper, rolcreaterole, rolcreatedb, rolbypassrls,
		pg_has_role('bayhold', 'MEMBER'), has_database_privilege(current_database(), 'CREATE'))
		FROM pg_roles WHERE rolname = current_user`
	if got, want := one[string](t, s.ServerURL(), powers), "bayhold_server f f f f f f"; got != want {
		t.Errorf("the server's role has more powers than it should: %q, want %q", got, want)
	}
	for name, want := range map[string]fs.FileMode{
		"password": 0o600, "server-password": 0o600, "superuser-password": 0o600, "postgres.log": 0o600, "lock": 0o600,
		"cluster": 0o700, "run": 0o700,
	} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Error(err)
		} else if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %o, want %o", name, got, want)
		}
	}

	stop(t, s)
	if _, err := os.Stat(filepath.Join(dir, "cluster", "postmaster.pid")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("after a stop its lock is still there: %v", err)
	}
	again := start(t, Options{DataDir: dir, NoFetch: true})
	if again.URL() != s.URL() {
		t.Error("the address changed with a restart")
	}
	if got := one[int](t, again.URL(), "SELECT x FROM kept"); got != 7 {
		t.Errorf("kept %d, want 7", got)
	}
}

func TestAWrongPasswordStaysOutside(t *testing.T) {
	t.Parallel()
	s := start(t, quick(t, place(t)))
	u, err := url.Parse(s.URL())
	if err != nil {
		t.Fatal(err)
	}
	u.User = url.UserPassword(Role, "guess")
	_, err = pgconn.Connect(t.Context(), u.String())
	if pe := new(pgconn.PgError); !errors.As(err, &pe) || pe.Code != "28P01" {
		t.Errorf("got %v, want invalid_password (28P01)", err)
	}
}

func TestRootIsDropped(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		return // an ordinary user has nothing to drop: see TestAsAnOrdinaryUser
	}
	s := start(t, quick(t, filepath.Join(place(t), "a", "b")))
	for _, path := range []string{"cluster", "run", "cluster/PG_VERSION"} {
		if uid, _, ok := owner(s.home.path(path)); !ok || uid == 0 {
			t.Errorf("%s is root's", path)
		}
	}
	for _, path := range []string{"password", "superuser-password", "postgres.log", "lock", ""} {
		if uid, _, ok := owner(s.home.path(path)); !ok || uid != 0 {
			t.Errorf("%q is not root's", path)
		}
	}
	status, err := os.ReadFile("/proc/" + one[string](t, s.SuperuserURL("postgres"), "SELECT pg_backend_pid()::text") + "/status")
	if err != nil {
		return // no /proc here; the owners of what it wrote are proof enough
	}
	for _, line := range strings.Split(string(status), "\n") {
		if f := strings.Fields(line); len(f) > 1 && (f[0] == "Uid:" || f[0] == "Gid:") && f[1] == "0" {
			t.Errorf("PostgreSQL runs as root: %s", line)
		}
		if f := strings.Fields(line); len(f) > 1 && f[0] == "Groups:" {
			t.Errorf("PostgreSQL kept root's groups: %s", line)
		}
	}
}

func TestADirectoryOutOfReachIsRefused(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		return // only root's PostgreSQL is another user than root
	}
	shut := filepath.Join(place(t), "shut")
	if err := os.Mkdir(shut, 0o700); err != nil {
		t.Fatal(err)
	}
	_, err := Start(t.Context(), quick(t, filepath.Join(shut, "data")))
	wantReason(t, err, fault.Precondition, "DATA_DIR_UNREACHABLE")
	if err != nil && !strings.Contains(err.Error(), shut+":") {
		t.Errorf("the directory in the way is not named: %v", err)
	}
}

// TestAUmaskThatShutsEverything runs in a process of its own, for a umask is
// the whole process's.
func TestAUmaskThatShutsEverything(t *testing.T) {
	t.Parallel()
	cmd := testProcess(t, "TestUnderAUmask", "BAYHOLD_LOCALPG_UMASK=1")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v:\n%s", err, out)
	}
}

func TestUnderAUmask(t *testing.T) {
	if os.Getenv("BAYHOLD_LOCALPG_UMASK") == "" {
		return
	}
	dir := place(t)
	defer syscall.Umask(syscall.Umask(0o077))
	start(t, quick(t, filepath.Join(dir, "a", "b")))
}

func TestTwoServersOnOneDirectory(t *testing.T) {
	t.Parallel()
	dir := place(t)
	var wg sync.WaitGroup
	servers, errs := make([]*Server, 4), make([]error, 4)
	for i := range servers {
		wg.Go(func() { servers[i], errs[i] = Start(t.Context(), quick(t, dir)) })
	}
	wg.Wait()
	running := 0
	for i, s := range servers {
		if s != nil {
			running++
			defer stop(t, s)
			continue
		}
		wantReason(t, errs[i], fault.Precondition, "DATA_DIR_IN_USE")
	}
	if running != 1 {
		t.Errorf("%d of 4 run, want 1", running)
	}
}

func TestALongPathToTheData(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(place(t), strings.Repeat("long", 30), "data")
	s := start(t, quick(t, dir))
	if got := one[int](t, s.URL(), "SELECT 1"); got != 1 {
		t.Error("no answer")
	}
	sock := s.sock
	if len(sock) > longestSocket-len("/.s.PGSQL.5432") {
		t.Errorf("the socket's directory %s is too long", sock)
	}
	stop(t, s)
	if _, err := os.Stat(sock); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the socket's directory is left: %v", err)
	}
}

func TestAStartThatIsGivenUp(t *testing.T) {
	t.Parallel()
	dir := place(t)
	for _, at := range []string{"making", "starting"} {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		o := quick(t, dir)
		o.Progress = func(s string) {
			if strings.HasPrefix(s, at) {
				cancel()
			}
		}
		_, err := Start(ctx, o)
		wantReason(t, err, fault.Canceled, "START_INTERRUPTED")
		left, err := filepath.Glob(filepath.Join(dir, "cluster.new-*"))
		if err != nil || len(left) > 0 {
			t.Errorf("given up while %s: left %v, %v", at, left, err)
		}
	}
	if _, ok, err := readLockFile(filepath.Join(dir, "cluster")); ok || err != nil {
		t.Errorf("PostgreSQL still runs: %v, %v", ok, err)
	}
	start(t, quick(t, dir))
}

func TestAStopAtOnceIsRecoveredFrom(t *testing.T) {
	t.Parallel()
	dir := place(t)
	o := quick(t, dir)
	o.Settings = map[string]string{"synchronous_commit": "on"}
	s := start(t, o)
	do(t, s.URL(), "CREATE TABLE kept (x int); INSERT INTO kept VALUES (7)")
	now, cancel := context.WithCancel(t.Context())
	cancel()
	for range 2 { // a second stop answers what the first did
		if err := s.Stop(now); err != nil {
			t.Fatal(err)
		}
	}
	s = start(t, quick(t, dir))
	if got := one[int](t, s.URL(), "SELECT x FROM kept"); got != 7 {
		t.Errorf("kept %d, want 7", got)
	}
}

func TestForeignDataIsLeftAlone(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, version, reason string }{
		{"another major version", "9999\n", "POSTGRES_VERSION"},
		{"no version", "", "NOT_A_CLUSTER"},
	} {
		dir := place(t)
		if err := os.Mkdir(filepath.Join(dir, "cluster"), 0o755); err != nil {
			t.Fatal(err)
		}
		if c.version != "" {
			if err := os.WriteFile(filepath.Join(dir, "cluster", "PG_VERSION"), []byte(c.version), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.WriteFile(filepath.Join(dir, "superuser-password"), []byte("x\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := Start(t.Context(), quick(t, dir))
		wantReason(t, err, fault.Precondition, c.reason)
	}
}

func TestResolveKeepsTheOrder(t *testing.T) {
	t.Parallel()
	env := func(v string) func(string) string {
		return func(name string) string {
			if name == "DATABASE_URL" {
				return v
			}
			return ""
		}
	}
	o := quick(t, place(t))
	for _, c := range []struct{ flag, env, want string }{
		{"by-flag", "by-environment", "by-flag"},
		{"", "by-environment", "by-environment"},
	} {
		found, err := Resolve(t.Context(), c.flag, env(c.env), o)
		if err != nil || found.URL != c.want || found.Private != nil {
			t.Errorf("%+v: got %+v, %v", c, found, err)
		}
		if err := found.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}
	found, err := Resolve(t.Context(), "", env(""), o)
	if err != nil {
		t.Fatal(err)
	}
	if got := one[string](t, found.URL, "SELECT current_database()"); got != Database {
		t.Errorf("the private server's database is %q", got)
	}
	if err := found.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	<-found.Private.Done()
}

func TestDefaultDataDir(t *testing.T) {
	t.Parallel()
	env := func(pairs ...string) func(string) string {
		return func(name string) string {
			for i := 0; i < len(pairs); i += 2 {
				if pairs[i] == name {
					return pairs[i+1]
				}
			}
			return ""
		}
	}
	atHome := "/home/a/.local/share/bayhold"
	if os.Geteuid() == 0 {
		atHome = "/var/lib/bayhold"
	}
	for _, c := range []struct {
		name string
		env  func(string) string
		want string
	}{
		{"XDG first", env("XDG_DATA_HOME", "/x", "HOME", "/home/a"), "/x/bayhold"},
		{"a relative XDG does not count", env("XDG_DATA_HOME", "x", "HOME", "/home/a"), atHome},
		{"then home", env("HOME", "/home/a"), atHome},
	} {
		got, err := DefaultDataDir(c.env)
		if err != nil || got != c.want {
			t.Errorf("%s: %q, %v; want %q", c.name, got, err, c.want)
		}
	}
}

func TestAServerThatDoesNotStartSaysWhy(t *testing.T) {
	t.Parallel()
	o := quick(t, place(t))
	o.Settings = map[string]string{"max_connections": "nonsense"}
	_, err := Start(t.Context(), o)
	wantReason(t, err, fault.Unavailable, "POSTGRES_START")
	if err == nil || !strings.Contains(err.Error(), "max_connections") {
		t.Errorf("%v; want PostgreSQL's own words", err)
	}
}

func TestLostPasswords(t *testing.T) {
	t.Parallel()
	dir := place(t)
	s := start(t, quick(t, dir))
	stop(t, s)
	if err := os.Remove(filepath.Join(dir, "password")); err != nil {
		t.Fatal(err)
	}
	again := start(t, quick(t, dir))
	if got := one[int](t, again.URL(), "SELECT 1"); got != 1 || again.URL() == s.URL() {
		t.Error("the role has no new password")
	}
	stop(t, again)
	if err := os.Remove(filepath.Join(dir, "superuser-password")); err != nil {
		t.Fatal(err)
	}
	_, err := Start(t.Context(), quick(t, dir))
	wantReason(t, err, fault.Precondition, "PASSWORD_LOST")
}

func TestALinkOnTheWayToTheData(t *testing.T) {
	t.Parallel()
	base := place(t)
	link := filepath.Join(base, "link")
	if err := os.Symlink(base, link); err != nil {
		t.Fatal(err)
	}
	s := start(t, quick(t, filepath.Join(link, "data")))
	stop(t, s)
	s = start(t, quick(t, filepath.Join(base, "data")))
	if !isPostmaster(s.PID(), filepath.Join(link, "data", "cluster")) {
		t.Error("the same directory by another name is not known")
	}
}

func TestRenewLeavesNothing(t *testing.T) {
	t.Parallel()
	s := start(t, quick(t, place(t)))
	do(t, s.URL(), "CREATE TABLE gone (x int)")
	if err := s.Renew(t.Context()); err != nil {
		t.Fatal(err)
	}
	if one[bool](t, s.URL(), "SELECT to_regclass('gone') IS NOT NULL") {
		t.Error("the table is still there")
	}
	do(t, s.URL(), "CREATE TABLE new (x int)")
}
