package main

import (
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"bayhold/internal/certs"
)

func certCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "cert", Short: "Make certificates for a workshop that has none",
		Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(certMakeCommand(), certClientCommand())
	return cmd
}

func certMakeCommand() *cobra.Command {
	var dir string
	var hosts []string
	var renew bool
	cmd := &cobra.Command{
		Use:   "make --dir DIR --host HOST",
		Short: "Make a private authority and a server's certificate",
		Long: `Make a certificate for this server, good for 397 days, and the workshop's own
authority that signs it, good for ten years, if DIR has none yet. Nothing is
written over.

The authority's certificate, ca.pem, goes to each machine that uses bayhold. Its
key, ca-key.pem, stays where it is: whoever has it can pass for the server.

With --renew a new server's certificate takes the place of the old one. A server
that runs takes it in by itself.`,
		Example: `  server cert make --dir /etc/bayhold --host bayhold.quay.example --host 192.0.2.7
  server serve --listen 0.0.0.0:7470 --tls-cert /etc/bayhold/server.pem --tls-key /etc/bayhold/server-key.pem`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			made, err := certs.MakeServer(dir, hosts, renew, time.Now())
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			if made.Authority {
				fmt.Fprintf(out, "The workshop's own authority is made: %s\n", made.CA)
			}
			_, err = fmt.Fprintf(out, `The server's certificate is made, good until %s: %s

Serve with it:

  go run ./server serve --listen 0.0.0.0:7470 --tls-cert %[2]s --tls-key %[3]s

Copy %[4]s, and no other file, to each machine that uses bayhold, and there:

  go run ./client --server %[5]s:7470 --ca %[6]s site list
`, made.Until.Local().Format("2 Jan 2006"), made.Cert, made.Key, made.CA, hosts[0], filepath.Base(made.CA))
			return err
		},
	}
	cmd.Flags().StringVar(&dir, "dir", "", "`directory` for the files")
	cmd.Flags().StringArrayVar(&hosts, "host", nil, "name or address by which the server is reached; may be given several times")
	cmd.Flags().BoolVar(&renew, "renew", false, "put a new server's certificate in the place of the old one")
	mustRequire(cmd, "dir", "host")
	return cmd
}

func certClientCommand() *cobra.Command {
	var dir, site string
	cmd := &cobra.Command{
		Use:   "client --dir DIR --site SITE USER",
		Short: "Make a certificate that shows who a user is",
		Long: `Make a client certificate for a user, good for 397 days, signed by the authority
in DIR. The user is known by its subject, which names the site's id as the
organisation and the user as the common name: an administrator gives it to them,
and takes it away again. Nothing is written over.`,
		Example: `  server cert client --dir /etc/bayhold --site quay anna
  bayhold user change anna --certificate "CN=anna,O=quay"`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			made, err := certs.MakeClient(dir, site, args[0], time.Now())
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), `The client certificate is made, good until %s: %s

An administrator gives it to the user:

  go run ./client user change %s --certificate %q

The server takes it with --client-ca %s. Copy the certificate, its key and
ca.pem to the user's machine, and there:

  go run ./client --ca %s --cert %s --key %s whoami
`, made.Until.Local().Format("2 Jan 2006"), made.Cert, args[0], made.Subject, made.CA,
				filepath.Base(made.CA), filepath.Base(made.Cert), filepath.Base(made.Key))
			return err
		},
	}
	cmd.Flags().StringVar(&dir, "dir", "", "`directory` of the authority")
	cmd.Flags().StringVar(&site, "site", "", "id of the user's site")
	mustRequire(cmd, "dir", "site")
	return cmd
}

// mustRequire marks flags that must be given.
func mustRequire(cmd *cobra.Command, flags ...string) {
	for _, f := range flags {
		if err := cmd.MarkFlagRequired(f); err != nil {
			panic(err) // the flag is not defined: a slip in the lines above the call
		}
	}
}
