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

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/google/uuid"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// wanting is a workshop on a cluster of the test's own that will want for
// something.
func wanting(t *testing.T, c *cluster) bayholdv1.BookingServiceClient {
	t.Helper()
	c.furnish(t)
	s := serveAt(t, c.address("bayhold_server", ""))
	s.token = strings.TrimSpace(tool(t, append(os.Environ(), "DATABASE_URL="+c.address("bayhold_server", "")),
		"user", "add", "first", "--site", "arena", "--time-zone", "UTC", "--role", "manager", "--role", "administrator", "--bare"))
	if _, err := bayholdv1.NewSiteServiceClient(s.dial(t)).ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "arena.yaml", Content: []byte(theatre())}}, RequestId: uuid.NewString(),
	}); err != nil {
		t.Fatal(err)
	}
	return bayholdv1.NewBookingServiceClient(s.dial(t))
}

// refusedFor wants a booking answered as unavailable, with words.
func refusedFor(t *testing.T, err error, words string) {
	t.Helper()
	if status.Code(err) != codes.Unavailable || !strings.Contains(status.Convert(err).Message(), words) {
		t.Errorf("got %v, want UNAVAILABLE with a word of %q", err, words)
	}
}

// TestReadOnlyDatabase turns a database read-only and back. Reading goes on,
// writing says what is wrong, and nobody has to touch the server.
func TestReadOnlyDatabase(t *testing.T) {
	t.Parallel()
	c := newCluster(t)
	bookings := wanting(t, c)
	reserveHour(t, bookings, 1)
	c.exec(t, "ALTER SYSTEM SET default_transaction_read_only = on", "SELECT pg_reload_conf()")
	var refusal error
	await(t, "writing is refused", 20*time.Second, func() bool {
		_, refusal = bookings.Reserve(t.Context(), anHour(2))
		if refusal == nil { // the setting had not arrived yet
			_, refusal = bookings.Reserve(t.Context(), anHour(3))
		}
		return refusal != nil
	})
	refusedFor(t, refusal, "takes no writes")
	if _, err := bookings.ListBookings(t.Context(), &bayholdv1.ListBookingsRequest{Parent: "sites/arena", During: anHour(1).GetDuring()}); err != nil {
		t.Errorf("reading from a database that is read-only: %v", err)
	}
	c.exec(t, "SET default_transaction_read_only = off", "ALTER SYSTEM RESET default_transaction_read_only", "SELECT pg_reload_conf()")
	await(t, "writing goes on", 20*time.Second, func() bool {
		_, err := bookings.Reserve(t.Context(), anHour(4))
		return err == nil
	})
}

// smallIn names the small file system of a test that runs itself once more.
const smallIn = "BAYHOLD_E2E_SMALL"

// smallFor gives a folder of PostgreSQL's user that has no more room than 24 MB.
// Root mounts one. Anybody else may do so only in a mount namespace of their own:
// the test runs itself there once more, and there is nothing left to do here.
func smallFor(t *testing.T) (small string, elsewhere bool) {
	t.Helper()
	if small = os.Getenv(smallIn); small != "" {
		return small, false
	}
	small = filepath.Join(roomFor(t), "small")
	cmd := exec.Command("mkdir", small)
	asPostgres(t, cmd)
	if err := cmd.Run(); err != nil {
		t.Fatal(err)
	}
	if os.Geteuid() == 0 {
		owner := cmd.SysProcAttr.Credential
		// #nosec G204
		mount := exec.Command("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=24m,uid=%d,gid=%d,mode=700", owner.Uid, owner.Gid), "tmpfs", small)
		if out, err := mount.CombinedOutput(); err != nil {
			t.Fatalf("mounting: %v %s", err, out)
		}
		t.Cleanup(func() { _ = exec.Command("umount", small).Run() }) // #nosec G204
		return small, false
	}
	const mount = `mount -t tmpfs -o size=24m,mode=700 tmpfs "$1"`
	if out, err := exec.Command("unshare", "-Urm", "sh", "-c", mount, "sh", small).CombinedOutput(); err != nil { // #nosec G204
		if os.Getenv("CI") != "" {
			t.Fatalf("a small file system can be mounted neither by root, whom CI runs this as, nor in a namespace: %v %s", err, out)
		}
		t.Skipf("only root may mount a small file system here, for user namespaces are forbidden: %v %s", err, out)
	}
	// PostgreSQL refuses to run as root, which the mounting one seems to be: so
	// another namespace, in which this user is who they are.
	// #nosec G204
	again := exec.Command("unshare", "-Urm", "sh", "-c", mount+` && exec unshare -U --map-user="$2" --map-group="$3" "$4" -test.run "^$5\$" -test.v`,
		"sh", small, fmt.Sprint(os.Geteuid()), fmt.Sprint(os.Getegid()), os.Args[0], t.Name())
	again.Env = append(os.Environ(), smallIn+"="+small, programsIn+"="+bin)
	if out, err := again.CombinedOutput(); err != nil || !strings.Contains(string(out), "--- PASS: "+t.Name()) {
		t.Errorf("in a namespace of its own: %v\n%s", err, out)
	}
	return "", true
}

// TestDiskFull lets the tables have no more room than a small file system, fills
// it, and makes room again.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	small, elsewhere := smallFor(t)
	if elsewhere {
		return
	}
	c := newCluster(t) // ends before the file system does: clean-ups run backwards
	bookings := wanting(t, c)
	c.exec(t, fmt.Sprintf("CREATE TABLESPACE small LOCATION '%s'", small),
		"ALTER TABLE event SET TABLESPACE small", "ALTER TABLE request SET TABLESPACE small", "ALTER TABLE booking SET TABLESPACE small")
	reserveHour(t, bookings, 1)
	ballast := filepath.Join(small, "ballast")
	fill := exec.Command("dd", "if=/dev/zero", "of="+ballast, "bs=64k") // #nosec G204
	asPostgres(t, fill)
	_ = fill.Run() // until it fails
	var refusal error
	hour := 2
	await(t, "there is no room left", time.Minute, func() bool {
		_, refusal = bookings.Reserve(t.Context(), anHour(hour))
		hour++
		return refusal != nil
	})
	refusedFor(t, refusal, "no room left")
	full := hour - 1
	if _, err := bookings.ListBookings(t.Context(), &bayholdv1.ListBookingsRequest{Parent: "sites/arena", During: anHour(1).GetDuring()}); err != nil {
		t.Errorf("reading while the disk is full: %v", err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if _, err := bookings.Reserve(t.Context(), anHour(full)); err != nil {
		t.Errorf("there is room again, and the same hour: %v", err)
	}
	conn := c.connect(t)
	defer func() { _ = conn.Close(context.Background()) }()
	var jobs, events int
	if err := conn.QueryRow(t.Context(), "SELECT (SELECT count(*) FROM job), (SELECT count(*) FROM event WHERE kind = 'job.reserved')").Scan(&jobs, &events); err != nil || jobs != events {
		t.Errorf("%d jobs and %d events: %v", jobs, events, err)
	}
}
