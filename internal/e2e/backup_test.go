package e2e

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/pgtest"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// script runs one of deploy's as PostgreSQL's user, who must be able to read it.
func script(t *testing.T, name string, env []string, args ...string) string {
	t.Helper()
	out, err := tryScript(t, name, env, args...)
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return strings.TrimSpace(out)
}

func tryScript(t *testing.T, name string, env []string, args ...string) (string, error) {
	t.Helper()
	dir := roomFor(t)
	from := filepath.Join("../../deploy", filepath.Dir(name)) // whole: scripts share what they have in common
	if err := os.CopyFS(filepath.Join(dir, "scripts"), os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "scripts", filepath.Base(name))
	if err := os.Chmod(filepath.Dir(path), 0o755); err != nil { // #nosec G302 -- others run them
		t.Fatal(err)
	}
	said, err := os.CreateTemp("", "bayhold-e2e-out-")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _, _ = said.Close(), os.Remove(said.Name()) }()
	cmd := exec.Command("bash", append([]string{path}, args...)...) // #nosec G204
	asPostgres(t, cmd)
	cmd.Env = append([]string{"LC_ALL=C", "TZ=UTC", "PATH=" + programs(t) + ":/usr/bin:/bin"}, env...)
	cmd.Stdout, cmd.Stderr = said, said
	err = cmd.Run()
	out, _ := os.ReadFile(said.Name())
	return string(out), err
}

// everything is what the tables of a database hold, as one digest each.
func everything(t *testing.T, conn *pgx.Conn) map[string]string {
	t.Helper()
	rows, err := conn.Query(t.Context(), "SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, name := range tables {
		var digest string
		err := conn.QueryRow(t.Context(), fmt.Sprintf(
			"SELECT count(*) || ' ' || coalesce(md5(string_agg(t::text, ' ' ORDER BY t::text)), '') FROM %s t", pgx.Identifier{name}.Sanitize())).Scan(&digest)
		if err != nil {
			t.Fatal(err)
		}
		out[name] = digest
	}
	return out
}

// TestBackupIsRestoredToAPointInTime archives and backs up with deploy's scripts,
// books on, and restores both the moment before a mistake and the end.
func TestBackupIsRestoredToAPointInTime(t *testing.T) {
	t.Parallel()
	c := newCluster(t)
	folder := filepath.Join(filepath.Dir(c.dir), "backup")
	script(t, "backup/archive.sh", nil, c.dir, folder)
	c.stop(t, "fast")
	c.start(t)
	c.furnish(t)
	s := serveAt(t, c.address("bayhold_server", ""))
	s.token = strings.TrimSpace(tool(t, append(os.Environ(), "DATABASE_URL="+c.address("bayhold_server", "")),
		"user", "add", "first", "--site", "arena", "--time-zone", "UTC", "--role", "manager", "--role", "administrator", "--bare"))
	bookings := bayholdv1.NewBookingServiceClient(s.dial(t))
	if _, err := bayholdv1.NewSiteServiceClient(s.dial(t)).ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "arena.yaml", Content: []byte(theatre())}}, RequestId: uuid.NewString(),
	}); err != nil {
		t.Fatal(err)
	}
	reserveHour(t, bookings, 1)
	script(t, "backup/backup.sh", []string{"PGPASSWORD=" + c.password}, c.address("postgres", ""), folder)
	reserveHour(t, bookings, 2)

	conn := c.connect(t)
	defer func() { _ = conn.Close(context.Background()) }()
	before := everything(t, conn)
	var moment string
	if err := conn.QueryRow(t.Context(), "SELECT clock_timestamp()::text").Scan(&moment); err != nil {
		t.Fatal(err)
	}
	reserveHour(t, bookings, 3)
	if _, err := conn.Exec(t.Context(), "DELETE FROM booking"); err != nil { // the mistake
		t.Fatal(err)
	}
	after := everything(t, conn)
	if before["booking"] == after["booking"] || before["event"] == after["event"] {
		t.Fatal("nothing happened after the moment")
	}
	c.exec(t, "SELECT pg_switch_wal()")
	c.stop(t, "fast") // it archives to the end
	for name, want := range map[string]struct {
		args []string
		is   map[string]string
	}{"moment": {[]string{moment}, before}, "end": {nil, after}} {
		r := &cluster{dir: filepath.Join(filepath.Dir(c.dir), name), programs: c.programs, port: c.port, password: c.password}
		script(t, "backup/restore.sh", nil, append([]string{folder, r.dir}, want.args...)...)
		r.start(t)
		got := r.connect(t)
		await(t, "the log is replayed", 30*time.Second, func() bool {
			var recovering bool
			err := got.QueryRow(t.Context(), "SELECT pg_is_in_recovery()").Scan(&recovering)
			return err == nil && !recovering
		})
		for table, digest := range everything(t, got) {
			if want.is[table] != digest {
				t.Errorf("restored to the %s, %s has %s, want %s", name, table, digest, want.is[table])
			}
		}
		_ = got.Close(context.Background())
		r.stop(t, "immediate")
	}
	if out, err := tryScript(t, "backup/restore.sh", nil, folder, c.dir); err == nil || !strings.Contains(out, "move it away") {
		t.Errorf("restoring over a cluster: %v\n%s", err, out)
	}
	c.start(t) // the server is about to say good-bye
}

// serveAt serves on a database of the test's own.
func serveAt(t *testing.T, address string, flags ...string) *server {
	t.Helper()
	return serve(t, &pgtest.DB{URL: address}, "127.0.0.1:0", flags...)
}

// reserveHour books a tool for the hour after so many.
func reserveHour(t *testing.T, c bayholdv1.BookingServiceClient, hour int) {
	t.Helper()
	if _, err := c.Reserve(t.Context(), anHour(hour)); err != nil {
		t.Fatal(err)
	}
}
