package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"bayhold/internal/access"
	"bayhold/internal/localpg"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/workshop"
	"bayhold/migrations"
)

func userCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "user", Short: "Make users on this machine, the first administrator above all",
		Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(userAddCommand())
	return cmd
}

func tokenCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "token", Short: "Make tokens on this machine, for whoever has lost all of theirs",
		Args: cobra.NoArgs, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(tokenMakeCommand())
	return cmd
}

func userAddCommand() *cobra.Command {
	var c config
	var w enrolment
	cmd := &cobra.Command{
		Use:   "add NAME --site SITE --role ROLE",
		Short: "Make a user with a first token",
		Long: `Make a user of a site, with a first token, which is shown once. Whoever may run
this on the server's machine needs no token for it: so the first administrator
of a site is made, and the next one should all others be lost. Further users are
made by an administrator, from anywhere, with "bayhold user add".

If the site is not there yet, --time-zone makes it. A server may be running on
the same data directory or not.

What is kept of a user is their name, what they may do, and which technician
they are. There are no passwords.`,
		Example: `  server user add --site quay --time-zone Europe/Lisbon --role administrator anna
  server user add --site quay --role technician --technician ben ben`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			w.user.ID = args[0]
			return w.run(cmd.Context(), c, os.Stdout)
		},
	}
	c.databaseFlags(cmd.Flags())
	f := cmd.Flags()
	f.StringVar(&w.site.ID, "site", "", "id of the site: lower-case letters, digits and '-'")
	f.StringVar(&w.site.TimeZone, "time-zone", "", "make the site, in this IANA time zone, if it is not there yet")
	f.StringVar(&w.site.Name, "site-name", "", "name of the site for people, if it is made; default its id")
	f.StringArrayVar(&w.roles, "role", nil, "manager, technician or administrator; may be given several times")
	f.StringVar(&w.user.Name, "display-name", "", "name of the user for people; default NAME")
	f.StringVar(&w.user.Technician, "technician", "", "id of the technician who they are; whoever is only a technician needs one")
	f.StringVar(&w.user.Subject, "certificate", "", `subject of their client certificate, such as "CN=anna,O=quay"`)
	w.tokenFlags(cmd)
	f.StringVar(&w.token, "token", "first", "name of the first token")
	mustRequire(cmd, "site", "role")
	return cmd
}

func tokenMakeCommand() *cobra.Command {
	var c config
	var w enrolment
	cmd := &cobra.Command{
		Use:     "make NAME --site SITE --user USER",
		Short:   "Make a token for a user",
		Long:    "Make a token for a user of a site. It is shown once.",
		Example: `  server token make --site quay --user anna counter-pc`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			w.token, w.onlyToken = args[0], true
			return w.run(cmd.Context(), c, os.Stdout)
		},
	}
	c.databaseFlags(cmd.Flags())
	cmd.Flags().StringVar(&w.site.ID, "site", "", "id of the site")
	cmd.Flags().StringVar(&w.user.ID, "user", "", "whose token it is")
	w.tokenFlags(cmd)
	mustRequire(cmd, "site", "user")
	return cmd
}

// enrolment is what the flags say of a user and their token.
type enrolment struct {
	site      site.Site
	user      site.User
	roles     []string
	token     string
	days      int
	bare      bool // print nothing but the token
	onlyToken bool // the user is there
}

func (w *enrolment) tokenFlags(cmd *cobra.Command) {
	cmd.Flags().IntVar(&w.days, "days", 0, "how many days the token is good, 366 at the most (default 90)")
	cmd.Flags().BoolVar(&w.bare, "bare", false, "print nothing but the token, for scripts")
}

func (w *enrolment) run(ctx context.Context, c config, out io.Writer) error {
	found, err := localpg.Join(ctx, c.database, os.Getenv, localpg.Options{DataDir: c.dataDir, Progress: progress})
	if err != nil {
		return err
	}
	made, err := w.on(ctx, found)
	if err = stopQuietly(found, err); err != nil {
		return err
	}
	if w.bare {
		_, err = fmt.Fprintln(out, made.Made.Secret)
		return err
	}
	return w.tell(out, made)
}

// on enrols on a database that was found.
func (w *enrolment) on(ctx context.Context, found localpg.Found) (workshop.Enrolled, error) {
	if err := prepare(ctx, found); err != nil {
		return workshop.Enrolled{}, err
	}
	s, err := store.Open(ctx, found.ServerURL)
	if err != nil {
		return workshop.Enrolled{}, err
	}
	defer s.Close()
	return w.enrol(ctx, workshop.New(s, time.Now))
}

// enrol makes the user, or their token alone.
func (w *enrolment) enrol(ctx context.Context, shop *workshop.Workshop) (workshop.Enrolled, error) {
	act := workshop.Act{Site: w.site.ID, RequestID: uuid.New(), Method: "server user add", Caller: access.Caller{User: machineUser()}}
	var expires time.Time
	if w.days != 0 {
		expires = shop.Now().AddDate(0, 0, w.days)
	}
	if w.onlyToken {
		act.Method = "server token make"
		made, err := shop.MakeToken(ctx, act, site.Token{User: w.user.ID, Name: w.token, Expires: expires})
		return workshop.Enrolled{User: w.user, Made: made}, err
	}
	for _, r := range w.roles {
		w.user.Roles = append(w.user.Roles, site.Role(strings.ToUpper(r)))
	}
	return shop.Enrol(ctx, act, workshop.Enrolment{User: w.user, Site: w.site, Token: w.token, Expires: expires})
}

// machineUser names in the log who ran a command on the machine itself. No user
// of a site can have such a name.
func machineUser() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return "on the server's machine: " + u.Username
	}
	return "on the server's machine"
}

func (w *enrolment) tell(out io.Writer, made workshop.Enrolled) error {
	text := fmt.Sprintf("%s of the site %s", made.User.ID, w.site.ID)
	if !w.onlyToken {
		text += " is made, with these roles: " + lower(made.User.Roles)
	}
	_, err := fmt.Fprintf(out, `%s.
The token %s, good until %s, is shown this once:

export BAYHOLD_TOKEN=%s

`, text, made.Made.Token.Name, made.Made.Token.Expires.Local().Format("2 Jan 2006 15:04 MST"), made.Made.Secret)
	return err
}

func lower(roles []site.Role) string {
	var out []string
	for _, r := range roles {
		out = append(out, strings.ToLower(string(r)))
	}
	return strings.Join(out, ", ")
}

// prepare brings the schema of a private database up to date, and checks that of
// any other.
func prepare(ctx context.Context, found localpg.Found) error {
	if found.Private != nil || found.Guest {
		return migrate(ctx, found)
	}
	return migrations.Check(ctx, found.ServerURL)
}
