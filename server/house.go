package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/pflag"
	"google.golang.org/grpc/credentials"

	"bayhold/internal/access"
	"bayhold/internal/board"
	"bayhold/internal/certs"
	"bayhold/internal/clock"
	"bayhold/internal/fault"
	"bayhold/internal/feed"
	"bayhold/internal/localpg"
	"bayhold/internal/rpc"
	"bayhold/internal/store"
	"bayhold/internal/telemetry"
	"bayhold/internal/workshop"
	"bayhold/migrations"
)

// stopTime is how long calls that run may take to end when the server stops.
const stopTime = 10 * time.Second

// drainTime is how long those who watch the health have to turn to another
// server before streams and connections end.
const drainTime = 250 * time.Millisecond

// config is what the flags say.
type config struct {
	listen    string
	board     string // where the wall board is served; empty: nowhere
	database  string
	dataDir   string
	plaintext bool
	tls       certs.Files
	metrics   string
	limits    limits
	now       func() time.Time // the workshop's clock; nil: the real one
}

func (c *config) databaseFlags(fs *pflag.FlagSet) {
	fs.StringVar(&c.database, "database", "", "PostgreSQL connection string; default DATABASE_URL, else a private PostgreSQL")
	fs.StringVar(&c.dataDir, "data-dir", "", "where the private PostgreSQL keeps its data; default the user's data directory")
}

func (c *config) listenFlags(fs *pflag.FlagSet) {
	fs.StringVar(&c.listen, "listen", "127.0.0.1:7470", "address to serve on")
	fs.BoolVar(&c.plaintext, "insecure-plaintext", false, "allow an address beyond loopback without encryption")
	fs.StringVar(&c.tls.Cert, "tls-cert", "", "encrypt, with the certificate in this PEM `file`; server cert make makes one")
	fs.StringVar(&c.tls.Key, "tls-key", "", "`file` of that certificate's key")
	fs.StringVar(&c.tls.ClientCA, "client-ca", "", "take client certificates of the authorities in this PEM `file` instead of tokens")
	fs.StringVar(&c.metrics, "metrics", "", "serve figures for Prometheus on this `address` of the machine itself, such as 127.0.0.1:9470")
	c.limits.flags(fs)
}

// progress tells people, on standard error, what takes long.
func progress(text string) { fmt.Fprintln(os.Stderr, "  "+text) }

// openDatabase finds the database that the flags, DATABASE_URL or the private
// PostgreSQL give.
func (c *config) openDatabase(ctx context.Context) (localpg.Found, error) {
	return localpg.Resolve(ctx, c.database, os.Getenv, localpg.Options{DataDir: c.dataDir, Progress: progress})
}

// house is a running server.
type house struct {
	found    localpg.Found
	store    *store.Store
	shop     *workshop.Workshop
	rpc      *rpc.Server
	lis      net.Listener
	wall     *wall
	feed     *feed.Feed
	awaiting atomic.Bool    // acts waited for a standby when it was looked at last
	watchers sync.WaitGroup // of health, feed, certificates and door
	watching context.CancelFunc
	leaving  context.CancelFunc // of the door
	done     chan error         // what Serve ended with
	log      *slog.Logger
	told     *telemetry.Telemetry
	figures  *figures
}

// open starts serving on a database that is migrated already.
func open(ctx context.Context, found localpg.Found, c config, log *slog.Logger) (*house, error) {
	keeper, err := c.secure(log)
	if err != nil {
		return nil, err
	}
	skew, err := clockSkew(log)
	if err != nil {
		return nil, err
	}
	h := &house{found: found, log: log, done: make(chan error, 1)}
	if h.told, err = telemetry.New(ctx, os.Getenv); err != nil {
		return nil, err
	}
	db := c.limits.store
	db.Tracer, db.Pool = h.told.Postgres(), h.told.Pool
	if h.store, err = store.OpenWith(ctx, found.ServerURL, db); err != nil {
		return nil, err
	}
	if h.figures, err = serveFigures(c.metrics, h.told.Figures()); err != nil {
		h.store.Close()
		return nil, err
	}
	if h.lis, err = net.Listen("tcp", c.listen); err != nil {
		h.figures.close(ctx)
		h.store.Close()
		return nil, fault.New(fault.Precondition, "LISTEN",
			"cannot serve on %s: is another server running there? Give another address with --listen", c.listen).Because(err)
	}
	h.feed = feed.New(h.store, log)
	h.shop = workshop.New(h.store, c.clock(skew))
	if h.wall, err = c.openWall(h.shop, h.feed, keeper, log); err != nil {
		_ = h.lis.Close()
		h.figures.close(ctx)
		h.store.Close()
		return nil, err
	}
	door := access.NewDoor(h.store, clock.Off(time.Now, skew), log)
	options := rpc.Options{
		Log: log, Door: door, Sheets: board.Sheets{}, Boards: board.Boards{}, Pictures: board.Pictures{}, Feed: h.feed,
		Limits: c.limits.calls(), Measure: h.told, Stats: h.told.GRPC(), Ready: h.ready,
	}
	if keeper != nil {
		options.Secure = credentials.NewTLS(keeper.TLS())
	}
	h.rpc = rpc.New(h.shop, options)
	watch, cancel := context.WithCancel(context.WithoutCancel(ctx))
	h.watching = cancel
	h.watchers.Go(func() { h.rpc.WatchHealth(watch) })
	h.watchers.Go(func() { h.feed.Run(watch) })
	if keeper != nil {
		h.watchers.Go(func() { keeper.Run(watch) })
	}
	// The door outlasts the calls, whose tokens' last use it writes at the end.
	guarding, leave := context.WithCancel(context.WithoutCancel(ctx))
	h.leaving = leave
	h.watchers.Go(func() { door.Run(guarding) })
	go func() { h.done <- h.rpc.Serve(c.limits.bounded(h.lis)) }()
	h.warn(ctx)
	return h, nil
}

// clock tells the time that the workshop goes by: the real one, but in the demo.
func (c *config) clock(skew time.Duration) func() time.Time {
	if c.now != nil {
		return c.now
	}
	return clock.Off(time.Now, skew)
}

// secure reads the certificates to serve with, nil for none, and refuses what
// would carry a workshop's data in the clear over a network unless told so.
func (c *config) secure(log *slog.Logger) (*certs.Keeper, error) {
	if err := c.mayListen(); err != nil || c.tls == (certs.Files{}) {
		return nil, err
	}
	return certs.Open(c.tls, log, time.Now)
}

// mayListen judges address and flags together.
func (c *config) mayListen() error {
	if c.board != "" {
		if err := c.mayListenOn(c.board); err != nil {
			return err
		}
	}
	return c.mayListenOn(c.listen)
}

func (c *config) mayListenOn(address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fault.New(fault.Invalid, "LISTEN", "%q is no address to serve on: give one such as 127.0.0.1:7470", address).Because(err)
	}
	encrypted := c.tls.Cert != "" && c.tls.Key != ""
	switch {
	case !encrypted && c.tls != (certs.Files{}):
		return fault.New(fault.Invalid, "TLS", "--tls-cert and --tls-key go together, and --client-ca with both")
	case encrypted && c.plaintext:
		return fault.New(fault.Invalid, "TLS", "--insecure-plaintext goes with no certificate: give one or the other")
	}
	ip, err := netip.ParseAddr(host)
	if encrypted || c.plaintext || host == "localhost" || (err == nil && ip.IsLoopback()) {
		return nil
	}
	return fault.New(fault.Precondition, "PLAINTEXT",
		"%s can be reached from other machines, and nothing would be encrypted: give --tls-cert and --tls-key (server cert make makes both), serve on 127.0.0.1, or give --insecure-plaintext if the network itself is safe", address)
}

// wait blocks until ctx ends, serving fails, or the private PostgreSQL dies.
func (h *house) wait(ctx context.Context) error {
	var gone <-chan struct{}
	if h.found.Private != nil {
		gone = h.found.Private.Done()
	}
	select {
	case <-ctx.Done():
		return nil
	case err := <-h.done:
		return err
	case err := <-h.wall.failed():
		return err
	case <-gone:
		return fault.New(fault.Unavailable, "POSTGRES_GONE", "the private PostgreSQL ended: its log is in %s", h.found.Private.DataDir())
	}
}

// ready is nil if the database answers and its schema is no older than this
// program.
func (h *house) ready(ctx context.Context) error {
	have, err := h.store.SchemaVersion(ctx)
	if err != nil {
		return err
	}
	h.tellOfStandby(ctx)
	return migrations.Older(have)
}

// longWait is how long an act may wait for a standby before somebody is told.
const longWait = time.Second

// tellOfStandby warns when acts begin to wait for a synchronous standby, which may
// have died. The server stays ready: reading goes on.
func (h *house) tellOfStandby(ctx context.Context) {
	n, err := h.store.AwaitingStandby(ctx, longWait)
	if err != nil {
		return // whoever asks for readiness hears of it
	}
	if was := h.awaiting.Swap(n > 0); n > 0 && !was {
		h.log.WarnContext(ctx, "acts wait for the database's synchronous standby: if it has died, start it again, or let the primary go on alone", "waiting", n)
	}
}

// warn tells of a database role that could forge the log.
func (h *house) warn(ctx context.Context) {
	may, err := h.store.MayForge(ctx)
	if err == nil && may {
		h.log.WarnContext(ctx, "the database role of this server could change the log: give another one its rights with server migrate --grant, and serve as that")
	}
}

// close ends in order: health says no, streams end, calls that run may finish,
// connections to the database are given back, figures and traces that wait are
// sent, the private PostgreSQL stops.
func (h *house) close() error {
	ctx := context.Background()
	h.log.InfoContext(ctx, "stopping", "step", "health")
	h.rpc.NotServing()
	time.Sleep(drainTime)
	h.log.InfoContext(ctx, "stopping", "step", "streams")
	h.wall.close()
	h.rpc.EndStreams()
	h.log.InfoContext(ctx, "stopping", "step", "calls")
	finished := make(chan struct{})
	go func() {
		h.rpc.GracefulStop()
		close(finished)
	}()
	select {
	case <-finished:
	case <-time.After(stopTime):
		h.log.WarnContext(ctx, "calls that go on for too long are cut off")
		h.rpc.Stop()
	}
	h.watching()
	h.leaving()
	h.watchers.Wait()
	h.log.InfoContext(ctx, "stopping", "step", "database")
	h.store.Close()
	ctx, cancel := context.WithTimeout(ctx, 2*stopTime)
	defer cancel()
	h.figures.close(ctx)
	if err := h.told.Close(ctx); err != nil {
		h.log.WarnContext(ctx, "the last figures and traces were not sent", "cause", err)
	}
	return h.found.Stop(ctx)
}

// migrate brings the schema up to date, telling each step. On the private
// PostgreSQL it gives the server's role its rights.
func migrate(ctx context.Context, found localpg.Found) error {
	err := migrations.Up(ctx, found.URL, progress)
	if err == nil && (found.Private != nil || found.Guest) {
		err = migrations.Grant(ctx, found.URL, localpg.ServerRole)
	}
	return err
}

// stopQuietly joins the error of a stop to the one that led to it.
func stopQuietly(found localpg.Found, err error) error {
	ctx, cancel := context.WithTimeout(context.Background(), 2*stopTime)
	defer cancel()
	return errors.Join(err, found.Stop(ctx))
}

// logger writes JSON, and stars where a token would stand.
func logger(w io.Writer) *slog.Logger {
	return telemetry.Logger(slog.NewJSONHandler(w, &slog.HandlerOptions{ReplaceAttr: access.HideAttr}))
}
