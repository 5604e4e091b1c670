package cli

import (
	"bufio"
	"context"
	"errors"
	"io"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"bayhold/client/dial"
)

// Streams are where a command reads and writes.
type Streams struct {
	// In is read for a file that is called "-".
	In io.Reader
	// Out takes the answer, and nothing else.
	Out io.Writer
	// Err takes errors and remarks.
	Err io.Writer
	// Terminal says that Err is a terminal, where progress may be written over.
	Terminal bool
	// Keyboard says that In is a terminal, where something can be asked for.
	Keyboard bool
	// Colours says that Out is a terminal, where colours are seen.
	Colours bool
}

// Exit codes; root's help lists them, scripts rely on them.
const (
	exitDone     = 0 // done, or the answer is yes
	exitFailed   = 1 // something else failed
	exitUsage    = 2 // wrong usage or invalid input
	exitNo       = 3 // the answer is no
	exitNotFound = 4 // no such thing
	exitLostRace = 5 // somebody else booked first
	exitAtOdds   = 6 // at odds with the present state
	exitNoServer = 7 // server not reached, or out of time
	exitDenied   = 8 // not permitted
	exitKept     = 9 // recorded in the journal, and not sent yet
)

// errNo says that the answer is no, and that it has been printed.
var errNo = errors.New("the answer is no")

// errFaulty says that what was judged has faults, and that they have been
// printed.
var errFaulty = errors.New("there are faults")

// app is one run of the command line.
type app struct {
	streams Streams
	env     func(string) string
	now     func() time.Time
	args    []string

	given settings // what flags say
	// changed tells whether a flag was used, be it as --tls=false.
	changed func(flag string) bool

	request string   // --request-id
	dryRun  bool     // --dry-run
	set     settings // flags, environment and file together
	running bool     // a command's own code has begun: errors are no usage errors
	noun    string   // of that command
	verb    string   // of that command

	conn *dial.Conn
	here *place // the site, once asked for

	lines *bufio.Reader // of standard input, once it is read line by line

	titled bool // the titles of a table that goes on were written

	notes []string // how relative and ambiguous times were read
}

// Run runs one command line, without the program's name, and gives the exit
// code. env looks up environment variables; now tells the time.
func Run(ctx context.Context, args []string, streams Streams, env func(string) string, now func() time.Time) int {
	a := &app{streams: streams, env: env, now: now, args: append([]string{}, args...)}
	defer a.close()
	root := a.root()
	root.SetArgs(a.args)
	root.SetIn(streams.In)
	root.SetOut(streams.Out)
	root.SetErr(streams.Err)
	for _, arg := range args {
		if !utf8.ValidString(arg) {
			return a.report(usage("%q is not valid UTF-8", arg))
		}
	}
	cmd, err := root.ExecuteContextC(ctx)
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errNo):
		return exitNo
	case errors.Is(err, errFaulty):
		return exitUsage
	case errors.Is(err, errKept):
		return exitKept
	case !a.running:
		err = asUsage(err, cmd)
	}
	return a.report(err)
}

// asUsage makes a usage problem of what cobra found wrong with a command line.
func asUsage(err error, cmd *cobra.Command) error {
	var p *problem
	if !errors.As(err, &p) {
		p = usage("%s", err)
	}
	if len(p.tries) == 0 {
		p.try("%s --help", cmd.CommandPath())
	}
	return p
}

// close gives up the connection, if there is one.
func (a *app) close() {
	if a.conn != nil {
		_ = a.conn.Close() // nothing waits on it any more
	}
}

// dial gives the connection, made on first use.
func (a *app) dial() (*dial.Conn, error) {
	if a.conn != nil {
		return a.conn, nil
	}
	conn, err := dial.Open(dial.Config{
		Server: a.set.server, Token: a.set.token, TLS: a.set.tls,
		CAFile: a.set.ca, CertFile: a.set.cert, KeyFile: a.set.key, Timeout: a.set.timeout, InsecurePlaintext: a.set.plaintext, DryRun: a.dryRun,
	})
	if err != nil {
		return nil, usage("%s", err)
	}
	a.conn = conn
	return conn, nil
}

// verb describes one command.
type verb struct {
	use, short, long, example string
	args                      cobra.PositionalArgs
	run                       func(ctx context.Context, args []string) error
}

// command makes the cobra command of a verb: settings are read before it runs.
func (a *app) command(v verb) *cobra.Command {
	return &cobra.Command{
		Use: v.use, Short: v.short, Long: v.long, Example: folded(v.example), Args: v.args,
		DisableFlagsInUseLine: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			a.running = true
			a.noun, a.verb = cmd.Name(), cmd.Name()
			if cmd.Parent() != cmd.Root() {
				a.noun = cmd.Parent().Name()
			}
			a.changed = cmd.Flags().Changed
			set, err := a.settle()
			a.set = set
			if err != nil {
				return err
			}
			return v.run(cmd.Context(), args)
		},
	}
}

// group makes the command of a noun, which only carries its verbs.
func (a *app) group(noun, short, example string, verbs ...*cobra.Command) *cobra.Command {
	g := &cobra.Command{
		Use: noun, Short: short, Example: folded(example),
		Args: onlyCommands,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	g.AddCommand(verbs...)
	return g
}

// onlyCommands refuses a word that is none of a command's own commands, and
// tells which come near.
func onlyCommands(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	p := usage("%q has no %q", cmd.CommandPath(), args[0])
	cmd.SuggestionsMinimumDistance = 2
	for _, s := range cmd.SuggestionsFor(args[0]) {
		p.try("%s %s", cmd.CommandPath(), s)
	}
	return p
}
