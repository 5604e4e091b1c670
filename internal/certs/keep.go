package certs

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"os"
	"sync/atomic"
	"time"

	"bayhold/internal/fault"
)

const (
	// lookPeriod is how often the files are looked at.
	lookPeriod = 2 * time.Second
	// remind is how long before its end the log speaks of a certificate, once a day.
	remind      = 14 * 24 * time.Hour
	remindAgain = 24 * time.Hour
)

// Files are what a server shows to its callers, and by which it knows them.
type Files struct {
	Cert, Key string // PEM: the certificate with those between it and the authority, and its key
	ClientCA  string // PEM: the authorities of client certificates; empty to ask for none
}

// Keeper keeps certificates as fresh as their files.
type Keeper struct {
	files Files
	log   *slog.Logger
	now   func() time.Time

	current atomic.Pointer[tls.Config]
	// The rest is for one goroutine: Open's, then Run's.
	until    time.Time
	seen     [sha256.Size]byte // of the files as they were last looked at
	reminded time.Time
}

// Open reads the files. Precondition if they are missing, do not belong
// together, or have ended.
func Open(files Files, log *slog.Logger, now func() time.Time) (*Keeper, error) {
	k := &Keeper{files: files, log: log, now: now}
	raw, err := k.read()
	if err != nil {
		return nil, err
	}
	if err := k.take(raw); err != nil {
		return nil, err
	}
	if info, err := os.Stat(files.Key); err == nil && info.Mode().Perm()&0o007 != 0 {
		log.Warn("everybody on this machine may read the server's key: take that right away", "file", files.Key)
	}
	k.remind()
	return k, nil
}

// TLS is how a server talks to its callers: TLS 1.3 or newer, with the
// certificate that stands at that moment.
func (k *Keeper) TLS() *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS13,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) { return k.current.Load(), nil },
	}
}

// Run looks after the files until ctx ends. New files that are of no use leave
// the old certificate in its place, and are told to the log.
func (k *Keeper) Run(ctx context.Context) {
	tick := time.NewTicker(lookPeriod)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			k.look()
		}
	}
}

// look takes the files in if they changed since they were last looked at.
func (k *Keeper) look() {
	defer k.remind()
	raw, err := k.read()
	sum := sha256.Sum256(bytes.Join(raw, []byte{0}))
	if sum == k.seen {
		return
	}
	k.seen = sum
	if err == nil {
		err = k.take(raw)
	}
	if err != nil {
		k.log.Error("the new certificate is of no use: the old one stays", "file", k.files.Cert, "good_until", k.until, "cause", err)
		return
	}
	k.log.Info("the new certificate is in use", "file", k.files.Cert, "good_until", k.until)
}

// read reads the files as they are: certificate, key, client authorities.
func (k *Keeper) read() ([][]byte, error) {
	var raw [][]byte
	for _, path := range []string{k.files.Cert, k.files.Key, k.files.ClientCA} {
		var content []byte
		if path != "" {
			var err error
			if content, err = os.ReadFile(path); err != nil {
				return raw, cannot(path, err)
			}
		}
		raw = append(raw, content)
	}
	return raw, nil
}

// take puts what was read to use, or says why it cannot be used.
func (k *Keeper) take(raw [][]byte) error {
	pair, err := parsePair(k.files.Cert, k.files.Key, raw[0], raw[1])
	if err != nil {
		return err
	}
	if k.now().After(pair.Leaf.NotAfter) {
		return fault.New(fault.Precondition, "CERTIFICATE", "the certificate %s ended at %s: make a new one", k.files.Cert, pair.Leaf.NotAfter.Format(time.RFC3339))
	}
	config := &tls.Config{
		MinVersion:   tls.VersionTLS13,
		Certificates: []tls.Certificate{pair},
		// A session that is taken up again would bring its caller past a new
		// list of authorities.
		SessionTicketsDisabled: true,
		NextProtos:             []string{"h2"},
	}
	if k.files.ClientCA != "" {
		config.ClientAuth, config.ClientCAs = tls.VerifyClientCertIfGiven, x509.NewCertPool()
		if !config.ClientCAs.AppendCertsFromPEM(raw[2]) {
			return fault.New(fault.Precondition, "CERTIFICATE", "%s holds no certificate in PEM", k.files.ClientCA)
		}
	}
	k.current.Store(config)
	k.until = pair.Leaf.NotAfter
	k.seen = sha256.Sum256(bytes.Join(raw, []byte{0}))
	return nil
}

// remind speaks of an end that is near.
func (k *Keeper) remind() {
	now := k.now()
	if k.until.Sub(now) > remind || now.Sub(k.reminded) < remindAgain {
		return
	}
	k.reminded = now
	k.log.Warn("the server's certificate ends soon: make a new one with server cert make --renew", "file", k.files.Cert, "good_until", k.until)
}

func readPair(certPath, keyPath string) (tls.Certificate, error) {
	cert, err := os.ReadFile(certPath)
	if err != nil {
		return tls.Certificate{}, cannot(certPath, err)
	}
	key, err := os.ReadFile(keyPath)
	if err != nil {
		return tls.Certificate{}, cannot(keyPath, err)
	}
	return parsePair(certPath, keyPath, cert, key)
}

func parsePair(certPath, keyPath string, cert, key []byte) (tls.Certificate, error) {
	pair, err := tls.X509KeyPair(cert, key) // fills Leaf
	if err != nil {
		return pair, fault.New(fault.Precondition, "CERTIFICATE",
			"%s and %s are no certificate in PEM and its key", certPath, keyPath).Because(err)
	}
	return pair, nil
}
