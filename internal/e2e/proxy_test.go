package e2e

import (
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// proxy carries connections to a target, and cuts or delays them when told.
type proxy struct {
	addr   string
	target string
	delay  atomic.Int64 // nanoseconds before each piece is handed on

	mu   sync.Mutex
	open map[net.Conn]bool
}

// between makes a proxy before a target on loopback. It ends with the test.
func between(t testing.TB, target string) *proxy {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{addr: lis.Addr().String(), target: target, open: map[net.Conn]bool{}}
	t.Cleanup(func() {
		_ = lis.Close()
		p.cut()
	})
	go func() {
		for {
			near, err := lis.Accept()
			if err != nil {
				return
			}
			go p.join(near)
		}
	}()
	return p
}

func (p *proxy) join(near net.Conn) {
	far, err := net.Dial("tcp", p.target)
	if err != nil {
		_ = near.Close()
		return
	}
	p.mu.Lock()
	p.open[near], p.open[far] = true, true
	p.mu.Unlock()
	go p.carry(near, far)
	p.carry(far, near)
}

func (p *proxy) carry(to, from net.Conn) {
	defer func() {
		_, _ = to.Close(), from.Close()
		p.mu.Lock()
		delete(p.open, to)
		delete(p.open, from)
		p.mu.Unlock()
	}()
	buf := make([]byte, 1<<16)
	for {
		n, err := from.Read(buf)
		if n > 0 {
			if d := p.delay.Load(); d > 0 {
				<-time.After(time.Duration(d))
			}
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// cut breaks every connection that stands.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.open {
		_ = c.Close()
	}
}
