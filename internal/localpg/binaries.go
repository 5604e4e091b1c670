package localpg

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayhold/internal/fault"
)

// binaries are one installation of PostgreSQL's server programs.
type binaries struct {
	dir          string
	major, minor int
}

func (b binaries) tool(name string) string { return filepath.Join(b.dir, name) }
func (b binaries) String() string          { return fmt.Sprintf("PostgreSQL %d.%d", b.major, b.minor) }

// usualPlaces are PATH, then where Debian, Red Hat (with PGDG's packages) and
// Homebrew (on ARM, on Intel, on Linux) put the server programs.
func usualPlaces() []string {
	dirs := filepath.SplitList(os.Getenv("PATH"))
	for _, pattern := range []string{
		"/usr/lib/postgresql/*/bin",
		"/usr/pgsql-*/bin",
		"/usr/bin",
		"/opt/homebrew/opt/postgresql@*/bin",
		"/usr/local/opt/postgresql@*/bin",
		"/home/linuxbrew/.linuxbrew/opt/postgresql@*/bin",
	} {
		found, _ := filepath.Glob(pattern) // the only error is a bad pattern
		dirs = append(dirs, found...)
	}
	return dirs
}

// look finds every installation in dirs that acc can run, newest first. A lone
// postgres without its initdb is of no use and not counted.
func look(ctx context.Context, acc account, dirs []string) []binaries {
	var all []binaries
	seen := map[string]bool{}
	for _, dir := range dirs {
		if !filepath.IsAbs(dir) {
			continue // a "." on PATH must not decide what runs
		}
		dir, ok := serverDir(dir)
		if !ok || seen[dir] {
			continue
		}
		seen[dir] = true
		if major, minor, err := version(ctx, acc, dir); err == nil {
			all = append(all, binaries{dir: dir, major: major, minor: minor})
		}
	}
	slices.SortStableFunc(all, func(a, b binaries) int {
		if a.major != b.major {
			return b.major - a.major
		}
		return b.minor - a.minor
	})
	return all
}

// serverDir follows the link that dir/postgres may be to where initdb stands
// beside it.
func serverDir(dir string) (string, bool) {
	real, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"))
	if err != nil {
		return "", false
	}
	for _, d := range []string{filepath.Dir(real), dir} {
		if executable(filepath.Join(d, "postgres")) && executable(filepath.Join(d, "initdb")) {
			return d, true
		}
	}
	return "", false
}

func executable(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o111 != 0
}

// version asks the server program, as the user who would run it.
func version(ctx context.Context, acc account, dir string) (major, minor int, err error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "--version")
	cmd.SysProcAttr = acc.attributes()
	cmd.Dir = "/"
	out, err := cmd.Output()
	if err != nil {
		return 0, 0, err
	}
	return parseVersion(string(out))
}

// parseVersion reads "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)";
// a version before its release has no minor number: "19devel", "18beta1".
func parseVersion(s string) (major, minor int, err error) {
	_, rest, ok := strings.Cut(s, "(PostgreSQL) ")
	if !ok {
		return 0, 0, fmt.Errorf("not a version of PostgreSQL: %q", s)
	}
	digits := func(s string) (int, string) {
		n := len(s) - len(strings.TrimLeft(s, "0123456789"))
		v, _ := strconv.Atoi(s[:n])
		return v, s[n:]
	}
	major, rest = digits(rest)
	if major == 0 {
		return 0, 0, fmt.Errorf("not a version of PostgreSQL: %q", s)
	}
	if after, ok := strings.CutPrefix(rest, "."); ok {
		minor, _ = digits(after)
	}
	return major, minor, nil
}

// choose finds the binaries to run the cluster with: want is the major version
// that made the cluster, 0 if there is none yet.
func choose(ctx context.Context, h *home, o Options, want int) (binaries, error) {
	dirs := o.places
	switch {
	case o.BinDir != "":
		dirs = []string{o.BinDir}
	case dirs == nil:
		dirs = usualPlaces()
	}
	if o.BinDir == "" {
		fetched, _ := filepath.Glob(h.path("fetched/*/bin"))
		dirs = append(slices.Clone(dirs), fetched...)
	}
	found := look(ctx, h.acc, dirs)
	for _, b := range found {
		if b.major == want || want == 0 && b.major >= oldest {
			return b, nil
		}
	}
	var cause error
	if o.BinDir == "" && !o.NoFetch {
		b, err := fetch(ctx, h, o, want)
		if err == nil {
			return b, nil
		}
		cause = err
	}
	if err := ctx.Err(); err != nil {
		return binaries{}, interrupted(err)
	}
	if want != 0 {
		return binaries{}, wrongMajor(h, want, found).Because(cause)
	}
	return binaries{}, nonePresent(found).Because(cause)
}

func wrongMajor(h *home, want int, found []binaries) *fault.Error {
	have := "none is installed"
	if len(found) > 0 {
		have = fmt.Sprintf("only %s is installed", found[0])
	}
	return fault.New(fault.Precondition, "POSTGRES_VERSION",
		"the data in %s was made by PostgreSQL %d and %s: install PostgreSQL %d, or move the data with pg_upgrade", h.cluster(), want, have, want)
}

func nonePresent(found []binaries) *fault.Error {
	old := ""
	if len(found) > 0 {
		old = fmt.Sprintf(" (%s is too old)", found[0])
	}
	return fault.New(fault.Unavailable, "NO_POSTGRES",
		"there is no PostgreSQL %d or newer here%s: install it with `%s`, or name a server with --database or DATABASE_URL",
		oldest, old, installCommand())
}

// installCommand is the one command that brings PostgreSQL to this machine.
func installCommand() string {
	sudo := "sudo "
	if os.Geteuid() == 0 {
		sudo = ""
	}
	if runtime.GOOS == "darwin" {
		return "brew install postgresql@17"
	}
	for _, m := range []struct{ manager, command string }{
		{"apt-get", "apt-get install -y postgresql"},
		{"dnf", "dnf install -y postgresql-server postgresql-contrib"},
		{"zypper", "zypper install -y postgresql-server postgresql-contrib"},
		{"apk", "apk add postgresql postgresql-contrib"},
		{"pacman", "pacman -S --noconfirm postgresql"},
	} {
		if _, err := exec.LookPath(m.manager); err == nil {
			return sudo + m.command
		}
	}
	return sudo + "apt-get install -y postgresql"
}

// interrupted is what a start that its caller gave up answers.
func interrupted(err error) error {
	kind := fault.Canceled
	if err == context.DeadlineExceeded {
		kind = fault.Deadline
	}
	return fault.New(kind, "START_INTERRUPTED", "the start of the private PostgreSQL was interrupted").Because(err)
}
