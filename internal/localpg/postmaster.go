package localpg

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// lockFile is what a postmaster writes about itself into its data directory
// (PostgreSQL 15, src/include/utils/pidfile.h), as far as it has got.
type lockFile struct {
	pid     int
	port    string
	sockDir string
	// stopping says that a shutdown has begun.
	stopping bool
}

// readLockFile answers false if there is none, or none that makes sense: one
// that a crash has left empty is as good as none.
func readLockFile(cluster string) (lockFile, bool, error) {
	b, err := os.ReadFile(filepath.Join(cluster, "postmaster.pid"))
	if errors.Is(err, fs.ErrNotExist) {
		return lockFile{}, false, nil
	}
	if err != nil {
		return lockFile{}, false, err
	}
	lines := strings.Split(string(b), "\n")
	line := func(n int) string {
		if n > len(lines) {
			return ""
		}
		return strings.TrimSpace(lines[n-1])
	}
	// A negative number is that of a server in single-user mode.
	pid, err := strconv.Atoi(strings.TrimPrefix(line(1), "-"))
	if err != nil || pid <= 0 {
		return lockFile{}, false, nil
	}
	return lockFile{pid: pid, port: line(4), sockDir: line(5), stopping: line(8) == "stopping"}, true, nil
}

// adopt takes over the postmaster that a killed program has left running, or
// waits until it has stopped, or clears what is left of it.
func (s *Server) adopt(ctx context.Context) error {
	cluster := s.home.cluster()
	for told := false; ; {
		lf, ok, err := readLockFile(cluster)
		if err != nil {
			return dirFault(s.home.dir, err)
		}
		if !ok || !isPostmaster(lf.pid, cluster) {
			if err := clearStale(cluster, s.sock); err != nil {
				return dirFault(s.home.dir, err)
			}
			return nil
		}
		if !lf.stopping && lf.sockDir != "" && !bereft(lf.pid, s.home.previous) {
			s.sock, s.port = lf.sockDir, lf.port
			err := s.ping(ctx)
			if err == nil {
				s.options.Progress("taking over the PostgreSQL that still runs from last time")
				s.process = &process{pid: lf.pid, cluster: cluster}
				return nil
			}
			s.sock, s.port = s.home.sock, port
			if !transient(err) {
				return s.notReady(err)
			}
		}
		if !told {
			s.options.Progress("waiting for the PostgreSQL that still runs from last time")
			told = true
		}
		if err := pause(ctx); err != nil {
			return err
		}
	}
}

// clearStale removes what a postmaster that is no more has left behind.
// PostgreSQL does that itself, unless another process has got the dead one's
// number in the meantime: then it would refuse to start for ever.
func clearStale(cluster, sockDir string) error {
	var all []error
	for _, path := range []string{
		filepath.Join(cluster, "postmaster.pid"),
		filepath.Join(sockDir, ".s.PGSQL."+port),
		filepath.Join(sockDir, ".s.PGSQL."+port+".lock"),
	} {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			all = append(all, err)
		}
	}
	return errors.Join(all...)
}

// resolved is path as the kernel sees it, for comparing.
func resolved(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return real
	}
	return path
}
