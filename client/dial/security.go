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
	encrypted := c.TLS || c.CAFile != ""
	transport := insecure.NewCredentials()
	if encrypted {
		roots, err := roots(c.CAFile)
		if err != nil {
			return nil, err
		}
		transport = credentials.NewTLS(&tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12})
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
