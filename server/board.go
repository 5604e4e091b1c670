package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bayhold/internal/access"
	"bayhold/internal/board"
	"bayhold/internal/certs"
	"bayhold/internal/fault"
	"bayhold/internal/feed"
	"bayhold/internal/localpg"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/workshop"
)

func (c *config) boardFlags(fs *pflag.FlagSet) {
	fs.StringVar(&c.board, "board", "", "address to serve the wall board and calendars on, such as 127.0.0.1:7480; default: none")
}

// wall is the board that a server serves; nil if it serves none.
type wall struct {
	site   *board.Site
	lis    net.Listener
	scheme string
	done   chan error
}

// forBrowsers serves the same certificate as calls are served with, and asks
// for none: who may look is told by the address.
func forBrowsers(calls *tls.Config) *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		GetConfigForClient: func(hello *tls.ClientHelloInfo) (*tls.Config, error) {
			c, err := calls.GetConfigForClient(hello)
			if err != nil {
				return nil, err
			}
			c = c.Clone()
			c.ClientAuth, c.ClientCAs, c.NextProtos = tls.NoClientCert, nil, []string{"h2", "http/1.1"}
			return c, nil
		},
	}
}

// openWall begins to serve the board if one is wanted.
func (c *config) openWall(shop *workshop.Workshop, f *feed.Feed, keeper *certs.Keeper, log *slog.Logger) (*wall, error) {
	if c.board == "" {
		return nil, nil
	}
	lis, err := net.Listen("tcp", c.board)
	if err != nil {
		return nil, fault.New(fault.Precondition, "LISTEN",
			"cannot serve the board on %s: is something else running there? Give another address with --board", c.board).Because(err)
	}
	w := &wall{site: board.NewSite(shop, f, log), lis: lis, scheme: "http", done: make(chan error, 1)}
	if keeper != nil {
		w.lis, w.scheme = tls.NewListener(lis, forBrowsers(keeper.TLS())), "https"
	}
	go func() { w.done <- w.site.Serve(w.lis) }()
	return w, nil
}

// failed tells when the board can no longer be served.
func (w *wall) failed() <-chan error {
	if w == nil {
		return nil
	}
	return w.done
}

// close ends those who look at the board.
func (w *wall) close() {
	if w == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), stopTime)
	defer cancel()
	_ = w.site.Close(ctx) // what has not ended by then ends with the process
}

// address is where the board is, for people.
func (w *wall) address() string { return w.scheme + "://" + w.lis.Addr().String() }

func boardCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "board", Short: "Make secret addresses of the wall board on this machine",
		Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(boardLinkCommand())
	return cmd
}

// linking is what the flags say of a link.
type linking struct {
	site, title, base     string
	bay, technician, tool string
}

func boardLinkCommand() *cobra.Command {
	var c config
	var l linking
	cmd := &cobra.Command{
		Use:   "link",
		Short: "Make a secret address for the board, or for a calendar",
		Long: `Make an address under which the board of a site can be read without a token, for
a screen on the wall; or with --bay, --technician or --tool an address of that
one's bookings for calendar programs (iCalendar). Whoever knows the address can
read it: it is shown once, and only its hash is kept. Links are listed and
revoked by an administrator, with "bayhold board links" and "bayhold board
revoke".

--base is how the server is reached from where the address is used.`,
		Example: `  server board link --site quay --title hall --base https://board.quay.example
  server board link --site quay --title "Ben's telephone" --technician ben`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return l.run(cmd.Context(), c, cmd.OutOrStdout()) },
	}
	c.databaseFlags(cmd.Flags())
	f := cmd.Flags()
	f.StringVar(&l.site, "site", "", "id of the site")
	f.StringVar(&l.title, "title", "board", "where it hangs or who has it, for people")
	f.StringVar(&l.base, "base", "http://127.0.0.1:7480", "how the board's address begins")
	f.StringVar(&l.bay, "bay", "", "calendar of this bay")
	f.StringVar(&l.technician, "technician", "", "calendar of this technician")
	f.StringVar(&l.tool, "tool", "", "calendar of this tool, by its asset tag")
	return cmd
}

// target is the resource whose calendar is wanted; nil for the board.
func (l *linking) target() (*workshop.Ref, error) {
	var out *workshop.Ref
	for _, r := range []workshop.Ref{{Kind: site.KindBay, ID: l.bay}, {Kind: site.KindTechnician, ID: l.technician}, {Kind: site.KindTool, ID: l.tool}} {
		if r.ID == "" {
			continue
		}
		if out != nil {
			return nil, fault.New(fault.Invalid, "LINK", "a calendar is of one bay, technician or tool: give one of --bay, --technician and --tool")
		}
		out = &r
	}
	return out, nil
}

func (l *linking) run(ctx context.Context, c config, out io.Writer) error {
	target, err := l.target()
	if err != nil {
		return err
	}
	if l.site == "" {
		return fault.New(fault.Invalid, "SITE", "of which site? Give its id with --site")
	}
	found, err := localpg.Join(ctx, c.database, os.Getenv, localpg.Options{DataDir: c.dataDir, Progress: progress})
	if err != nil {
		return err
	}
	made, err := l.on(ctx, found, target)
	if err = stopQuietly(found, err); err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "Link %d, %q. Its address is shown this once:\n\n%s%s\n",
		made.ID, made.Title, strings.TrimSuffix(l.base, "/"), board.Path(l.site, made))
	return err
}

func (l *linking) on(ctx context.Context, found localpg.Found, target *workshop.Ref) (workshop.MadeLink, error) {
	if err := prepare(ctx, found); err != nil {
		return workshop.MadeLink{}, err
	}
	s, err := store.Open(ctx, found.ServerURL)
	if err != nil {
		return workshop.MadeLink{}, err
	}
	defer s.Close()
	return workshop.New(s, time.Now).MakeLink(ctx, workshop.Act{
		Site: l.site, RequestID: uuid.New(), Method: "server board link", Caller: access.Caller{User: machineUser()},
	}, l.title, target)
}
