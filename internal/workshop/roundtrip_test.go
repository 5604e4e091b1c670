package workshop

import (
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"bayhold/internal/pgtest"
	"bayhold/internal/store"
)

// turnstile stands between the workshop and PostgreSQL and counts how often the
// one has to wait for the other.
type turnstile struct {
	trips  atomic.Int64
	answer atomic.Bool // the last that went through was an answer
}

// between makes a turnstile before a database and gives the address at which it
// is to be reached by way of it.
func between(t *testing.T, address string) (*turnstile, string) {
	t.Helper()
	cfg, err := pgconn.ParseConfig(address)
	if err != nil {
		t.Fatal(err)
	}
	network, target := "tcp", net.JoinHostPort(cfg.Host, fmt.Sprint(cfg.Port))
	if strings.HasPrefix(cfg.Host, "/") {
		network, target = "unix", filepath.Join(cfg.Host, fmt.Sprintf(".s.PGSQL.%d", cfg.Port))
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &turnstile{}
	t.Cleanup(func() { _ = lis.Close() })
	go func() {
		for {
			client, err := lis.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial(network, target)
			if err != nil {
				_ = client.Close()
				continue
			}
			go c.carry(server, client, func() {
				if c.answer.Swap(false) {
					c.trips.Add(1)
				}
			})
			go c.carry(client, server, func() { c.answer.Store(true) })
		}
	}()
	host, port, _ := net.SplitHostPort(lis.Addr().String())
	by := url.URL{Scheme: "postgres", User: url.UserPassword(cfg.User, cfg.Password), Host: net.JoinHostPort(host, port), Path: "/" + cfg.Database}
	// One connection, so that every statement is known to it after a first time.
	by.RawQuery = "sslmode=disable&pool_max_conns=1&pool_min_conns=1"
	return c, by.String()
}

// carry hands on what comes, and notes each piece.
func (c *turnstile) carry(to, from net.Conn, note func()) {
	defer func() { _, _ = to.Close(), from.Close() }()
	buf := make([]byte, 1<<16)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		note()
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}

// TestRoundTrips counts at the wire. However many steps a job has, a question
// takes one round trip and a booking two: one that begins, takes what is wanted
// and reads; one that books, notes and commits.
func TestRoundTrips(t *testing.T) {
	t.Parallel()
	c, address := between(t, pgtest.New(t).URL)
	s, err := store.Open(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	w := New(s, func() time.Time { return monday })
	if _, err := w.Import(t.Context(), act("import"), intake(t)); err != nil {
		t.Fatal(err)
	}
	// The least of several times: the first prepares its statements, and a
	// connection that was idle for long is asked whether it still stands.
	least := func(what string, most int64, do func(n int)) {
		fewest := int64(1 << 30)
		for n := range 5 {
			before := c.trips.Load()
			do(n)
			fewest = min(fewest, c.trips.Load()-before)
		}
		if fewest > most || fewest == 0 {
			t.Errorf("%s takes %d round trips, at most %d are allowed", what, fewest, most)
		}
	}
	procedures := []string{"chain"}
	least("a check", 1, func(int) {
		if _, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: procedures, Start: local(12, 8, 0)}); err != nil {
			t.Fatal(err)
		}
	})
	least("a find", 1, func(int) { chain(t, w, local(12, 8, 0)) })
	var plans []Plan
	for day := range 5 { // a week apart, so that none is in another's way
		plans = append(plans, chain(t, w, local(12, 8, 0).AddDate(0, 0, 7*day)))
	}
	least("a booking", 2, func(n int) {
		if _, err := book(t, w, fmt.Sprintf("W-%d", n), plans[n]); err != nil {
			t.Fatal(err)
		}
	})
}
