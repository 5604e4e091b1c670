package localpg

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"slices"
	"sync"
	"syscall"
	"time"

	"bayhold/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
)

// Server is a private PostgreSQL that runs.
type Server struct {
	home      *home
	options   Options
	process   *process
	sock      string
	port      string
	passwords struct{ role, superuser string }

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

// furnish makes the role and the database, each unless it is there, and gives
// the role its password, for that file may have been lost.
func (s *Server) furnish(ctx context.Context) error {
	conn, err := pgconn.Connect(ctx, s.SuperuserURL("postgres"))
	if err != nil {
		if ctx.Err() != nil {
			return interrupted(ctx.Err())
		}
		return s.notReady(err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	has := func(query string) bool {
		if err != nil {
			return true
		}
		var found []*pgconn.Result
		found, err = conn.Exec(ctx, query).ReadAll()
		return err != nil || len(found[0].Rows) > 0
	}
	run := func(sql string) {
		if err == nil {
			_, err = conn.Exec(ctx, sql).ReadAll()
		}
	}
	// Neither names nor password need quoting: rand.Text is base32.
	if !has("SELECT FROM pg_roles WHERE rolname = '" + Role + "'") {
		run("CREATE ROLE " + Role + " LOGIN")
	}
	run("ALTER ROLE " + Role + " PASSWORD '" + s.passwords.role + "'")
	if !has("SELECT FROM pg_database WHERE datname = '" + Database + "'") {
		run("CREATE DATABASE " + Database + " OWNER " + Role)
	}
	if err != nil {
		return fault.New(fault.Unavailable, "POSTGRES_START", "the database %s could not be made", Database).Because(err)
	}
	return nil
}

// URL is the connection string for pgx, password included: not for logs.
func (s *Server) URL() string { return s.url(Role, s.passwords.role, Database) }

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
