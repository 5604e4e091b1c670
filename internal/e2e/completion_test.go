package e2e

import (
	"bufio"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayhold/internal/pgtest"
)

// TestShellsCompleteWhatTheServerKnows sits at each shell's own prompt on a
// terminal, as a person does, and presses the tab key.
func TestShellsCompleteWhatTheServerKnows(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := serve(t, db, "127.0.0.1:0")
	s.enrol(t, db, "quillgate")
	s.client(t, append([]string{"import"}, demoFiles(t)...)...).want(t, 0)
	for shell, c := range map[string]struct{ run, file, setup string }{
		"bash": {"bash --noprofile --norc -i", "bayhold.bash", ". /usr/share/bash-completion/bash_completion; . ./bayhold.bash; stty cols 200; echo rea''dy\n"},
		"zsh":  {"zsh -f -i", "_bayhold", "fpath=($PWD $fpath); autoload -U compinit; compinit -u -D; stty cols 200; echo rea''dy\n"},
		"fish": {"fish -i", "fish/completions/bayhold.fish", "echo rea''dy\n"},
	} {
		t.Run(shell, func(t *testing.T) {
			home, err := os.MkdirTemp("", "bayhold-shell-") // a shell that is hung up may write its history there yet
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = os.RemoveAll(home) })
			wanting := func(what string) {
				if os.Getenv("CI") != "" {
					t.Fatalf("%s is missing: apt-get install bash-completion zsh fish (bsdutils has script)", what)
				}
				t.Skipf("%s is missing: apt-get install bash-completion zsh fish", what)
			}
			for _, program := range []string{shell, "script"} {
				if _, err := exec.LookPath(program); err != nil {
					wanting(program)
				}
			}
			if _, err := os.Stat("/usr/share/bash-completion/bash_completion"); shell == "bash" && err != nil {
				wanting("bash-completion")
			}
			if err := os.MkdirAll(filepath.Join(home, "fish", "completions"), 0o750); err != nil {
				t.Fatal(err)
			}
			words := s.client(t, "completion", shell)
			words.want(t, 0)
			if err := os.WriteFile(filepath.Join(home, c.file), []byte(words.out), 0o600); err != nil {
				t.Fatal(err)
			}
			programs := t.TempDir()
			if err := os.Symlink(filepath.Join(bin, "client"), filepath.Join(programs, "bayhold")); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command("script", "-qfec", c.run, "/dev/null") // #nosec G204 -- the shells above
			cmd.Dir = home
			cmd.Env = []string{
				"HOME=" + home, "XDG_CONFIG_HOME=" + home, "PATH=" + programs + ":" + os.Getenv("PATH"), "TERM=xterm", "HISTFILE=/dev/null", "LC_ALL=C.UTF-8",
				"BAYHOLD_SERVER=" + s.addr, "BAYHOLD_TOKEN=" + s.token,
			}
			at := newTerminal(t, cmd)
			at.types(t, c.setup, "", "ready")
			at.types(t, "bayhold job show ", "\t\t", "W-2110") // a job of the demo, by its reference
		})
	}
}

// terminal is a program at a terminal of its own.
type terminal struct {
	in   io.Writer
	read chan byte
}

func newTerminal(t *testing.T, cmd *exec.Cmd) *terminal {
	t.Helper()
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	at := &terminal{in, make(chan byte, 1<<16)}
	go func() {
		defer close(at.read)
		for r := bufio.NewReader(out); ; {
			b, err := r.ReadByte()
			if err != nil {
				return
			}
			at.read <- b
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		for range at.read {
			continue
		}
		_ = cmd.Wait()
	})
	return at
}

// types presses keys and waits for what they bring to the screen. Those of again
// are pressed after them, and again, as people do, while a busy machine has not
// answered in the time that a completion may take.
func (at *terminal) types(t *testing.T, keys, again, want string) {
	t.Helper()
	if _, err := io.WriteString(at.in, keys+again); err != nil {
		t.Fatal(err)
	}
	patience := time.NewTicker(5 * time.Second)
	defer patience.Stop()
	var seen strings.Builder
	tooLong := time.After(time.Minute)
	for !strings.Contains(seen.String(), want) {
		select {
		case b, ok := <-at.read:
			if !ok {
				t.Fatalf("the shell ended after %q:\n%s", keys, seen.String())
			}
			seen.WriteByte(b)
		case <-patience.C:
			if _, err := io.WriteString(at.in, again); err != nil {
				t.Fatal(err)
			}
		case <-tooLong:
			t.Fatalf("no %s after %q:\n%q", want, keys, seen.String())
		}
	}
}
