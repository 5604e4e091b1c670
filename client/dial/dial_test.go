package dial

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// sites is a server of which only ListSites answers.
type sites struct {
	bayholdv1.UnimplementedSiteServiceServer
	list func(ctx context.Context) error
}

func (s *sites) ListSites(ctx context.Context, _ *bayholdv1.ListSitesRequest) (*bayholdv1.ListSitesResponse, error) {
	return &bayholdv1.ListSitesResponse{}, s.list(ctx)
}

// serve starts a server on a listener and stops it with the test.
func serve(t *testing.T, lis net.Listener, list func(context.Context) error, opts ...grpc.ServerOption) {
	t.Helper()
	srv := grpc.NewServer(opts...)
	bayholdv1.RegisterSiteServiceServer(srv, &sites{list: list})
	done := make(chan error, 1)
	go func() { done <- srv.Serve(lis) }()
	t.Cleanup(func() {
		srv.Stop()
		if err := <-done; err != nil && !errors.Is(err, grpc.ErrServerStopped) {
			t.Error(err)
		}
	})
}

func listen(t *testing.T, network, addr string) net.Listener {
	t.Helper()
	lis, err := net.Listen(network, addr)
	if err != nil {
		t.Fatal(err)
	}
	return lis
}

// ask calls ListSites with these settings.
func ask(t *testing.T, c Config) error {
	t.Helper()
	conn, err := Open(c)
	if err != nil {
		return err
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	_, err = conn.Sites.ListSites(t.Context(), &bayholdv1.ListSitesRequest{})
	return err
}

// TestRetryUnavailable holds that a call is made again while the server is
// unavailable, and that no other error is.
func TestRetryUnavailable(t *testing.T) {
	for _, tt := range []struct {
		code     codes.Code
		failures int32
		attempts int32
		want     codes.Code
	}{
		{codes.Unavailable, 2, 3, codes.OK},
		{codes.Unavailable, 100, 5, codes.Unavailable},
		{codes.Aborted, 100, 1, codes.Aborted},
		{codes.Internal, 100, 1, codes.Internal},
	} {
		t.Run(tt.code.String()+"-"+tt.want.String(), func(t *testing.T) {
			t.Parallel()
			lis := listen(t, "tcp", "127.0.0.1:0")
			var calls atomic.Int32
			serve(t, lis, func(context.Context) error {
				if calls.Add(1) <= tt.failures {
					return status.Error(tt.code, "no")
				}
				return nil
			})
			err := ask(t, Config{Server: lis.Addr().String()})
			if status.Code(err) != tt.want || calls.Load() != tt.attempts {
				t.Errorf("%v after %d attempts; want %v after %d", err, calls.Load(), tt.want, tt.attempts)
			}
		})
	}
}

// TestTimeout holds that a call ends in time.
func TestTimeout(t *testing.T) {
	lis := listen(t, "tcp", "127.0.0.1:0")
	serve(t, lis, func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() })
	err := ask(t, Config{Server: lis.Addr().String(), Timeout: 50 * time.Millisecond})
	if status.Code(err) != codes.DeadlineExceeded {
		t.Error(err)
	}
}

// tokenOf gives the token that a call carries.
func tokenOf(ctx context.Context) string {
	md, _ := metadata.FromIncomingContext(ctx)
	if v := md.Get("authorization"); len(v) == 1 {
		return v[0]
	}
	return ""
}

// TestToken holds that a token travels within the machine and over TLS only.
func TestToken(t *testing.T) {
	var got atomic.Value
	note := func(ctx context.Context) error { got.Store(tokenOf(ctx)); return nil }
	tcp := listen(t, "tcp", "127.0.0.1:0")
	serve(t, tcp, note)
	socket := filepath.Join(t.TempDir(), "s")
	serve(t, listen(t, "unix", socket), note)
	cert, ca := certificate(t)
	secure := listen(t, "tcp", "127.0.0.1:0")
	serve(t, secure, note, grpc.Creds(credentials.NewServerTLSFromCert(&cert)))
	for _, c := range []Config{
		{Server: tcp.Addr().String()}, {Server: "unix://" + socket}, {Server: secure.Addr().String(), CAFile: ca},
	} {
		c.Token = "secret"
		if err := ask(t, c); err != nil || got.Load() != "Bearer secret" {
			t.Errorf("%s: %v, %v", c.Server, err, got.Load())
		}
	}
	for _, server := range []string{"192.0.2.1:7470", "bayhold.example:7470", "dns:///bayhold.example"} {
		if err := ask(t, Config{Server: server, Token: "secret"}); !errors.Is(err, ErrConfig) {
			t.Errorf("%s: %v", server, err)
		}
	}
}

// TestTLS holds that a server is trusted only if its certificate is.
func TestTLS(t *testing.T) {
	cert, ca := certificate(t)
	_, otherCA := certificate(t)
	lis := listen(t, "tcp", "127.0.0.1:0")
	serve(t, lis, func(context.Context) error { return nil }, grpc.Creds(credentials.NewServerTLSFromCert(&cert)))
	server := lis.Addr().String()
	if err := ask(t, Config{Server: server, CAFile: ca}); err != nil {
		t.Error(err)
	}
	for _, c := range []Config{{Server: server}, {Server: server, TLS: true}, {Server: server, CAFile: otherCA}} {
		if err := ask(t, c); status.Code(err) != codes.Unavailable {
			t.Errorf("%+v: %v", c, err)
		}
	}
	empty := filepath.Join(t.TempDir(), "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{empty, empty + "-none"} {
		if err := ask(t, Config{Server: server, CAFile: file}); !errors.Is(err, ErrConfig) {
			t.Errorf("%s: %v", file, err)
		}
	}
}

// certificate makes a certificate for loopback, and the file that lets a
// client trust it.
func certificate(t *testing.T) (tls.Certificate, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, path
}

// TestPlaintext holds that a token may travel in the clear if that is wanted
// in so many words. Nothing listens there: preparing the connection is all.
func TestPlaintext(t *testing.T) {
	conn, err := Open(Config{Server: "192.0.2.1:7470", Token: "secret", InsecurePlaintext: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := conn.Close(); err != nil {
		t.Error(err)
	}
}
