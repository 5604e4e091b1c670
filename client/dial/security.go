package dial

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// security turns TLS and token settings into dial options.
func security(c Config) ([]grpc.DialOption, error) {
	encrypted := c.TLS || c.CAFile != "" || c.CertFile != "" || c.KeyFile != ""
	transport := insecure.NewCredentials()
	if encrypted {
		config, err := tlsConfig(c)
		if err != nil {
			return nil, err
		}
		transport = credentials.NewTLS(config)
	}
	opts := []grpc.DialOption{grpc.WithTransportCredentials(transport)}
	if c.Token == "" {
		return opts, nil
	}
	if !encrypted && !c.InsecurePlaintext && !local(c.Server) {
		return nil, fmt.Errorf("%w: a token must not travel in the clear to %s: use --tls or --ca FILE, or --insecure-plaintext if the network is safe", ErrConfig, c.Server)
	}
	return append(opts, grpc.WithPerRPCCredentials(bearer(c.Token))), nil
}

// tlsConfig says whom to trust and what to show.
func tlsConfig(c Config) (*tls.Config, error) {
	roots, err := roots(c.CAFile)
	if err != nil {
		return nil, err
	}
	config := &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS13}
	if c.CertFile == "" && c.KeyFile == "" {
		return config, nil
	}
	if c.CertFile == "" || c.KeyFile == "" {
		return nil, fmt.Errorf("%w: a client certificate and its key go together: use both --cert and --key", ErrConfig)
	}
	pair, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("%w: %s and %s are no client certificate in PEM and its key: %w", ErrConfig, c.CertFile, c.KeyFile, err)
	}
	// Shown whatever authorities the server names: it says best itself what is
	// wrong with one.
	config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil }
	return config, nil
}

// roots reads the certificates to trust; nil means those of the system.
func roots(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("%w: cannot read the certificates to trust: %w", ErrConfig, err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%w: %s holds no PEM certificate", ErrConfig, file)
	}
	return pool, nil
}

// local tells whether an address stays within this machine.
func local(server string) bool {
	if strings.HasPrefix(server, "unix:") || strings.HasPrefix(server, "unix-abstract:") {
		return true
	}
	host, _, err := net.SplitHostPort(server)
	if err != nil {
		host = server
	}
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// bearer sends a token with every call (RFC 6750, 2.1).
type bearer string

// GetRequestMetadata gives the header.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

// RequireTransportSecurity is false, for the token may be used within this
// machine; security has refused every other clear path that was not wanted.
func (b bearer) RequireTransportSecurity() bool { return false }
