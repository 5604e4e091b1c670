package cli

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestCompletion asks for words as the scripts of the shells do.
func TestCompletion(t *testing.T) {
	for line, want := range map[string][]string{
		"bay show ":                      {"bay-1", "bay-2", "bay-3"},
		"tool show ":                     {"LK-01", "TW-03", "TW-04"},
		"tool issue LK-01 ":              {"LK-01"},
		"tool issue --to ":               {"anna", "ben"},
		"job show ":                      {"17", "19", "21"},
		"job check --procedure ":         {"belt-orlo-20"},
		"job check -p ":                  {"belt-orlo-20"},
		"job find --bay ":                {"bay-1"},
		"job repair --out ":              {"bay-1", "anna", "LK-01"},
		"technician show ":               {"anna"},
		"tooltype show ":                 {"wrench-200"},
		"step read ":                     {"17/"},
		"booking list --tool ":           {"TW-03"},
		"tool list --output ":            {"csv", "yaml"},
		"completion ":                    {"bash", "zsh", "fish"},
		"calibration trace ":             {"TW-03"},
		"procedure show ":                {"belt-orlo-20"},
		"tool list --calibration-until ": {},
		"bay show bay-1 ":                {},
	} {
		t.Run(line, func(t *testing.T) {
			t.Parallel()
			r := newFake(t).run(t, append([]string{"__complete"}, strings.Split(line, " ")...)...)
			var got []string
			for offer := range strings.Lines(r.out) {
				word, _, _ := strings.Cut(strings.TrimSpace(offer), "\t")
				got = append(got, word)
			}
			for _, w := range want {
				if !slices.Contains(got, w) {
					t.Errorf("%q is not among %q", w, got)
				}
			}
			if len(want) == 0 && len(got) > 1 { // the last line is a directive
				t.Errorf("offered %q", got)
			}
		})
	}
}

// TestCompletionInSilence wants nothing offered, and nothing said, where no
// server answers.
func TestCompletionInSilence(t *testing.T) {
	r := runWith(t, map[string]string{"BAYHOLD_SERVER": "127.0.0.1:1"}, "", "__complete", "bay", "show", "")
	if r.code != 0 || r.out != ":4\n" || strings.Contains(r.err, "127.0.0.1") {
		t.Errorf("exit %d, %q, %q", r.code, r.out, r.err)
	}
}

// TestBashReadsTheScript lets a real bash load the script; the other shells'
// are printed at least, and name what is asked for words.
func TestBashReadsTheScript(t *testing.T) {
	dir := t.TempDir()
	for _, shell := range shells {
		r := newFake(t).run(t, "completion", shell)
		if r.code != 0 || !strings.Contains(r.out, "__complete") {
			t.Fatalf("%s: exit %d, %s", shell, r.code, r.err)
		}
		if shell != "bash" {
			continue
		}
		path := filepath.Join(dir, "bayhold.bash")
		if err := os.WriteFile(path, []byte(r.out), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("bash", "--norc", "-c", "set -e; source "+path+"; complete -p bayhold").CombinedOutput() // #nosec G204
		if err != nil || !strings.Contains(string(out), "bayhold") {
			t.Errorf("bash: %v: %s", err, out)
		}
	}
}

// TestMan holds the manual: a page a command, each with its example.
func TestMan(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "man1")
	if r := newFake(t).run(t, "man", dir); r.code != 0 || r.out != "" {
		t.Fatalf("exit %d, %s%s", r.code, r.out, r.err)
	}
	for _, name := range []string{"bayhold", "bayhold-job", "bayhold-job-find", "bayhold-site-template"} {
		page, err := os.ReadFile(filepath.Join(dir, name+".1"))
		if err != nil || !strings.Contains(string(page), ".SH EXAMPLE") {
			t.Errorf("%s: %v\n%s", name, err, page)
		}
	}
}
