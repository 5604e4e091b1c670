package pgtest

import (
	"context"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"bayhold/internal/localpg"

	"github.com/jackc/pgx/v5"
)

// roomy is what a cluster and its tests may take of memory, in bytes.
const roomy = 2 << 30

// startLocal runs a throw-away cluster of the PostgreSQL that is installed, in
// memory where there is enough: making one takes half a second there.
func startLocal(ctx context.Context) (run, error) {
	base := os.TempDir()
	if freeBytes("/dev/shm") > roomy {
		base = "/dev/shm"
	}
	sweepLocal(base)
	dir, err := os.MkdirTemp(base, localPrefix)
	if err != nil {
		return run{}, err
	}
	remove := func() { _ = os.RemoveAll(dir) } // the next sweep takes what stays
	// PostgreSQL's user must get in if we are root.
	if err := os.Chmod(dir, 0o755); err != nil {
		remove()
		return run{}, err
	}
	s, err := localpg.Start(ctx, localpg.Options{
		DataDir:  dir,
		Volatile: true,
		Settings: map[string]string{"max_connections": "200", "shared_buffers": "64MB", "max_wal_size": "256MB"},
	})
	if err != nil {
		remove()
		return run{}, err
	}
	return run{
		superuser: s.SuperuserURL("postgres"),
		stop: func() {
			// Nobody will miss the data: no time for a clean end.
			now, cancel := context.WithCancel(context.Background())
			cancel()
			_ = s.Stop(now)
			remove()
		},
	}, nil
}

const localPrefix = "bayhold-pgtest-"

// sweepLocal removes the clusters of keepers that were killed themselves: those
// whose lock nobody holds, though they are old enough to have taken it.
func sweepLocal(base string) {
	old, _ := filepath.Glob(filepath.Join(base, localPrefix+"*")) // the pattern is good
	for _, dir := range old {
		info, err := os.Stat(dir)
		if err != nil || time.Since(info.ModTime()) < time.Minute {
			continue
		}
		f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR, 0)
		if err != nil {
			continue // another user's
		}
		if syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil {
			_ = os.RemoveAll(dir)
		}
		f.Close()
	}
}

// freeBytes is the room on the file system at path, 0 if there is none.
func freeBytes(path string) uint64 {
	var st syscall.Statfs_t
	if syscall.Statfs(path, &st) != nil {
		return 0
	}
	return st.Bavail * uint64(st.Bsize)
}

// apprentice makes the role that owns the tests' databases: it may make them, and
// is no superuser. It makes the server's role too.
func apprentice(ctx context.Context, superuser string) (string, error) {
	const role = "bayhold_tester"
	conn, err := pgx.Connect(ctx, superuser)
	if err != nil {
		return "", err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	u, err := url.Parse(superuser)
	if err != nil {
		return "", err
	}
	password, _ := u.User.Password()
	quoted := "'" + strings.ReplaceAll(password, "'", "''") + "'"
	if _, err := conn.Exec(ctx, "CREATE ROLE "+role+" LOGIN CREATEDB PASSWORD "+quoted); err != nil {
		return "", err
	}
	for _, sql := range []string{"CREATE ROLE " + serverRole, "GRANT " + serverRole + " TO " + role} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return "", err
		}
	}
	u.User = url.UserPassword(role, password)
	return u.String(), nil
}
