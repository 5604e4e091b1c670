package pgtest

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"bayhold/internal/localpg"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
)

func one[T any](t *testing.T, u, sql string, args ...any) T {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), u)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var v T
	if err := conn.QueryRow(t.Context(), sql, args...).Scan(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

const hasTable = "SELECT to_regclass($1) IS NOT NULL"

func TestEachTestHasItsOwnDatabase(t *testing.T) {
	t.Parallel()
	a, b, empty := New(t), New(t), Empty(t)
	if _, err := a.Pool(t).Exec(t.Context(), "CREATE TABLE only_here (x int)"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, url, table string
		want             bool
	}{
		{"a's table in a", a.Owner, "only_here", true},
		{"a's table in b", b.Owner, "only_here", false},
		{"the schema in b", b.URL, "goose_db_version", true},
		{"the schema in an empty one", empty.URL, "goose_db_version", false},
	} {
		if got := one[bool](t, c.url, hasTable, c.table); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

func TestTestsWorkAsNoSuperuser(t *testing.T) {
	t.Parallel()
	const super = "SELECT rolsuper FROM pg_roles WHERE rolname = current_user"
	db := Empty(t)
	if db.Superuser == "" {
		return // the server is somebody else's and its role is none: nothing to compare
	}
	if !one[bool](t, db.Superuser, super) {
		t.Error("Superuser is none")
	}
	if os.Getenv("TEST_DATABASE_URL") == "" && one[bool](t, db.URL, super) {
		t.Error("URL is a superuser's")
	}
}

func TestDatabasesAreDropped(t *testing.T) {
	t.Parallel()
	var name string
	t.Run("inner", func(t *testing.T) {
		db := New(t)
		db.Pool(t)
		name = one[string](t, db.URL, "SELECT current_database()")
	})
	if one[bool](t, shared(t).url, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name) {
		t.Errorf("%s is still there", name)
	}
}

// TestTemplateIsMadeOnce has several processes, as far as the server can tell,
// want one template, which a killed one has left half made.
func TestTemplateIsMadeOnce(t *testing.T) {
	t.Parallel()
	s := shared(t)
	const name = "bayhold_template_half_made"
	if err := s.exec(t.Context(), "CREATE DATABASE "+name); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() { errs[i] = (&server{url: s.url}).template(t.Context(), name) })
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if db := s.create(t, name); !one[bool](t, db.URL, hasTable, "goose_db_version") {
		t.Error("the template has no schema")
	}
	for _, sql := range []string{"ALTER DATABASE " + name + " IS_TEMPLATE false", "DROP DATABASE " + name} {
		if err := s.exec(context.Background(), sql); err != nil {
			t.Error(err)
		}
	}
}

func TestAt(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ u, want string }{
		{"postgres://a:b@h:1/x?sslmode=disable", "postgres://a:b@h:1/y?sslmode=disable"},
		{"postgres://a@/x?host=%2Frun", "postgres://a@/y?host=%2Frun"},
		{"host=/run user=a dbname=x", "host=/run user=a dbname=x dbname=y"},
	} {
		got := at(c.u, "y")
		if got != c.want {
			t.Errorf("at(%q): %q, want %q", c.u, got, c.want)
		}
		if config, err := pgx.ParseConfig(got); err != nil || config.Database != "y" {
			t.Errorf("at(%q) leads to %v, %v", c.u, config, err)
		}
	}
}

// helper is set for a copy of this test program that plays another test process.
const helper = "BAYHOLD_PGTEST_HELPER"

func TestHelperProcess(t *testing.T) {
	switch os.Getenv(helper) {
	case "hang":
		fmt.Println("url", New(t).URL)
		select {}
	case "fail":
		fmt.Println("url", New(t).URL)
		t.Fail()
	case "use":
		New(t)
	case "use and look":
		t.Run("use", func(t *testing.T) {
			if err := New(t).Pool(t).Ping(t.Context()); err != nil {
				t.Error(err)
			}
		})
		if err := goleak.Find(); err != nil {
			t.Error(err)
		}
	}
}

func play(t *testing.T, part string, env ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestHelperProcess$", "-test.v")
	cmd.Env = append(os.Environ(), append(env, helper+"="+part)...)
	return cmd
}

// TestNothingIsLeftAfterAKill kills a test process the hard way: its server and
// its files go all the same.
func TestNothingIsLeftAfterAKill(t *testing.T) {
	t.Parallel()
	cmd := play(t, "hang", "TEST_DATABASE_URL=")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var u string
	for lines := bufio.NewScanner(out); u == "" && lines.Scan(); {
		if after, ok := strings.CutPrefix(lines.Text(), "url "); ok {
			u = after
		}
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	if u == "" {
		t.Fatal("the helper named no database")
	}
	gone := func() bool {
		conn, err := pgx.Connect(t.Context(), u)
		if err == nil {
			conn.Close(t.Context())
			return false
		}
		p, err := url.Parse(u)
		if err != nil {
			t.Fatal(err)
		}
		dir := strings.TrimSuffix(p.Query().Get("host"), "/run")
		_, err = os.Stat(dir)
		return dir == "" || errors.Is(err, os.ErrNotExist)
	}
	for deadline := time.Now().Add(time.Minute); !gone(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the server or its files are still there")
		}
	}
}

// TestNoGoroutineIsLeft is for packages that look for leaks of their own.
func TestNoGoroutineIsLeft(t *testing.T) {
	t.Parallel()
	if out, err := play(t, "use and look", "TEST_DATABASE_URL=").CombinedOutput(); err != nil {
		t.Errorf("%v:\n%s", err, out)
	}
}

func TestFailedTestKeepsItsDatabaseOnALastingServer(t *testing.T) {
	t.Parallel()
	s := shared(t)
	out, err := play(t, "fail", "TEST_DATABASE_URL="+s.url).CombinedOutput()
	if err == nil {
		t.Fatal("the helper did not fail")
	}
	_, after, ok := strings.Cut(string(out), "kept for you to look at: ")
	if !ok {
		t.Fatalf("no address in the log:\n%s", out)
	}
	u, _, _ := strings.Cut(after, "\n")
	name := one[string](t, u, "SELECT current_database()")
	if err := s.exec(t.Context(), "DROP DATABASE "+name+" WITH (FORCE)"); err != nil {
		t.Error(err)
	}
}

func TestWithoutAServerATestFailsAndSaysWhy(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, env, want string }{
		{"a wrong wish", "BAYHOLD_TEST_ON=moon", `BAYHOLD_TEST_ON is "moon", not container or local`},
		{"no engine", "BAYHOLD_TEST_ON=container", "no Docker engine answers"},
		{"no server there", "TEST_DATABASE_URL=postgres://x@127.0.0.1:1/x", "there is no PostgreSQL to test on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			out, err := play(t, "use", "DOCKER_HOST=unix:///nowhere", "TEST_DATABASE_URL=", c.env).CombinedOutput()
			if err == nil || !strings.Contains(string(out), c.want) {
				t.Errorf("%v; want a failure that says %q:\n%s", err, c.want, out)
			}
		})
	}
}

// TestAnEngineWithoutTheImage talks to an engine that knows no image and cannot
// fetch one: the local PostgreSQL must do, and a line must say so.
func TestAnEngineWithoutTheImage(t *testing.T) {
	t.Parallel()
	engine := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Api-Version", "1.41")
		w.Header().Set("Content-Type", "application/json")
		switch path := r.URL.Path; {
		case strings.HasSuffix(path, "/_ping"):
		case strings.HasSuffix(path, "/info"):
			fmt.Fprint(w, `{"ServerVersion": "20.10"}`)
		case strings.HasSuffix(path, "/containers/json"), strings.HasSuffix(path, "/networks"):
			fmt.Fprint(w, `[]`)
		default:
			w.WriteHeader(http.StatusNotFound)
			fmt.Fprint(w, `{"message": "no such thing"}`)
		}
	}))
	defer engine.Close()
	out, err := play(t, "use", "TEST_DATABASE_URL=", "BAYHOLD_TEST_ON=", "BAYHOLD_TEST_IMAGE=nowhere.invalid/none:1",
		"DOCKER_HOST=tcp://"+engine.Listener.Addr().String()).CombinedOutput()
	if !strings.Contains(string(out), "container: image nowhere.invalid/none:1: ") {
		t.Errorf("no line about the image:\n%s", out)
	}
	// A machine that has an engine only is not at fault here.
	if err != nil && !strings.Contains(string(out), "local: ") {
		t.Errorf("%v:\n%s", err, out)
	}
}

// TestSweepSparesTheLiving makes directories as keepers have them.
func TestSweepSparesTheLiving(t *testing.T) {
	t.Parallel()
	base := Dir(t)
	living, err := os.MkdirTemp(base, localPrefix)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(living, 0o755); err != nil {
		t.Fatal(err)
	}
	s, err := localpg.Start(t.Context(), localpg.Options{DataDir: living, Volatile: true, NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop(context.Background())
	dead, err := os.MkdirTemp(base, localPrefix)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(dead+"/lock", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	young, err := os.MkdirTemp(base, localPrefix)
	if err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Hour)
	for _, dir := range []string{living, dead} {
		if err := os.Chtimes(dir, old, old); err != nil {
			t.Fatal(err)
		}
	}
	sweepLocal(base)
	if _, err := os.Stat(dead); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a dead keeper's directory is still there: %v", err)
	}
	if got := one[int](t, s.URL(), "SELECT 1"); got != 1 {
		t.Error("the living server does not answer")
	}
	if _, err := os.Stat(young); err != nil {
		t.Errorf("a directory that has just been made: %v", err)
	}
}
