package main

import (
	"net"
	"runtime"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"bayhold/internal/gate"
	"bayhold/internal/rpc"
	"bayhold/internal/store"
)

// limits are what flags say of how much may be asked.
type limits struct {
	rpc      rpc.Limits
	store    store.Options
	planners gate.Options

	connections, connectionsPerAddress int
}

func (l *limits) flags(fs *pflag.FlagSet) {
	fs.IntVar(&l.rpc.Message, "max-message", 32<<20, "bytes of one message at the most")
	fs.IntVar(&l.connections, "max-connections", 512, "connections at once; 0 for any number")
	fs.IntVar(&l.connectionsPerAddress, "max-connections-per-address", 128, "connections at once from one address; 0 for any number")
	fs.Uint32Var(&l.rpc.Calls, "max-calls", 128, "calls at once on one connection")
	fs.IntVar(&l.rpc.Streams, "max-streams", 32, "streams open at once of one user")
	fs.Float64Var(&l.rpc.Rate, "rate", 50, "calls a second of one user; 0 for any number")
	fs.IntVar(&l.rpc.Burst, "burst", 200, "calls of one user that may come at once after a pause")
	fs.Float64Var(&l.rpc.AddressRate, "address-rate", 200, "calls a second from one address, whoever makes them; 0 for any number")
	fs.IntVar(&l.rpc.AddressBurst, "address-burst", 1000, "calls from one address that may come at once after a pause")
	fs.DurationVar(&l.rpc.Call, "max-call", 30*time.Second, "how long a call may take, whatever its caller allows")
	fs.DurationVar(&l.rpc.Search, "max-search", 15*time.Minute, "how long a search that streams its answers may take")
	fs.IntVar(&l.planners.Slots, "planners", max(2, runtime.NumCPU()), "searches at once; 0 for any number")
	fs.IntVar(&l.planners.PerSite, "planners-per-site", 2, "searches at once of one site")
	fs.IntVar(&l.planners.Queue, "planner-queue", 64, "calls of one site that may wait for a planner")
	fs.IntVar(&l.planners.PerCaller, "planner-queue-per-user", 8, "calls of one user that may wait for a planner")
	fs.DurationVar(&l.store.StatementTimeout, "statement-timeout", 20*time.Second, "how long one statement may take in the database")
	fs.DurationVar(&l.store.LockTimeout, "lock-timeout", 8*time.Second, "how long a statement may wait for a lock")
	fs.DurationVar(&l.store.IdleTimeout, "idle-timeout", 20*time.Second, "how long a transaction may stand still")
	fs.IntVar(&l.store.Connections, "database-connections", 0, "connections to the database at the most; default 4, or the number of cores if greater")
}

// calls are the limits of calls.
func (l *limits) calls() rpc.Limits {
	out := l.rpc
	if l.planners.Slots > 0 {
		out.Planners = gate.New(gate.Options{
			Slots: l.planners.Slots, PerSite: max(1, l.planners.PerSite), Queue: l.planners.Queue, PerCaller: l.planners.PerCaller,
		})
	}
	return out
}

// listener bounds the connections that stand at once. One too many is closed at
// once, so that its caller soon knows; to let it wait would look like an outage.
type listener struct {
	net.Listener
	most, perAddress int // 0: not bounded

	mu        sync.Mutex
	all       int
	addresses map[string]int
}

// bounded bounds the connections of a listener.
func (l *limits) bounded(lis net.Listener) net.Listener {
	return &listener{Listener: lis, most: l.connections, perAddress: l.connectionsPerAddress, addresses: map[string]int{}}
}

// Accept waits for the next connection for which there is room.
func (l *listener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		host, _, err := net.SplitHostPort(conn.RemoteAddr().String())
		if err != nil {
			host = conn.RemoteAddr().String()
		}
		if l.enter(host) {
			return &bounded{Conn: conn, leave: sync.OnceFunc(func() { l.leave(host) })}, nil
		}
		_ = conn.Close() // there is nobody to tell
	}
}

func (l *listener) enter(host string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.most > 0 && l.all >= l.most || l.perAddress > 0 && l.addresses[host] >= l.perAddress {
		return false
	}
	l.all++
	l.addresses[host]++
	return true
}

func (l *listener) leave(host string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all--
	if l.addresses[host]--; l.addresses[host] == 0 {
		delete(l.addresses, host)
	}
}

// bounded is a connection that makes room when it is closed.
type bounded struct {
	net.Conn
	leave func()
}

// Close closes the connection.
func (b *bounded) Close() error {
	defer b.leave()
	return b.Conn.Close()
}
