package e2e

import (
	"bufio"
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/pgtest"
)

var update = flag.Bool("update", false, "write the output in the guides anew")

// guide is a page with commands and what they print, both in fenced blocks:
// "console" has lines to type after "$ " and their output, "terminal" a program
// that goes on running.
type guide struct {
	path  string
	lines []string
}

// typed is a line that the guide has its reader type.
type typed struct {
	line    int // where it stands
	command string
	shown   []string // what the guide says is printed
	program bool     // goes on running
}

func readGuide(t *testing.T, path string) guide {
	t.Helper()
	body, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return guide{path, strings.Split(string(body), "\n")}
}

// steps finds what is to be typed.
func (g guide) steps() []typed {
	var out []typed
	fence := ""
	for n, line := range g.lines {
		switch word, is := strings.CutPrefix(line, "$ "); {
		case strings.HasPrefix(line, "```"):
			fence = strings.TrimPrefix(line, "```")
		case fence == "terminal":
			out = append(out, typed{line: n, command: line, program: true})
		case fence == "console" && is:
			out = append(out, typed{line: n, command: word})
		case fence == "console" && len(out) > 0:
			out[len(out)-1].shown = append(out[len(out)-1].shown, line)
		}
	}
	return out
}

// steady puts words in the place of days, ids and lengths of time that differ
// from run to run.
func steady(text string) string {
	for _, r := range unsteady {
		text = r.find.ReplaceAllString(text, r.put)
	}
	return text
}

var unsteady = []struct {
	find *regexp.Regexp
	put  string
}{
	{regexp.MustCompile(`\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d\d (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)( \d{4})?`), "DAY"},
	{regexp.MustCompile(`\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d{4}-\d\d-\d\d`), "DAY"},
	{regexp.MustCompile(`\b(MON|TUE|WED|THU|FRI|SAT|SUN) \d{1,2}\b`), "DAY"},
	{regexp.MustCompile(`\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d{1,2} (January|February|March|April|May|June|July|August|September|October|November|December) \d{4}`), "DAY"},
	{regexp.MustCompile(`\b(Added +|as of |is good until )DAY \d\d:\d\d`), "${1}NOW"},
	{regexp.MustCompile(`\d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d\S*)?`), "DATE"},
	{regexp.MustCompile(`\b(WET|WEST|CET|CEST|GMT|BST)\b`), "ZONE"},
	{regexp.MustCompile(`DAY \d\d:\d\d ZONE`), "NOW"},
	{regexp.MustCompile(`\bbayhold\.[a-z0-9-]+\.[A-Za-z0-9_-]{43}`), "TOKEN"},
	{regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`), "UUID"},
	{regexp.MustCompile(`127\.0\.0\.1:\d+`), "SERVER"},
	{regexp.MustCompile(`[ \t]+`), " "},
}

// try runs the guide in a shell, as its reader types it, and holds what it
// prints to what the guide says. The port 7470 is free for the reader; here
// another is taken.
func (g guide) try(t *testing.T, env []string, port string) {
	t.Helper()
	out := append([]string{}, g.lines...)
	shell := newShell(t, env)
	for _, s := range g.steps() {
		command := strings.ReplaceAll(s.command, "127.0.0.1:7470", port)
		if s.program {
			shell.start(t, command)
			continue
		}
		printed, code := shell.run(t, command)
		printed = strings.NewReplacer(port, "127.0.0.1:7470", "\r\n", "\n").Replace(printed)
		if code != 0 {
			printed += fmt.Sprintf("(exit code %d)\n", code)
		}
		want := strings.Join(append(append([]string{}, s.shown...), ""), "\n")
		if diff := cmp.Diff(steady(want), steady(printed)); diff != "" && !*update {
			t.Errorf("%s:%d: %s (-guide +run):\n%s", g.path, s.line+1, s.command, diff)
		}
		for i := range s.shown {
			out[s.line+1+i] = "\x00" // was told; what is printed stands in its place
		}
		out[s.line] += "\n" + printed
	}
	if !*update {
		return
	}
	var body []string
	for _, line := range out {
		if line != "\x00" {
			body = append(body, strings.TrimSuffix(line, "\n"))
		}
	}
	if err := os.WriteFile(g.path, []byte(strings.Join(body, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
}

// shell is one shell that runs lines one after the other, in the repository.
type shell struct {
	env []string
	in  io.Writer
	out *bufio.Reader
	n   int
}

func newShell(t *testing.T, env []string) *shell {
	t.Helper()
	cmd := exec.Command("bash", "--noprofile", "--norc")
	cmd.Dir, cmd.Env = "../..", env
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = cmd.Stdout
	if err := cmd.Start(); err != nil {
		t.Fatalf("the guides need bash: %v", err)
	}
	t.Cleanup(func() {
		_ = in.Close()
		_ = cmd.Wait()
	})
	return &shell{env: env, in: in, out: bufio.NewReader(out)}
}

// run types a line and gives what it prints, and its exit code.
func (s *shell) run(t *testing.T, line string) (string, int) {
	t.Helper()
	s.n++
	mark := fmt.Sprintf("\x1e%d:", s.n)
	if _, err := fmt.Fprintf(s.in, "%s\nprintf '\\n\\036%%d:%%d\\n' %d $?\n", line, s.n); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for {
		text, err := s.out.ReadString('\n')
		if err != nil {
			t.Fatalf("%s: the shell ended: %v\n%s", line, err, b.String())
		}
		if rest, ok := strings.CutPrefix(text, mark); ok {
			code := 0
			if _, err := fmt.Sscanf(rest, "%d", &code); err != nil {
				t.Fatal(err)
			}
			printed := strings.TrimSuffix(b.String(), "\n")
			return printed, code
		}
		b.WriteString(text)
	}
}

// start runs a program beside the shell, until the test ends, and waits until
// it says that it serves.
func (s *shell) start(t *testing.T, line string) {
	t.Helper()
	path, _ := s.run(t, "echo $PATH")
	cmd := exec.Command("bash", "-c", "exec "+line) // #nosec G204 -- the guide's own line
	cmd.Dir, cmd.Env = "../..", append(append([]string{}, s.env...), "PATH="+strings.TrimSpace(path))
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ready := make(chan struct{})
	done := make(chan struct{})
	var log bytes.Buffer
	go func() {
		defer close(done)
		said := false
		for lines := bufio.NewScanner(stderr); lines.Scan(); {
			var entry struct{ Msg string }
			if json.Unmarshal(lines.Bytes(), &entry) == nil && entry.Msg == "serving" && !said {
				said = true
				close(ready)
			}
			log.Write(append(lines.Bytes(), '\n'))
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		<-done
		if err := cmd.Wait(); err != nil {
			t.Errorf("%s ended with %v:\n%s", line, err, log.String())
		}
	})
	select {
	case <-ready:
	case <-done:
		t.Fatalf("%s ended:\n%s", line, log.String())
	case <-time.After(2 * time.Minute):
		t.Fatalf("%s does not say that it serves", line)
	}
}

// freeAddress gives a loopback address that nobody has.
func freeAddress(t *testing.T) string {
	t.Helper()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = lis.Close() }()
	return lis.Addr().String()
}

// goEnv is what the go command of a reader needs to find what is built already.
func goEnv(t *testing.T, home string) []string {
	t.Helper()
	// Root's data would lie outside the home directory.
	env := []string{"HOME=" + home, "XDG_DATA_HOME=" + filepath.Join(home, ".local", "share"), "PATH=" + os.Getenv("PATH"), "COLUMNS=80", "LC_ALL=C.UTF-8"}
	for _, name := range []string{"GOCACHE", "GOMODCACHE", "GOPROXY", "GOFLAGS"} {
		v, err := exec.Command("go", "env", name).Output() // #nosec G204
		if err != nil {
			t.Fatal(err)
		}
		env = append(env, name+"="+strings.TrimSpace(string(v)))
	}
	return env
}

// TestGuideFirstBooking does word by word what the guide tells a new user.
func TestGuideFirstBooking(t *testing.T) {
	home := pgtest.Dir(t)
	g := readGuide(t, "../../deploy/guide/first-booking.md")
	t.Cleanup(func() { _ = os.Remove("../../workshop.yaml") })
	g.try(t, goEnv(t, home), freeAddress(t))
}

// TestGuides does what the guides of the three roles, and the one on
// spreadsheets, say, on the demo workshop.
func TestGuides(t *testing.T) {
	for page, role := range map[string]string{
		"manager": "manager", "technician": "technician", "administrator": "administrator", "spreadsheets": "administrator",
	} {
		t.Run(page, func(t *testing.T) {
			t.Parallel()
			db := pgtest.New(t)
			s := serve(t, db, "127.0.0.1:0")
			s.enrol(t, db, "quillgate")
			s.client(t, append([]string{"import"}, demoFiles(t)...)...).want(t, 0)
			token := s.token
			if role != "manager" {
				args := []string{"user", "add", "me", "--role", role}
				if role == "technician" {
					args = append(args, "--technician", "mira-osei")
				}
				s.client(t, args...).want(t, 0)
				made := s.client(t, "token", "make", "guide", "--user", "me", "--output", "json")
				var secret struct{ Text string }
				if err := json.Unmarshal([]byte(made.out), &secret); err != nil || secret.Text == "" {
					t.Fatalf("%v: %s", err, made.out)
				}
				token = secret.Text
			}
			home := t.TempDir()
			if err := os.Symlink(filepath.Join(bin, "client"), filepath.Join(home, "bayhold")); err != nil {
				t.Fatal(err)
			}
			g := readGuide(t, "../../deploy/guide/"+page+".md")
			g.try(t, []string{
				"HOME=" + home, "PATH=" + home + ":" + os.Getenv("PATH"), "COLUMNS=80", "LC_ALL=C.UTF-8",
				"BAYHOLD_SERVER=" + s.addr, "BAYHOLD_TOKEN=" + token,
			}, s.addr)
		})
	}
}
