package localpg

import (
	"context"
	"errors"
	"io"
	"maps"
	"os/exec"
	"slices"
	"syscall"
	"time"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
)

// launch starts a postmaster and waits until it takes connections.
func (s *Server) launch(ctx context.Context, b binaries) error {
	s.options.Progress("starting " + b.String())
	log, err := openLog(s.home.path("postgres.log"))
	if err != nil {
		return dirFault(s.home.dir, err)
	}
	defer log.Close()
	for told := false; ; {
		from, err := log.Seek(0, io.SeekEnd)
		if err != nil {
			return dirFault(s.home.dir, err)
		}
		cmd := exec.Command(b.tool("postgres"), s.arguments()...)
		cmd.Env = environment()
		cmd.Dir = "/"
		cmd.Stdout, cmd.Stderr = log, log
		cmd.SysProcAttr = s.home.acc.attributes()
		if !s.options.orphan {
			dieWith(cmd.SysProcAttr, syscall.SIGINT)
		}
		if s.process, err = launch(cmd, s.home.cluster()); err != nil {
			return fault.New(fault.Unavailable, "POSTGRES_START", "%s cannot be run", b.tool("postgres")).Because(err)
		}
		err = s.ready(ctx)
		if err == nil || s.process.alive() || ctx.Err() != nil {
			return err
		}
		said := tail(log.Name(), from)
		if !leftovers(said) {
			return fault.New(fault.Unavailable, "POSTGRES_START", "PostgreSQL did not start; %s says: %s", log.Name(), gist(said)).Because(err)
		}
		// Processes of a postmaster that was killed notice it within a moment.
		if !told {
			s.options.Progress("waiting for what is left of the last PostgreSQL to end")
			told = true
		}
		if err := pause(ctx); err != nil {
			return err
		}
	}
}

// arguments are what the postmaster must not take from its own configuration
// file, which stays the administrator's for everything else.
func (s *Server) arguments() []string {
	settings := map[string]string{
		"listen_addresses":        "",
		"unix_socket_directories": s.sock,
		"unix_socket_permissions": "0700",
		"port":                    s.port,
		"logging_collector":       "off",
		"log_destination":         "stderr",
		// Details of an error name the values of the row that it is about.
		"log_error_verbosity": "terse",
	}
	if s.options.Volatile {
		settings["fsync"] = "off"
		settings["full_page_writes"] = "off"
		settings["synchronous_commit"] = "off"
	}
	maps.Copy(settings, s.options.Settings)
	args := []string{"-D", s.home.cluster()}
	for _, k := range slices.Sorted(maps.Keys(settings)) {
		args = append(args, "-c", k+"="+settings[k])
	}
	return args
}

// ready waits until the postmaster takes connections or has ended.
func (s *Server) ready(ctx context.Context) error {
	slow := time.AfterFunc(3*time.Second, func() {
		s.options.Progress("PostgreSQL is putting its files in order after a crash; this may take a while")
	})
	defer slow.Stop()
	for {
		err := s.ping(ctx)
		if err == nil {
			return nil
		}
		if !transient(err) || !s.process.alive() {
			return s.notReady(err)
		}
		if err := pause(ctx); err != nil {
			return err
		}
	}
}

func (s *Server) ping(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	conn, err := pgconn.Connect(ctx, s.SuperuserURL("postgres"))
	if err != nil {
		return err
	}
	return conn.Close(ctx)
}

func (s *Server) notReady(err error) error {
	return fault.New(fault.Unavailable, "POSTGRES_START", "the PostgreSQL of %s lets nobody in", s.home.dir).Because(err)
}

// transient tells whether a failed connection may succeed in a moment: no
// socket yet, or a server that is starting or stopping (57P01 to 57P03:
// admin_shutdown, crash_shutdown, cannot_connect_now).
func transient(err error) bool {
	if pe := new(pgconn.PgError); errors.As(err, &pe) {
		return pe.Code == "57P01" || pe.Code == "57P02" || pe.Code == "57P03"
	}
	return true
}

// pause is one turn of waiting.
func pause(ctx context.Context) error {
	t := time.NewTimer(10 * time.Millisecond)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return interrupted(ctx.Err())
	}
}
