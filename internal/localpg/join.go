package localpg

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
)

// joinTime is how long a PostgreSQL that another program is just starting may
// take: making a cluster on a slow disk is the longest part of it.
const joinTime = time.Minute

// Join answers as Resolve does, but takes part in the private PostgreSQL of
// another program that works on o.DataDir right now, instead of refusing. That
// program may stop it at any time. It must have been started by the same user.
func Join(ctx context.Context, flag string, getenv func(string) string, o Options) (Found, error) {
	if flag != "" || getenv("DATABASE_URL") != "" {
		return Resolve(ctx, flag, getenv, o)
	}
	o, err := o.withDefaults()
	if err != nil {
		return Found{}, err
	}
	give, cancel := context.WithTimeout(ctx, joinTime)
	defer cancel()
	for told := false; ; {
		if !held(o.DataDir) {
			return Resolve(ctx, flag, getenv, o)
		}
		url, err := guestURL(o.DataDir)
		if err != nil {
			return Found{}, err
		}
		if url != "" && greets(give, url) {
			return Found{URL: url, ServerURL: url, Guest: true}, nil
		}
		if !told {
			o.Progress("waiting for the PostgreSQL that a bayhold server is starting")
			told = true
		}
		if err := pause(give); err != nil {
			if ctx.Err() != nil {
				return Found{}, err
			}
			return Found{}, fault.New(fault.Unavailable, "POSTGRES_START",
				"a bayhold server works on %s, but its PostgreSQL lets nobody in: see what that server says", o.DataDir)
		}
	}
}

// held tells whether a living program works on a data directory.
func held(dir string) bool {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR, 0)
	if err != nil {
		return false
	}
	defer f.Close()
	// A lock that we get goes with the file; an owner who comes just then has
	// the patience for it.
	return errors.Is(syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB), syscall.EWOULDBLOCK)
}

// guestURL is the address of the PostgreSQL that another program runs, as its
// files tell it; empty if they do not yet.
func guestURL(dir string) (string, error) {
	lf, ok, err := readLockFile(filepath.Join(dir, "cluster"))
	if err != nil {
		return "", dirFault(dir, err)
	}
	word, err := os.ReadFile(filepath.Join(dir, "password"))
	if errors.Is(err, fs.ErrNotExist) || !ok || lf.stopping || lf.sockDir == "" {
		return "", nil
	}
	if err != nil {
		return "", dirFault(dir, err)
	}
	s := Server{sock: lf.sockDir, port: lf.port}
	s.passwords.role = strings.TrimSpace(string(word))
	return s.URL(), nil
}

// greets tells whether a PostgreSQL lets us in.
func greets(ctx context.Context, url string) bool {
	conn, err := pgconn.Connect(ctx, url)
	if err != nil {
		return false
	}
	_ = conn.Close(ctx) // it is open; how it ends does not matter
	return true
}
