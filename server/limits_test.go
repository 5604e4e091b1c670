package main

import (
	"io"
	"net"
	"testing"
	"time"
)

// TestConnectionsAreBounded opens one connection too many, sees it closed, and
// gets in when another has left.
func TestConnectionsAreBounded(t *testing.T) {
	t.Parallel()
	for name, l := range map[string]limits{
		"in all":           {connections: 2},
		"from one address": {connectionsPerAddress: 2},
	} {
		inner, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		lis := l.bounded(inner)
		accepted := make(chan net.Conn, 8)
		go func() {
			defer close(accepted)
			for {
				conn, err := lis.Accept()
				if err != nil {
					return
				}
				accepted <- conn
			}
		}()
		dial := func() net.Conn {
			conn, err := net.Dial("tcp", inner.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			_ = conn.SetDeadline(time.Now().Add(time.Minute))
			return conn
		}
		first, second := dial(), dial()
		served := []net.Conn{<-accepted, <-accepted}
		third := dial()
		if _, err := third.Read(make([]byte, 1)); err == nil {
			t.Errorf("%s: a third connection is served", name)
		}
		_ = served[0].Close()
		fourth := dial()
		back := <-accepted
		if _, err := back.Write([]byte("x")); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if got, err := io.ReadAll(io.LimitReader(fourth, 1)); string(got) != "x" {
			t.Errorf("%s: after one has left, the next reads %q, %v", name, got, err)
		}
		_ = lis.Close()
		for _, conn := range append(served, first, second, third, fourth, back) {
			_ = conn.Close()
		}
		for range accepted { // until nobody accepts any more
		}
	}
}
