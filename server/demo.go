package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bayhold/client/cli"
	"bayhold/internal/access"
	"bayhold/internal/clock"
	"bayhold/internal/fault"
	"bayhold/internal/localpg"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	"bayhold/testdata/demo"
)

// What the demo plays: a job that wants the locking set which another has
// booked for next week.
const (
	demoZone      = "Europe/Amsterdam"
	demoProcedure = "orlo-chain-kit"
)

func demoCommand() *cobra.Command {
	var c config
	var once, all bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show the main job on an invented workshop",
		Long: `Show the main job on an invented workshop: a start that is refused, with what
stands in the way; the earliest hand-back; a booking; a second booking that
comes too late; the week. Then go on serving until interrupted. Long answers are
shown in part, and a job of last week is run unseen; --all shows everything.

The demo makes its database anew each time, in a private PostgreSQL of its own.
With --database or DATABASE_URL it wants a database without sites.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runDemo(cmd.Context(), c, once, all) },
	}
	c.databaseFlags(cmd.Flags())
	c.listenFlags(cmd.Flags())
	c.boardFlags(cmd.Flags())
	cmd.Flags().BoolVar(&all, "all", false, "show every act and the whole of every answer")
	cmd.Flags().BoolVar(&once, "once", false, "end after the show instead of serving")
	return cmd
}

func runDemo(ctx context.Context, c config, once, all bool) error {
	skew, err := clock.Skew()
	if err != nil {
		return fault.New(fault.Invalid, "CLOCK_SKEW", "%v", err)
	}
	fmt.Println("bayhold demo: a workshop that is invented throughout, figures included.")
	fmt.Println()
	found, err := c.demoDatabase(ctx)
	if err != nil {
		return err
	}
	if err := migrate(ctx, found); err != nil {
		return stopQuietly(found, err)
	}
	log, err := os.OpenFile(filepath.Join(os.TempDir(), fmt.Sprintf("bayhold-demo-%d.log", os.Getpid())), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return stopQuietly(found, err)
	}
	defer func() { _ = log.Close() }()
	c.listen = freeAddress(c.listen)
	watch := &demoClock{skew: skew}
	c.now = watch.Now
	h, err := open(ctx, found, c, logger(log))
	if err != nil {
		return stopQuietly(found, err)
	}
	show := &show{ctx: ctx, server: h.lis.Addr().String(), shop: h.shop, tokens: map[string]string{}, clock: watch, all: all, out: os.Stdout}
	err = show.play()
	if err == nil && !once {
		show.invite()
		if h.wall != nil {
			fmt.Printf("The wall board is at %s until then.\n", h.wall.address())
		}
		err = h.wait(ctx)
		fmt.Println("\nStopping.")
	}
	if closeErr := h.close(); err == nil {
		err = closeErr
	}
	if err == nil {
		_ = os.Remove(log.Name()) // nobody misses the log of a show that went well
	}
	return err
}

// demoDatabase finds a database for the demo: a private one made anew, or the
// one that was named.
func (c config) demoDatabase(ctx context.Context) (localpg.Found, error) {
	if c.dataDir == "" {
		dir, err := localpg.DefaultDataDir(os.Getenv)
		if err != nil {
			return localpg.Found{}, err
		}
		c.dataDir = dir + "-demo"
	}
	found, err := c.openDatabase(ctx)
	if err != nil || found.Private == nil {
		return found, err
	}
	if err := found.Private.Renew(ctx); err != nil {
		return found, stopQuietly(found, err)
	}
	return found, nil
}

// freeAddress keeps the address if it is free, and else lets the system choose
// a port: a demo need not have the usual one.
func freeAddress(address string) string {
	lis, err := net.Listen("tcp", address)
	if err == nil {
		_ = lis.Close()
		return address
	}
	host, _, splitErr := net.SplitHostPort(address)
	if splitErr != nil {
		return address
	}
	return net.JoinHostPort(host, "0")
}

// show plays the main job through the client's own code.
type show struct {
	ctx    context.Context
	server string
	dir    string
	shop   *workshop.Workshop
	tokens map[string]string // of the people of the show
	clock  *demoClock
	all    bool      // every act, and the whole of every answer
	out    io.Writer // what is shown
}

// The people of the show, and the site that they belong to.
const (
	demoSite      = "quillgate"
	manager       = "vera"
	technician    = "mira"
	administrator = "otto"
	technicianID  = "mira-osei" // who the technician is in the workshop's files
)

// enrol makes one of them, as "server user add" does.
func (s *show) enrol(name string, role site.Role) error {
	w := enrolment{
		site: site.Site{ID: demoSite, TimeZone: demoZone}, token: "demo",
		user: site.User{ID: name}, roles: []string{string(role)},
	}
	made, err := w.enrol(s.ctx, s.shop)
	s.tokens[name] = made.Made.Secret
	return err
}

func (s *show) play() error {
	dir, err := os.MkdirTemp("", "bayhold-demo-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	s.dir = dir
	files, err := s.unpack()
	if err != nil {
		return err
	}
	tuesday, err := nextTuesday(s.clock.present())
	if err != nil {
		return err
	}
	if err := errors.Join(s.enrol(manager, access.Manager), s.enrol(administrator, access.Administrator)); err != nil {
		return err
	}
	fmt.Printf("\n--- On the server's own machine %s was made a manager, and %s an administrator,\nas server user add does. Each shows a token with every command.\n", manager, administrator)
	for i, scene := range s.scenes(files, tuesday) {
		if err := s.act(scene); err != nil {
			return err
		}
		if i == 0 { // the tools are there now
			if err := s.record(s.clock.present()); err != nil {
				return err
			}
		}
		if c := scene.args; len(c) > 1 && c[0] == "token" { // everybody is there
			if err := s.lastWeek(); err != nil {
				return err
			}
		}
	}
	return nil
}

// lastWeek runs the job of last week, and shows it if all is asked for.
func (s *show) lastWeek() error {
	if s.all {
		return s.runJob()
	}
	s.out = io.Discard
	err := s.runJob()
	s.out = os.Stdout
	if err == nil {
		fmt.Print(`
--- Meanwhile a job of last week was run, step by step: a belt kit, promised for
four. A start was refused that came too early, a bolt would not move, a pin did
not drop in at a hold point, and the tools were counted before it could close.
"bayhold job record 13" tells who did what; "server demo --all" shows each act,
and the whole of each answer.
`)
	}
	return err
}

// scene is one command of the show.
type scene struct {
	say  string
	who  string
	args []string
	keep string // file that the answer goes to, instead of being shown
	want int
}

// briefly is how many lines of an answer are shown unless all is asked for: the
// answers to the main questions have more.
func briefly(args []string) int {
	switch strings.Join(args[:min(2, len(args))], " ") {
	case "job check":
		return 22
	case "job find":
		return 14
	case "week show":
		return 16
	}
	return 8
}

func (s *show) scenes(files []string, tuesday string) []scene {
	kept := filepath.Join(s.dir, "second-desk.json")
	return []scene{
		{"The manager takes in the workshop's files.", manager, append([]string{"import"}, files...), "", exitDone},
		{"The administrator lets one of the workshop's technicians in.",
			administrator, []string{"user", "add", technician, "--role", "technician", "--technician", technicianID}, "", exitDone},
		{"A token, shown once, is what she shows from now on.",
			administrator, []string{"token", "make", "demo", "--user", technician, "--output", "json"}, s.tokenFile(), exitDone},
		{"Can the chain of an Orlo be renewed next Tuesday at eight? The only locking\nset that fits is promised already:",
			manager, []string{"job", "check", "--procedure", demoProcedure, "--start", tuesday}, "", exitNo},
		{"When is the earliest hand-back, then, and what would the shortest stay be?",
			manager, []string{"job", "find", "--procedure", demoProcedure, "--from", tuesday}, "", exitDone},
		{"At a second desk somebody asks the same, and keeps the answer in a file.",
			manager, []string{"job", "find", "--procedure", demoProcedure, "--from", tuesday, "--output", "json"}, kept, exitDone},
		{"The first desk books: bay, people and tools in one act.",
			manager, []string{"job", "book", "--reference", "W-3001", "--procedure", demoProcedure, "--from", tuesday}, "", exitDone},
		{"The second desk books what it kept. It comes too late, and learns who won:",
			manager, []string{"job", "book", "--reference", "W-3002", "--plan", kept}, "", exitLostRace},
		{"A technician books no jobs:",
			technician, []string{"job", "book", "--reference", "W-3003", "--plan", kept}, "", exitDenied},
		{"The administrator records a certificate. The wrench was found out of tolerance,\nand what it has tightened since it was last known good is in doubt:",
			administrator, []string{"calibration", "record", filepath.Join(s.dir, "found.yaml")}, "", exitDone},
		{"The week as it stands now:", technician, []string{"week", "show", "--of", tuesday}, "", exitDone},
	}
}

// act plays a scene.
func (s *show) act(c scene) error {
	if c.say != "" {
		fmt.Fprintln(s.out, "\n--- "+c.say)
	}
	fmt.Fprintf(s.out, "\n%s$ %s\n", c.who, commandLine(c.args, s.dir))
	var answer bytes.Buffer
	got, err := s.run(c, &answer)
	s.tell(c, answer.String())
	if err != nil {
		return err
	}
	if c.keep != "" {
		fmt.Fprintf(s.out, "(kept in %s)\n", filepath.Base(c.keep))
	}
	if c.keep == s.tokenFile() && got == c.want {
		return s.handOver()
	}
	if got != c.want {
		return fault.New(fault.Internal, "DEMO", "the demo went astray: this command should end with code %d and ended with %d", c.want, got)
	}
	return nil
}

// tell shows an answer, or as much of it as makes the point.
func (s *show) tell(c scene, answer string) {
	lines := strings.SplitAfter(answer, "\n")
	limit := briefly(c.args)
	if s.all || len(lines) <= limit+2 {
		fmt.Fprint(s.out, answer)
		return
	}
	fmt.Fprint(s.out, strings.Join(lines[:limit], ""))
	fmt.Fprintf(s.out, "  ... and %d more lines\n", len(lines)-limit-1)
}

func (s *show) tokenFile() string { return filepath.Join(s.dir, "token.json") }

// handOver gives the technician the token that the administrator made.
func (s *show) handOver() error {
	raw, err := os.ReadFile(s.tokenFile())
	if err != nil {
		return err
	}
	var made struct{ Text string }
	err = json.Unmarshal(raw, &made)
	s.tokens[technician] = made.Text
	return err
}

// Exit codes of the client that the show expects; its help lists them all.
const (
	exitDone     = 0
	exitNo       = 3
	exitLostRace = 5
	exitAtOdds   = 6
	exitDenied   = 8
)

// run runs one command of the client against the demo's server, and nothing
// of the user's own configuration.
func (s *show) run(c scene, answer io.Writer) (int, error) {
	streams := cli.Streams{In: os.Stdin, Out: answer, Err: answer}
	if c.keep != "" {
		file, err := os.Create(c.keep)
		if err != nil {
			return 0, err
		}
		defer func() { _ = file.Close() }()
		streams.Out = file
	}
	env := map[string]string{"BAYHOLD_SERVER": s.server, "COLUMNS": os.Getenv("COLUMNS"), "XDG_STATE_HOME": s.dir, "BAYHOLD_TOKEN": s.tokens[c.who]}
	code := cli.Run(s.ctx, c.args, streams, func(key string) string { return env[key] }, s.clock.Now)
	return code, s.ctx.Err()
}

// unpack lays the workshop's files where the client can read them.
func (s *show) unpack() ([]string, error) {
	var files []string
	err := fs.WalkDir(demo.Files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := demo.Files.ReadFile(path)
		if err != nil {
			return err
		}
		file := filepath.Join(s.dir, path)
		files = append(files, file)
		return os.WriteFile(file, content, 0o600)
	})
	return files, err
}

func (s *show) invite() {
	fmt.Printf(`
--- Serving on %[1]s until you press Ctrl-C. In another terminal, be the
manager, and try:

export BAYHOLD_SERVER=%[1]s
export BAYHOLD_TOKEN=%[2]s

go run ./client tool list --calibration-until +14d
go run ./client job find --procedure orlo-chain-kit --procedure orlo-cam-phasers --from "tomorrow 8:00"
go run ./client tool reserve LS-VELDE-1 --from +14d --until +15d --reference W-3003
go run ./client calibration trace TW-100-2
go run ./client calibration away TW-200-1 --days 5
go run ./client calibration review TW-010-1

To be the technician, or the administrator:

export BAYHOLD_TOKEN=%[3]s
export BAYHOLD_TOKEN=%[4]s
`, s.server, s.tokens[manager], s.tokens[technician], s.tokens[administrator])
}

// nextTuesday is eight o'clock on Tuesday of next week, as the client reads it.
func nextTuesday(now time.Time) (string, error) {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return "", err
	}
	now = now.In(zone)
	sinceMonday := (int(now.Weekday()) + 6) % 7
	tuesday := now.AddDate(0, 0, 7-sinceMonday+1)
	return tuesday.Format("2006-01-02") + " 08:00", nil
}

// commandLine writes a command as somebody would type it, without the
// directories of the demo's own files.
func commandLine(args []string, dir string) string {
	out := "bayhold"
	for _, a := range args {
		if rel, err := filepath.Rel(dir, a); err == nil && filepath.IsAbs(a) {
			a = rel
		}
		if len(a) == 0 || containsSpace(a) {
			a = fmt.Sprintf("%q", a)
		}
		out += " " + a
	}
	return out
}

func containsSpace(s string) bool {
	for _, r := range s {
		if r == ' ' {
			return true
		}
	}
	return false
}
