package e2e

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayhold/internal/pgtest"
)

// tool runs a command of the server program.
func tool(t *testing.T, env []string, args ...string) string {
	t.Helper()
	cmd := exec.Command(filepath.Join(bin, "server"), args...) // #nosec G204
	cmd.Env = env
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("server %v: %v\n%s", args, err, out)
	}
	return string(out)
}

// TestUsersAndTokensFromTheShell lets an administrator take in a technician, who
// may do a technician's work and no more, until their token is revoked.
func TestUsersAndTokensFromTheShell(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := serve(t, db, "127.0.0.1:0")
	s.enrol(t, db, "quillgate")
	s.client(t, append([]string{"import"}, demoFiles(t)...)...).want(t, 0)
	s.client(t, "whoami").want(t, 0, "quillgate", "first", "administrator")
	s.client(t, "user", "add", "mira", "--role", "technician").want(t, 2, "technician: is missing")
	s.client(t, "user", "add", "mira", "--role", "technician", "--technician", "mira-osei").want(t, 0, "token make")
	s.client(t, "user", "list").want(t, 0, "mira-osei")
	made := s.client(t, "token", "make", "tablet", "--user", "mira", "--output", "json")
	made.want(t, 0)
	var token struct{ Text string }
	if err := json.Unmarshal([]byte(made.out), &token); err != nil || !strings.HasPrefix(token.Text, "bayhold.quillgate.") {
		t.Fatalf("%v: %s", err, made.out)
	}
	mira := &server{addr: s.addr, token: token.Text}
	mira.client(t, "whoami").want(t, 0, "mira", "tablet")
	mira.client(t, "user", "list").want(t, 8, "managers and administrators")
	mira.client(t, "technician", "reserve", "mira-osei", "--reference", "R-1", "--from", "+22d", "--until", "+29d").want(t, 0)
	mira.client(t, "technician", "reserve", "jonas-vell", "--reference", "R-2", "--from", "+22d", "--until", "+29d").want(t, 8, "own name")
	mira.client(t, "token", "list", "--user", "first").want(t, 8, "mira")
	s.client(t, "user", "roles", "first", "manager").want(t, 6, "only administrator")
	s.client(t, "token", "revoke", "tablet", "--user", "mira").want(t, 0, "revoked")
	for deadline := time.Now().Add(10 * time.Second); ; {
		if a := mira.client(t, "whoami"); a.code != 0 {
			a.want(t, 8, "was revoked")
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("a token that was revoked is still good after ten seconds")
		}
	}
}

// TestFirstAdministratorWhileThePrivateDatabaseRuns joins the cluster that the
// server runs, and makes one of its own where no server runs.
func TestFirstAdministratorWhileThePrivateDatabaseRuns(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(pgtest.Dir(t), "own")
	var env []string
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "DATABASE_URL=") {
			env = append(env, v)
		}
	}
	add := func(name string, more ...string) string {
		args := append([]string{"user", "add", name, "--data-dir", dir, "--site", "quay", "--role", "administrator", "--bare"}, more...)
		cmd := exec.Command(filepath.Join(bin, "server"), args...) // #nosec G204
		cmd.Env = env
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("user add %s: %v", name, err)
		}
		return strings.TrimSpace(string(out))
	}
	before := add("anna", "--time-zone", "Europe/Lisbon") // nobody runs the database
	s := serve(t, &pgtest.DB{}, "127.0.0.1:0", "--data-dir", dir)
	after := add("bert") // the server does
	for _, token := range []string{before, after} {
		c := &server{addr: s.addr, token: token}
		c.client(t, "user", "list").want(t, 0, "anna", "bert")
	}
}

// TestEncrypted serves with certificates of the workshop's own, and exchanges
// them while it serves.
func TestEncrypted(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	tool(t, os.Environ(), "cert", "make", "--dir", dir, "--host", "bayhold.example")
	s := serve(t, db, "127.0.0.1:0", "--tls-cert", file("server.pem"), "--tls-key", file("server-key.pem"), "--client-ca", file("ca.pem"), "--board", "127.0.0.1:0")
	s.client(t, "site", "list").want(t, 7, "--ca")
	s.client(t, "site", "list", "--ca", file("ca.pem")).want(t, 8, "token")
	s.enrol(t, db, "quay")
	s.client(t, "whoami", "--ca", file("ca.pem")).want(t, 0, "first")

	tool(t, os.Environ(), "cert", "client", "--dir", dir, "--site", "quay", "anna")
	certificate := []string{"--ca", file("ca.pem"), "--cert", file("client-quay-anna.pem"), "--key", file("client-quay-anna-key.pem")}
	nobody := &server{addr: s.addr}
	nobody.client(t, append([]string{"whoami"}, certificate...)...).want(t, 8, "is no user's here")
	s.client(t, "user", "add", "anna", "--role", "manager", "--certificate", "CN=anna,O=quay", "--ca", file("ca.pem")).want(t, 0, "CN=anna")
	nobody.client(t, append([]string{"whoami"}, certificate...)...).want(t, 0, "anna", "client certificate")
	nobody.client(t, append([]string{"user", "add", "eve", "--role", "manager"}, certificate...)...).want(t, 8, "administrators")

	ca, err := os.ReadFile(file("ca.pem"))
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(ca)
	serial := func() string {
		conn, err := tls.Dial("tcp", s.addr, &tls.Config{RootCAs: roots, ServerName: "bayhold.example"})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = conn.Close() }()
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.String()
	}
	encryptedWall(t, s, roots)
	first := serial()
	tool(t, os.Environ(), "cert", "make", "--dir", dir, "--host", "bayhold.example", "--renew")
	for deadline := time.Now().Add(20 * time.Second); serial() == first; {
		if time.Now().After(deadline) {
			t.Fatal("the new certificate is not in use after twenty seconds")
		}
	}
}

// encryptedWall wants the wall board, too, to speak to nobody in the clear.
func encryptedWall(t *testing.T, s *server, roots *x509.CertPool) {
	t.Helper()
	s.mu.Lock()
	_, rest, found := strings.Cut(s.log.String(), `"msg":"board","address":"https://`)
	s.mu.Unlock()
	addr, _, _ := strings.Cut(rest, `"`)
	if !found || addr == "" {
		t.Fatal("the log does not say where the board is served")
	}
	c := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}, DisableKeepAlives: true}}
	resp, err := c.Get("https://" + addr + "/")
	if err != nil {
		t.Fatalf("the board over TLS: %v", err)
	}
	_ = resp.Body.Close()
	plain, err := c.Get("http://" + addr + "/")
	if err != nil {
		return // it hung up
	}
	defer func() { _ = plain.Body.Close() }()
	if body, _ := io.ReadAll(plain.Body); plain.StatusCode != http.StatusBadRequest {
		t.Errorf("the board answers in the clear: %s %.200s", plain.Status, body)
	}
}
