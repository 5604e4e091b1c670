package main

import (
	"testing"

	"bayhold/internal/certs"
	"bayhold/internal/fault"
)

func TestWhereTheServerMayListen(t *testing.T) {
	t.Parallel()
	both := certs.Files{Cert: "c", Key: "k"}
	for name, c := range map[string]struct {
		config
		reason string
	}{
		"loopback":                        {config{listen: "127.0.0.1:7470"}, ""},
		"loopback of IPv6":                {config{listen: "[::1]:7470"}, ""},
		"loopback by name":                {config{listen: "localhost:7470"}, ""},
		"all addresses":                   {config{listen: "0.0.0.0:7470"}, "PLAINTEXT"},
		"all addresses, in other words":   {config{listen: ":7470"}, "PLAINTEXT"},
		"all addresses of IPv6":           {config{listen: "[::]:7470"}, "PLAINTEXT"},
		"an address of a network":         {config{listen: "192.0.2.7:7470"}, "PLAINTEXT"},
		"a name":                          {config{listen: "bayhold.example:7470"}, "PLAINTEXT"},
		"a name that looks like loopback": {config{listen: "127.0.0.1.example:7470"}, "PLAINTEXT"},
		"a network with a certificate":    {config{listen: "0.0.0.0:7470", tls: both}, ""},
		"a network that is safe":          {config{listen: "0.0.0.0:7470", plaintext: true}, ""},
		"loopback with a certificate":     {config{listen: "127.0.0.1:7470", tls: both}, ""},
		"half a certificate":              {config{listen: "0.0.0.0:7470", tls: certs.Files{Cert: "c"}}, "TLS"},
		"the other half":                  {config{listen: "127.0.0.1:7470", tls: certs.Files{Key: "k"}}, "TLS"},
		"clients' authorities alone":      {config{listen: "127.0.0.1:7470", tls: certs.Files{ClientCA: "a"}}, "TLS"},
		"both ways at once":               {config{listen: "0.0.0.0:7470", plaintext: true, tls: both}, "TLS"},
		"no address":                      {config{listen: "nowhere"}, "LISTEN"},
	} {
		err := c.mayListen()
		f := fault.Fault(err)
		if c.reason == "" && err != nil || c.reason != "" && (f == nil || f.Reason != c.reason) {
			t.Errorf("%s: %v, want %q", name, err, c.reason)
		}
	}
}
