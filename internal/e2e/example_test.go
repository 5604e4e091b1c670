package e2e

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayhold/internal/pgtest"
)

// helpOf is what a command says of itself.
type helpOf struct {
	path     []string
	examples []string // command lines, whole
	writes   bool
}

// TestEveryExample types every example of every command's help at the demo
// workshop, as a reader would: one that writes in a copy of its own, line after
// line. A line that ends in "# refused: ..." must be refused, every other must
// do what it says. Whether a tool is free depends on the day and the hour, so the
// clocks of all programs are set to one of them.
func TestEveryExample(t *testing.T) {
	t.Parallel()
	aSaturday := time.Date(2026, 11, 28, 1, 30, 0, 0, time.UTC)
	skew := "BAYHOLD_CLOCK_SKEW=" + time.Until(aSaturday).Round(time.Second).String()
	demo := pgtest.Empty(t)
	run := exec.Command(filepath.Join(bin, "server"), "demo", "--once", "--listen", "127.0.0.1:0") // #nosec G204
	run.Env = append(os.Environ(), "DATABASE_URL="+demo.URL, "COLUMNS=80", skew)
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("the demo: %v\n%s", err, out)
	}
	add := exec.Command(filepath.Join(bin, "server"), "user", "add", "sam", "--site", "quillgate", "--role", "manager", // #nosec G204
		"--role", "administrator", "--role", "technician", "--technician", "rafi-duarte", "--bare")
	add.Env = run.Env
	add.Stderr = os.Stderr
	token, err := add.Output()
	if err != nil {
		t.Fatal(err)
	}
	all := allHelp(t, nil)
	if len(all) < 130 {
		t.Fatalf("only %d commands found", len(all))
	}
	lines := 0
	seen := make(map[string]string) // what a line ended with where it stood before
	var shared *server
	for _, h := range all {
		if len(h.examples) == 0 {
			if h.path[0] != "help" {
				t.Errorf("bayhold %s has no example", strings.Join(h.path, " "))
			}
			continue
		}
		lines += len(h.examples)
		key := strings.Join(h.examples, "\n")
		if seen[key] != "" {
			continue
		}
		seen[key] = "typed"
		t.Run(strings.Join(h.path, "_"), func(t *testing.T) {
			s := shared
			if s == nil || h.writes || strings.Contains(key, " book ") || strings.Contains(key, "import ") {
				s = serveIn(t, []string{skew}, demo.Copy(t), "127.0.0.1:0", "--max-call", "110s")
			}
			typeExamples(t, s, strings.TrimSpace(string(token)), skew, h)
		})
		if shared == nil {
			shared = serveIn(t, []string{skew}, demo.Copy(t), "127.0.0.1:0", "--max-call", "110s")
		}
	}
	if lines < 200 {
		t.Errorf("only %d lines of examples", lines)
	}
}

// typeExamples types the examples of one command, with the clock set off.
func typeExamples(t *testing.T, s *server, token, skew string, h helpOf) {
	home := t.TempDir()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	for link, to := range map[string]string{"bayhold": filepath.Join(bin, "client"), "testdata": filepath.Join(root, "testdata"), "deploy": filepath.Join(root, "deploy")} {
		if err := os.Symlink(to, filepath.Join(home, link)); err != nil {
			t.Fatal(err)
		}
	}
	for _, dir := range []string{".local/share/bash-completion/completions", ".zfunc", ".config/fish/completions"} {
		if err := os.MkdirAll(filepath.Join(home, dir), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	for _, line := range h.examples {
		line = s.numbered(t, token, skew, line)
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		if h.path[0] == "watch" { // it ends when it is interrupted
			cancel()
			ctx, cancel = context.WithTimeout(t.Context(), 2*time.Second)
		}
		cmd := exec.CommandContext(ctx, "bash", "-c", strings.Replace(line, "bayhold ", "exec bayhold ", 1)) // #nosec G204 -- our own help
		cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGINT) }
		cmd.Dir = home
		cmd.Env = []string{"HOME=" + home, "PATH=" + home + ":" + os.Getenv("PATH"), "COLUMNS=80", "LC_ALL=C.UTF-8", "BAYHOLD_SERVER=" + s.addr, "BAYHOLD_TOKEN=" + token, "BAYHOLD_TIMEOUT=110s", skew}
		out, _ := cmd.CombinedOutput()
		ended := ctx.Err() != nil
		cancel()
		code := cmd.ProcessState.ExitCode()
		_, why, refused := strings.Cut(line, "# refused")
		answers := []int{0}
		switch {
		case refused:
			answers = []int{3, 4, 5, 6, 8}
			if h.path[0] == "journal" {
				answers = []int{2} // the server has no part in it
			}
		case strings.Contains(line, " job check "):
			answers = []int{0, 3} // yes, or no
		case h.path[0] == "watch":
			answers = []int{0, 10, 130}
			if !ended {
				answers = nil
			}
		}
		if !slices.Contains(answers, code) {
			t.Errorf("%s\nends with %d, and should with one of %v %s\n%s", line, code, answers, why, out)
		}
	}
}

// numbered puts the numbers of the demo's jobs into a line. The examples say 15
// for its main job and 17 for the next one, as the demo numbers them; numbers
// that were drawn for nothing shift them.
func (s *server) numbered(t *testing.T, token, skew, line string) string {
	t.Helper()
	for said, reference := range map[string]string{"15": "W-3001", "17": "W-3010"} {
		if !regexp.MustCompile(` ` + said + `(/| |$)`).MatchString(line) {
			continue
		}
		cmd := exec.Command(filepath.Join(bin, "client"), "job", "list", "--output", "csv") // #nosec G204
		cmd.Env = []string{"HOME=" + t.TempDir(), "BAYHOLD_SERVER=" + s.addr, "BAYHOLD_TOKEN=" + token, skew}
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		if m := regexp.MustCompile(`(?m)^(\d+),` + reference + `,`).FindSubmatch(out); m != nil {
			return regexp.MustCompile(` `+said+`(/| |$)`).ReplaceAllString(line, " "+string(m[1])+"$1")
		}
	}
	return line
}

// allHelp asks the client for the help of a command and of those below it.
func allHelp(t *testing.T, path []string) []helpOf {
	t.Helper()
	out, err := exec.Command(filepath.Join(bin, "client"), append(slices.Clone(path), "--help")...).Output() // #nosec G204
	if err != nil {
		t.Fatalf("%v: %v", path, err)
	}
	h := helpOf{path: path, writes: strings.Contains(string(out), "--dry-run")}
	if len(path) == 0 {
		h.path = []string{"bayhold"}
	}
	var all []helpOf
	part := ""
	for line := range strings.SplitSeq(strings.ReplaceAll(string(out), " \\\n     ", ""), "\n") {
		switch {
		case line != "" && line[0] != ' ':
			part = line
		case part == "Examples:" && strings.HasPrefix(line, "  bayhold "):
			h.examples = append(h.examples, strings.TrimSpace(line))
		case strings.HasSuffix(part, "ommands:") && strings.HasPrefix(line, "  ") && len(path) < 3:
			word := strings.Fields(line)[0]
			if word != "help" {
				all = append(all, allHelp(t, append(slices.Clone(path), word))...)
			}
		}
	}
	return append([]helpOf{h}, all...)
}
