// Package certs makes a workshop's own certificates where it has none, and keeps
// those that a server works with fresh while it runs.
package certs

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"bayhold/internal/fault"
)

// How long certificates are good: a year with a month to spare for those that
// are shown, and long enough for the authority that nobody's list of trusted ones
// needs a change for years (common practice for a private authority).
const (
	authorityLife = 10 * 365 * 24 * time.Hour
	leafLife      = 397 * 24 * time.Hour
	// early is how far back they begin, for machines whose clocks are behind.
	early = time.Hour
)

// Names of the files.
const (
	authorityFile, authorityKey = "ca.pem", "ca-key.pem"
	serverFile, serverKey       = "server.pem", "server-key.pem"
)

// Made tells what was made.
type Made struct {
	// Authority says that a new authority was made too.
	Authority bool
	// CA, Cert and Key are the files.
	CA, Cert, Key string
	// Subject is the certificate's, as RFC 2253 writes it.
	Subject string
	// Until is the end of the certificate.
	Until time.Time
}

// MakeServer makes a certificate for a server that is reached under the hosts
// (names and addresses; those of the machine itself are added), signed by the
// authority in dir, which is made if there is none. Exists if dir has a server's
// certificate, unless it is to be renewed.
func MakeServer(dir string, hosts []string, renew bool, now time.Time) (Made, error) {
	form, err := serverForm(hosts)
	if err != nil {
		return Made{}, err
	}
	if !renew {
		if err := free(dir, serverFile, serverKey); err != nil {
			return Made{}, err
		}
	}
	return issue(dir, form, serverFile, serverKey, now)
}

// plainName is what may stand in a file name and a subject without a thought.
var plainName = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$`)

// MakeClient makes a certificate that shows a user of a site to a server, signed
// by the authority in dir. Exists if dir has one of theirs.
func MakeClient(dir, site, user string, now time.Time) (Made, error) {
	if !plainName.MatchString(site) || !plainName.MatchString(user) {
		return Made{}, fault.New(fault.Invalid, "NAME", "give the ids of the site and the user, such as quay and anna, not %q and %q", site, user)
	}
	cert, key := "client-"+site+"-"+user+".pem", "client-"+site+"-"+user+"-key.pem"
	if err := free(dir, cert, key); err != nil {
		return Made{}, err
	}
	form := &x509.Certificate{
		Subject:     pkix.Name{CommonName: user, Organization: []string{site}},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	return issue(dir, form, cert, key, now)
}

func serverForm(hosts []string) (*x509.Certificate, error) {
	if len(hosts) == 0 {
		return nil, fault.New(fault.Invalid, "HOST", "under which names or addresses do the workshop's machines reach the server? Give each with --host")
	}
	form := &x509.Certificate{
		Subject:     pkix.Name{CommonName: hosts[0]},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		DNSNames:    []string{"localhost"},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	for _, h := range hosts {
		ip := net.ParseIP(h)
		switch {
		case ip != nil:
			form.IPAddresses = append(form.IPAddresses, ip)
		case hostName.MatchString(h):
			form.DNSNames = append(form.DNSNames, h)
		default:
			return nil, fault.New(fault.Invalid, "HOST", "%q is no name and no address of a machine: leave out port and scheme", h)
		}
	}
	return form, nil
}

// hostName is a name of RFC 1123, 2.1.
var hostName = regexp.MustCompile(`^([A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)*[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?$`)

// free refuses to write over what is there.
func free(dir string, names ...string) error {
	for _, name := range names {
		path := filepath.Join(dir, name)
		if _, err := os.Lstat(path); err == nil {
			return fault.New(fault.Exists, "FILE", "%s is there already, and is not written over: move it away, choose another --dir, or ask for a new server's certificate with --renew", path)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return cannot(path, err)
		}
	}
	return nil
}

// issue makes a certificate of a form, and the authority if there is none.
func issue(dir string, form *x509.Certificate, certName, keyName string, now time.Time) (Made, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return Made{}, cannot(dir, err)
	}
	a, fresh, err := openAuthority(dir, now)
	if err != nil {
		return Made{}, err
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Made{}, err
	}
	form.KeyUsage = x509.KeyUsageDigitalSignature
	form.BasicConstraintsValid = true
	form.NotBefore, form.NotAfter = now.Add(-early), now.Add(leafLife)
	if form.NotAfter.After(a.cert.NotAfter) {
		form.NotAfter = a.cert.NotAfter
	}
	made := Made{
		Authority: fresh, CA: filepath.Join(dir, authorityFile), Cert: filepath.Join(dir, certName), Key: filepath.Join(dir, keyName),
		Subject: form.Subject.String(), Until: form.NotAfter,
	}
	return made, write(made.Cert, made.Key, form, a.cert, key, a.key)
}

// authority signs.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// openAuthority reads the authority in dir, or makes it.
func openAuthority(dir string, now time.Time) (a authority, fresh bool, err error) {
	certPath, keyPath := filepath.Join(dir, authorityFile), filepath.Join(dir, authorityKey)
	if free(dir, authorityFile, authorityKey) == nil {
		if err := makeAuthority(certPath, keyPath, now); err != nil {
			return a, false, err
		}
		fresh = true
	}
	pair, err := readPair(certPath, keyPath)
	if err != nil {
		return a, false, err
	}
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok || !pair.Leaf.IsCA {
		return a, false, fault.New(fault.Precondition, "CERTIFICATE", "%s is no authority that this program made: choose another --dir", certPath)
	}
	if now.After(pair.Leaf.NotAfter) {
		return a, false, fault.New(fault.Precondition, "CERTIFICATE", "the authority %s ended at %s: make a new one in another --dir",
			certPath, pair.Leaf.NotAfter.Format(time.RFC3339))
	}
	return authority{pair.Leaf, key}, fresh, nil
}

func makeAuthority(certPath, keyPath string, now time.Time) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	form := &x509.Certificate{
		Subject:  pkix.Name{CommonName: "bayhold workshop authority"},
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		IsCA:     true, BasicConstraintsValid: true, MaxPathLenZero: true, // signs no further authority
		NotBefore: now.Add(-early), NotAfter: now.Add(authorityLife),
	}
	return write(certPath, keyPath, form, form, key, key)
}

// write signs a certificate and writes it beside its key. Both files come whole
// or not at all, the key first: a server that looks between the two keeps what
// it has.
func write(certPath, keyPath string, form, parent *x509.Certificate, key, signer *ecdsa.PrivateKey) error {
	der, err := x509.CreateCertificate(rand.Reader, form, parent, key.Public(), signer)
	if err != nil {
		return err
	}
	rawKey, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	if err := put(keyPath, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: rawKey}), 0o600); err != nil {
		return err
	}
	return put(certPath, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644)
}

// put writes a file under another name and moves it to its place.
func put(path string, content []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-")
	if err != nil {
		return cannot(path, err)
	}
	defer func() { _ = os.Remove(f.Name()) }() // it is gone if all went well
	_, err = f.Write(content)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return cannot(path, err)
	}
	return nil
}

func cannot(path string, err error) error {
	return fault.New(fault.Precondition, "FILE", "%s cannot be read or written", path).Because(err)
}
