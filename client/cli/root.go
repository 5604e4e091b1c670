package cli

import (
	"strings"

	"github.com/spf13/cobra"
)

const rootLong = `bayhold tells whether a job can start, when it can be handed back and what
stands in the way, and books bay, people and special tools in one act.

Times are the site's own. These are understood:
  "2026-11-25 08:00"   "2026-11-25"   "25 Nov 08:00"   "tue 8:00"
  "today 14:00"   "tomorrow 8:00"   now   +3h   +2d   "+2d 8:00"
  2026-11-25T08:00:00+01:00
A date alone is the start of that day; where a flag says so, its end. A
weekday is the next such; in the second of two times, the next after the first.
+2d is two calendar days from now.

Settings come from the flag, else the environment, else the file
$XDG_CONFIG_HOME/bayhold/config.yaml (or ~/.config/bayhold/config.yaml),
which may set: server, site, token, ca, cert, key, tls, insecure_plaintext,
timeout, output. The variables are BAYHOLD_SERVER, BAYHOLD_SITE, BAYHOLD_TOKEN,
BAYHOLD_CA, BAYHOLD_CERT, BAYHOLD_KEY, BAYHOLD_TLS, BAYHOLD_INSECURE_PLAINTEXT,
BAYHOLD_TIMEOUT and BAYHOLD_OUTPUT.

A server wants to know who calls: a token, which an administrator makes with
"token make", or a client certificate. Put a token into the environment or the
file, readable by its user alone, not on the command line, where others see it.

With --output json the answer is on standard output as the server gave it,
and an error is one JSON object on standard error: code, exitCode, reason,
message, fields, held, try, requestId. --output yaml is the same in YAML.
--output csv is the table that is shown, its first if there are several, in
the way of RFC 4180: times as RFC 3339 has them, lengths of time and intervals
as ISO 8601 has them, every column. A text that a spreadsheet would take for a
formula, as it begins with =, +, - or @, has an apostrophe before it, which
goes again where such a file is read. Errors are text then.

Exit codes:
  0  done, or the answer is yes
  1  something else failed
  2  wrong usage or invalid input
  3  the answer is no: check refused, nothing found
  4  no such thing
  5  somebody else booked first
  6  at odds with the present state
  7  server not reached, or out of time
  8  not permitted
  9  recorded in the journal, and not sent yet`

const rootExample = `  bayhold job check --procedure orlo-chain-kit --start "tue 8:00"
  bayhold job find --procedure orlo-chain-kit --from tomorrow
  bayhold week show`

// root makes the whole command tree.
func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use: "bayhold", Short: "Bays, people and special tools of an engine workshop",
		Long: rootLong, Example: rootExample,
		SilenceErrors: true, SilenceUsage: true,
		Args: onlyCommands,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	f := root.PersistentFlags()
	f.StringVar(&a.given.server, "server", "", `address of the server (default "`+defaultServer+`")`)
	f.StringVar(&a.given.site, "site", "", "site; may be left out: a token is of one only")
	f.StringVar(&a.given.token, "token", "", "access token")
	f.StringVar(&a.given.ca, "ca", "", "trust the certificates in this PEM `file`; implies --tls")
	f.StringVar(&a.given.cert, "cert", "", "show the client certificate in this PEM `file`; implies --tls")
	f.StringVar(&a.given.key, "key", "", "`file` of that certificate's key")
	f.BoolVar(&a.given.tls, "tls", false, "encrypt the connection")
	f.BoolVar(&a.given.plaintext, "insecure-plaintext", false, "let the token travel unencrypted over a safe network")
	f.DurationVar(&a.given.timeout, "timeout", 0, "how long a call may take (default 30s)")
	f.StringVarP(&a.given.output, "output", "o", "", `table, json, yaml or csv (default "table")`)
	root.SetUsageTemplate(strings.NewReplacer(
		".FlagUsages ", ".FlagUsagesWrapped 80 ",
		`Use "{{.CommandPath}} [command] --help" for more information about a command.`, `More about one of them: {{.CommandPath}} [command] --help`,
	).Replace(root.UsageTemplate()))
	root.AddCommand(
		a.importCommand(), a.siteCommand(), a.bayCommand(), a.technicianCommand(),
		a.familyCommand(), a.toolTypeCommand(), a.toolCommand(), a.calibrationCommand(),
		a.preparationCommand(), a.procedureCommand(),
		a.jobCommand(), a.stepCommand(), a.myCommand(), a.journalCommand(), a.bookingCommand(), a.weekCommand(), a.boardCommand(), a.forecastCommand(), a.studyCommand(),
		a.watchCommand(), a.trailCommand(),
		a.whoamiCommand(), a.userCommand(), a.tokenCommand(),
		a.completionCommand(root), a.manCommand(root),
	)
	root.CompletionOptions.DisableDefaultCmd = true
	_ = root.RegisterFlagCompletionFunc("output", cobra.FixedCompletions(outputs, cobra.ShellCompDirectiveNoFileComp))
	a.completions(root)
	return root
}

// requestIDFlag gives a mutating command the flag that repeats a request, and
// the one that only tries it.
func (a *app) requestIDFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&a.request, "request-id", "",
		"repeat the request of this `uuid`: done once, answered twice")
	if cmd.Flags().Lookup("dry-run") == nil {
		cmd.Flags().BoolVar(&a.dryRun, "dry-run", false, "tell what it would do, and write nothing")
	}
}
