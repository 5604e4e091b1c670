package certs

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"bayhold/internal/fault"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func wantReason(t *testing.T, what string, err error, kind fault.Kind, reason string) {
	t.Helper()
	if f := fault.Fault(err); f == nil || f.Kind != kind || f.Reason != reason {
		t.Errorf("%s: %v, want %v %s", what, err, kind, reason)
	}
}

func mustServer(t *testing.T, dir string) Made {
	t.Helper()
	made, err := MakeServer(dir, []string{"bayhold.example", "192.0.2.7"}, false, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	return made
}

func leaf(t *testing.T, path string) *x509.Certificate {
	t.Helper()
	pair, err := readPair(path, strings.TrimSuffix(path, ".pem")+"-key.pem")
	if err != nil {
		t.Fatal(err)
	}
	return pair.Leaf
}

func TestWhatIsMade(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "tls")
	made := mustServer(t, dir)
	client, err := MakeClient(dir, "quay", "anna", time.Now())
	if err != nil || client.Subject != "CN=anna,O=quay" {
		t.Errorf("for a client %+v: %v", client, err)
	}
	for path, mode := range map[string]os.FileMode{
		dir: 0o700, made.CA: 0o644, made.Cert: 0o644, made.Key: 0o600,
		filepath.Join(dir, authorityKey): 0o600, client.Cert: 0o644, client.Key: 0o600,
	} {
		info, err := os.Stat(path)
		if err != nil || info.Mode().Perm() != mode {
			t.Errorf("%s: %v, %v, want %o", path, info.Mode(), err, mode)
		}
	}
	ca, server := leaf(t, made.CA), leaf(t, made.Cert)
	for _, c := range []*x509.Certificate{ca, server, leaf(t, client.Cert)} {
		if key, ok := c.PublicKey.(*ecdsa.PublicKey); !ok || key.Curve != elliptic.P256() {
			t.Errorf("%s has the key %T", c.Subject, c.PublicKey)
		}
		if c.SerialNumber.BitLen() < 64 { // CA/Browser Forum Baseline Requirements 7.1
			t.Errorf("%s has the serial number %v", c.Subject, c.SerialNumber)
		}
	}
	if !ca.IsCA || !ca.MaxPathLenZero || server.IsCA {
		t.Errorf("authority %v, %v; server %v", ca.IsCA, ca.MaxPathLenZero, server.IsCA)
	}
	roots := x509.NewCertPool()
	roots.AddCert(ca)
	for name, host := range map[string]string{"a name": "bayhold.example", "an address": "192.0.2.7", "the machine itself": "localhost", "loopback": "127.0.0.1"} {
		if _, err := server.Verify(x509.VerifyOptions{DNSName: host, Roots: roots}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, o := range map[string]x509.VerifyOptions{
		"another name":    {DNSName: "elsewhere.example", Roots: roots},
		"as a client":     {Roots: roots, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}},
		"after two years": {Roots: roots, CurrentTime: time.Now().AddDate(2, 0, 0)},
	} {
		if _, err := server.Verify(o); err == nil {
			t.Errorf("the server's certificate is good as %s", name)
		}
	}
}

func TestNothingIsWrittenOver(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	made := mustServer(t, dir)
	before, err := os.ReadFile(made.Key)
	if err != nil {
		t.Fatal(err)
	}
	_, err = MakeServer(dir, []string{"bayhold.example"}, false, time.Now())
	wantReason(t, "a second server", err, fault.Exists, "FILE")
	if after, _ := os.ReadFile(made.Key); !bytes.Equal(before, after) {
		t.Error("the key was written over")
	}
	if _, err := MakeClient(dir, "quay", "anna", time.Now()); err != nil {
		t.Fatal(err)
	}
	_, err = MakeClient(dir, "quay", "anna", time.Now())
	wantReason(t, "a second client of the name", err, fault.Exists, "FILE")

	ca, err := os.ReadFile(made.CA)
	if err != nil {
		t.Fatal(err)
	}
	again, err := MakeServer(dir, []string{"bayhold.example"}, true, time.Now())
	if err != nil || again.Authority {
		t.Errorf("renewed %+v: %v", again, err)
	}
	if after, _ := os.ReadFile(made.Key); bytes.Equal(before, after) {
		t.Error("a renewed certificate has the old key")
	}
	if after, _ := os.ReadFile(made.CA); !bytes.Equal(ca, after) {
		t.Error("the authority was written over")
	}
	if err := os.Remove(filepath.Join(dir, authorityKey)); err != nil {
		t.Fatal(err)
	}
	_, err = MakeServer(dir, []string{"bayhold.example"}, true, time.Now())
	wantReason(t, "without the authority's key", err, fault.Precondition, "FILE")
	old := t.TempDir()
	if _, err := MakeServer(old, []string{"a"}, false, time.Now().AddDate(-11, 0, 0)); err != nil {
		t.Fatal(err)
	}
	_, err = MakeServer(old, []string{"a"}, true, time.Now())
	wantReason(t, "of an authority that ended", err, fault.Precondition, "CERTIFICATE")
}

func TestNamesThatCannotBe(t *testing.T) {
	t.Parallel()
	for _, host := range []string{"", "https://a.example", "a.example:7470", "-a", "a b", "*.example", strings.Repeat("a", 64)} {
		_, err := MakeServer(t.TempDir(), []string{host}, false, time.Now())
		wantReason(t, host, err, fault.Invalid, "HOST")
	}
	_, err := MakeServer(t.TempDir(), nil, false, time.Now())
	wantReason(t, "no host", err, fault.Invalid, "HOST")
	for _, user := range []string{"", "../anna", "Anna", "anna,O=moor"} {
		_, err := MakeClient(t.TempDir(), "quay", user, time.Now())
		wantReason(t, user, err, fault.Invalid, "NAME")
	}
}

// notebook is a log to read.
type notebook struct {
	mu sync.Mutex
	bytes.Buffer
}

func (n *notebook) Write(p []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.Buffer.Write(p)
}

// count tells how often the log says something.
func (n *notebook) count(what string) int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return strings.Count(n.String(), what)
}

// echo serves TLS on loopback with what a keeper has, and sends back what it gets.
func echo(t *testing.T, k *Keeper) string {
	t.Helper()
	lis, err := tls.Listen("tcp", "127.0.0.1:0", k.TLS())
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			conn, err := lis.Accept()
			if err != nil {
				return
			}
			wg.Go(func() {
				defer func() { _ = conn.Close() }()
				_, _ = io.Copy(conn, conn) // it ends with the connection, well or not
			})
		}
	})
	t.Cleanup(func() { _ = lis.Close(); wg.Wait() })
	return lis.Addr().String()
}

// call shakes hands and sends something there and back.
func call(ctx context.Context, addr string, config *tls.Config) (tls.ConnectionState, error) {
	var state tls.ConnectionState
	d := tls.Dialer{Config: config, NetDialer: &net.Dialer{Timeout: 5 * time.Second}}
	conn, err := d.DialContext(ctx, "tcp", addr)
	if err != nil {
		return state, err
	}
	defer func() { _ = conn.Close() }()
	if _, err := conn.Write([]byte("x")); err != nil {
		return state, err
	}
	if _, err := io.ReadFull(conn, make([]byte, 1)); err != nil {
		return state, err
	}
	return conn.(*tls.Conn).ConnectionState(), nil
}

// trusting is a client that trusts an authority.
func trusting(t *testing.T, ca string) *tls.Config {
	t.Helper()
	pool := x509.NewCertPool()
	pool.AddCert(leaf(t, ca))
	return &tls.Config{RootCAs: pool, NextProtos: []string{"h2"}}
}

func TestHandshake(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	made := mustServer(t, dir)
	k, err := Open(Files{Cert: made.Cert, Key: made.Key, ClientCA: made.CA}, slog.New(slog.DiscardHandler), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	addr := echo(t, k)
	good := trusting(t, made.CA)
	state, err := call(t.Context(), addr, good)
	if err != nil || state.Version != tls.VersionTLS13 || state.NegotiatedProtocol != "h2" {
		t.Errorf("a client that trusts: %+v, %v", state.Version, err)
	}
	old := good.Clone()
	old.MaxVersion = tls.VersionTLS12
	if _, err := call(t.Context(), addr, old); err == nil {
		t.Error("TLS 1.2 was let in")
	}
	if _, err := call(t.Context(), addr, trusting(t, mustServer(t, t.TempDir()).CA)); err == nil {
		t.Error("a client that trusts another authority went on")
	}
	for name, c := range map[string]struct {
		dir string
		ok  bool
	}{"of this authority": {dir, true}, "of another": {t.TempDir(), false}} {
		client, err := MakeClient(c.dir, "quay", "ben", time.Now())
		if err != nil {
			t.Fatal(err)
		}
		pair, err := readPair(client.Cert, client.Key)
		if err != nil {
			t.Fatal(err)
		}
		with := good.Clone()
		// Shown whatever the server says that it wants.
		with.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil }
		if _, err := call(t.Context(), addr, with); (err == nil) != c.ok {
			t.Errorf("a client certificate %s: %v", name, err)
		}
	}
}

// TestNewFilesAreTakenInWhileServing exchanges the files under a server that
// goes on: for good ones, for bad ones, for good ones again.
func TestNewFilesAreTakenInWhileServing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	made := mustServer(t, dir)
	var log notebook
	k, err := Open(Files{Cert: made.Cert, Key: made.Key}, slog.New(slog.NewTextHandler(&log, nil)), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	addr := echo(t, k)
	serial := func() string {
		t.Helper()
		state, err := call(t.Context(), addr, trusting(t, made.CA))
		if err != nil {
			t.Fatal(err)
		}
		return state.PeerCertificates[0].SerialNumber.String()
	}
	first := serial()
	k.look()
	if got := serial(); got != first || log.count("msg=") != 0 {
		t.Errorf("nothing had changed: %s", log.String())
	}

	if _, err := MakeServer(dir, []string{"bayhold.example"}, true, time.Now()); err != nil {
		t.Fatal(err)
	}
	k.look()
	second := serial()
	if second == first || log.count("is in use") != 1 {
		t.Errorf("the new certificate is not in use: %s", log.String())
	}

	good, err := os.ReadFile(made.Cert)
	if err != nil {
		t.Fatal(err)
	}
	ended, err := MakeServer(t.TempDir(), []string{"a"}, false, time.Now().AddDate(-2, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	endedCert, err := os.ReadFile(ended.Cert)
	if err != nil {
		t.Fatal(err)
	}
	for i, bad := range [][]byte{[]byte("no certificate"), good[:len(good)/2], {}, endedCert} {
		if err := os.WriteFile(made.Cert, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		k.look()
		k.look()
		if got := serial(); got != second || log.count("the old one stays") != i+1 {
			t.Errorf("bad file %d: %s", i, log.String())
		}
	}
	if err := os.Remove(made.Cert); err != nil {
		t.Fatal(err)
	}
	k.look()
	k.look()
	if got := serial(); got != second || log.count("the old one stays") != 5 {
		t.Errorf("no file: %s", log.String())
	}
	if err := os.WriteFile(made.Cert, good, 0o600); err != nil {
		t.Fatal(err)
	}
	k.look()
	if got := serial(); got != second || log.count("is in use") != 2 {
		t.Errorf("the good file again: %s", log.String())
	}
}

func TestRunLooksAfterTheFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	made := mustServer(t, dir)
	k, err := Open(Files{Cert: made.Cert, Key: made.Key}, slog.New(slog.DiscardHandler), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { k.Run(ctx) })
	addr, first := echo(t, k), leaf(t, made.Cert).SerialNumber
	if _, err := MakeServer(dir, []string{"bayhold.example"}, true, time.Now()); err != nil {
		t.Fatal(err)
	}
	for {
		state, err := call(ctx, addr, trusting(t, made.CA))
		if err != nil {
			t.Fatal(err)
		}
		if state.PeerCertificates[0].SerialNumber.Cmp(first) != 0 {
			break
		}
	}
	cancel()
}

func TestFilesThatAreOfNoUse(t *testing.T) {
	t.Parallel()
	dir, other := t.TempDir(), t.TempDir()
	a, b := mustServer(t, dir), mustServer(t, other)
	log := slog.New(slog.DiscardHandler)
	for name, c := range map[string]struct {
		files  Files
		now    time.Time
		reason string
	}{
		"another's key":       {Files{Cert: a.Cert, Key: b.Key}, time.Now(), "CERTIFICATE"},
		"no file":             {Files{Cert: a.Cert + "x", Key: a.Key}, time.Now(), "FILE"},
		"one that ended":      {Files{Cert: a.Cert, Key: a.Key}, time.Now().AddDate(2, 0, 0), "CERTIFICATE"},
		"a key as authority":  {Files{Cert: a.Cert, Key: a.Key, ClientCA: a.Key}, time.Now(), "CERTIFICATE"},
		"no authority's file": {Files{Cert: a.Cert, Key: a.Key, ClientCA: a.CA + "x"}, time.Now(), "FILE"},
	} {
		_, err := Open(c.files, log, func() time.Time { return c.now })
		wantReason(t, name, err, fault.Precondition, c.reason)
	}
}

func TestAnEndThatIsNearIsSaidOnceADay(t *testing.T) {
	t.Parallel()
	made := mustServer(t, t.TempDir())
	if err := os.Chmod(made.Key, 0o604); err != nil {
		t.Fatal(err)
	}
	now := time.Now().Add(leafLife - remind - time.Hour)
	var log notebook
	k, err := Open(Files{Cert: made.Cert, Key: made.Key}, slog.New(slog.NewTextHandler(&log, nil)), func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	if log.count("ends soon") != 0 || log.count("may read the server's key") != 1 {
		t.Errorf("two weeks and an hour before: %s", log.String())
	}
	for _, c := range []struct {
		after time.Duration
		said  int
	}{{2 * time.Hour, 1}, {time.Hour, 1}, {24 * time.Hour, 2}} {
		now = now.Add(c.after)
		k.look()
		if got := log.count("ends soon"); got != c.said {
			t.Errorf("said %d times, want %d: %s", got, c.said, log.String())
		}
	}
}
