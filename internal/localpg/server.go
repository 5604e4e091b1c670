package localpg

import (
	"context"
	"errors"
	"io/fs"
	"net/url"
	"os"
	"sync"

	"bayhold/internal/fault"
)

// Server is a private PostgreSQL that runs.
type Server struct {
	home      *home
	options   Options
	process   *process
	sock      string
	port      string
	passwords struct{ role, server, superuser string }

	stop    sync.Once
	stopErr error
}

// Start runs the private PostgreSQL in o.DataDir and answers when it takes
// connections. ctx bounds the start alone; the server runs until Stop.
//
// It refuses a directory that another living program works on
// (DATA_DIR_IN_USE) or that the user it must run as cannot reach
// (DATA_DIR_UNREACHABLE), data of another major version (POSTGRES_VERSION), and
// a machine without PostgreSQL where none can be fetched (NO_POSTGRES).
func Start(ctx context.Context, o Options) (*Server, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	h, err := openHome(ctx, o.DataDir)
	if err != nil {
		return nil, err
	}
	s := &Server{home: h, options: o, sock: h.sock, port: port}
	if err := s.start(ctx); err != nil {
		// The cause is known; a stop that fails as well would only hide it.
		_ = s.Stop(context.WithoutCancel(ctx))
		return nil, err
	}
	return s, nil
}

func (s *Server) start(ctx context.Context) error {
	major, err := clusterMajor(s.home)
	if err != nil {
		return err
	}
	const key = "superuser-password"
	if _, err := os.Stat(s.home.path(key)); major != 0 && errors.Is(err, fs.ErrNotExist) {
		return fault.New(fault.Precondition, "PASSWORD_LOST",
			"%s is gone, and without it nobody gets into the data beside it: put it back", s.home.path(key))
	}
	if s.passwords.superuser, err = s.home.secret(key); err != nil {
		return err
	}
	if s.passwords.role, err = s.home.secret("password"); err != nil {
		return err
	}
	if s.passwords.server, err = s.home.secret("server-password"); err != nil {
		return err
	}
	for {
		if err := s.bringUp(ctx, major); err != nil {
			return err
		}
		err := s.furnish(ctx)
		if err == nil || s.process.done != nil || !transient(err) {
			return err
		}
		// The one that was taken over ended under our hands.
		s.process = nil
		if err := pause(ctx); err != nil {
			return err
		}
	}
}

// bringUp takes over a postmaster or launches one.
func (s *Server) bringUp(ctx context.Context, major int) error {
	if major != 0 {
		if err := s.adopt(ctx); err != nil || s.process != nil {
			return err
		}
	}
	b, err := choose(ctx, s.home, s.options, major)
	if err != nil {
		return err
	}
	if major == 0 {
		if err := initialise(ctx, s.home, b, s.options, s.passwords.superuser); err != nil {
			return err
		}
	}
	return s.launch(ctx, b)
}

// URL is the connection string for pgx as the owner of the database, password
// included: not for logs.
func (s *Server) URL() string { return s.url(Role, s.passwords.role, Database) }

// ServerURL is the one for ServerRole.
func (s *Server) ServerURL() string { return s.url(ServerRole, s.passwords.server, Database) }

// SuperuserURL leads to a database as the superuser, for maintenance and tests.
func (s *Server) SuperuserURL(database string) string {
	return s.url(superuser, s.passwords.superuser, database)
}

func (s *Server) url(role, password, database string) string {
	u := url.URL{Scheme: "postgres", User: url.UserPassword(role, password), Path: "/" + database}
	u.RawQuery = url.Values{"host": {s.sock}, "port": {s.port}, "sslmode": {"disable"}}.Encode()
	return u.String()
}

// DataDir is where the server keeps all it has.
func (s *Server) DataDir() string { return s.home.dir }

// PID is the postmaster's process number.
func (s *Server) PID() int { return s.process.pid }

// Done is closed when PostgreSQL has ended, asked to or not; nil, which never
// answers, for one that was taken over.
func (s *Server) Done() <-chan struct{} { return s.process.done }

// Stop ends PostgreSQL: fast, with transactions rolled back and all written;
// after Options.StopWait, or when ctx ends, at once, for the next start to
// recover. Further calls answer what the first did.
func (s *Server) Stop(ctx context.Context) error {
	s.stop.Do(func() {
		if s.process != nil {
			if err := s.process.shutDown(s.options.StopWait, ctx.Done()); err != nil {
				s.stopErr = fault.New(fault.Unavailable, "POSTGRES_STOP",
					"PostgreSQL (process %d) could not be stopped", s.process.pid).Because(err)
			}
		}
		if s.sock != s.home.path("run") {
			_ = os.Remove(s.sock) // in a place for temporary files; only if empty
		}
		s.home.close()
	})
	return s.stopErr
}
