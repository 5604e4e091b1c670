package main

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"time"

	"bayhold/internal/fault"
)

// figures serves figures for Prometheus on an address of their own.
type figures struct {
	lis  net.Listener
	http *http.Server
	done chan struct{}
}

// serveFigures serves on an address of this machine only: they are neither
// encrypted nor asked for a token. Nil for no address.
func serveFigures(address string, handler http.Handler) (*figures, error) {
	if address == "" {
		return nil, nil
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fault.New(fault.Invalid, "METRICS", "%q is no address to serve figures on: give one such as 127.0.0.1:9470", address).Because(err)
	}
	if ip, err := netip.ParseAddr(host); host != "localhost" && (err != nil || !ip.IsLoopback()) {
		return nil, fault.New(fault.Precondition, "METRICS",
			"%s can be reached from other machines, and figures are neither encrypted nor guarded: serve them on 127.0.0.1, and let an agent on this machine fetch them", address)
	}
	lis, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fault.New(fault.Precondition, "METRICS", "cannot serve figures on %s: give another address with --metrics", address).Because(err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", handler)
	f := &figures{lis: lis, done: make(chan struct{}), http: &http.Server{
		Handler: mux, ReadTimeout: 10 * time.Second, WriteTimeout: 20 * time.Second, MaxHeaderBytes: 16 << 10,
	}}
	go func() {
		defer close(f.done)
		_ = f.http.Serve(lis) // it ends with close
	}()
	return f, nil
}

func (f *figures) close(ctx context.Context) {
	if f != nil {
		_ = f.http.Shutdown(ctx) // nothing of worth hangs on it
		<-f.done
	}
}
