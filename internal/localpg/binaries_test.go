package localpg

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bayhold/internal/fault"
)

// install writes programs that do nothing but name a version.
func fakeInstall(t *testing.T, dir, version string, programs ...string) string {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, p := range programs {
		script := fmt.Sprintf("#!/bin/sh\necho '%s (PostgreSQL) %s'\n", p, version)
		if err := os.WriteFile(filepath.Join(dir, p), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestTheNewestWholeInstallationWins(t *testing.T) {
	t.Parallel()
	base := placeIn(t, "")
	both := []string{"postgres", "initdb"}
	old := fakeInstall(t, base+"/14", "14.22", both...)
	first := fakeInstall(t, base+"/16.3", "16.3 (Debian 16.3-1)", both...)
	newer := fakeInstall(t, base+"/16.10", "16.10", both...)
	bare := fakeInstall(t, base+"/bare", "18.1", "postgres")
	// A link to the server program alone leads to where its initdb is.
	linked := filepath.Join(base, "linked")
	if err := os.Mkdir(linked, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(newer+"/postgres", linked+"/postgres"); err != nil {
		t.Fatal(err)
	}
	broken := fakeInstall(t, base+"/broken", "19.1", both...)
	if err := os.WriteFile(broken+"/postgres", []byte("#!/bin/sh\nexit 1\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		places []string
		want   int
		dir    string
	}{
		{"the newest", []string{old, first, newer, bare, broken, "/none"}, 0, newer},
		{"through a link", []string{linked}, 0, newer},
		{"the one that made the data", []string{old, first, newer}, 14, old},
		{"none but old or broken ones", []string{old, bare, broken, "."}, 0, ""},
		{"not the one that made the data", []string{first, newer}, 15, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := &home{dir: base}
			var err error
			if h.acc, err = chooseAccount(""); err != nil {
				t.Fatal(err)
			}
			b, err := choose(t.Context(), h, Options{places: c.places, NoFetch: true}, c.want)
			if c.dir != "" && (err != nil || b.dir != c.dir) || c.dir == "" && err == nil {
				t.Errorf("got %+v, %v; want %q", b, err, c.dir)
			}
		})
	}
}

func TestNoPostgresNamesTheCommand(t *testing.T) {
	t.Parallel()
	o := quick(t, place(t))
	o.places = []string{}
	_, err := Start(t.Context(), o)
	wantReason(t, err, fault.Unavailable, "NO_POSTGRES")
	for _, want := range []string{installCommand(), "--database", "DATABASE_URL"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want it to say %q", err, want)
		}
	}
}

func TestAGivenDirectoryIsTheOnlyOne(t *testing.T) {
	t.Parallel()
	o := quick(t, place(t))
	o.BinDir = "/none"
	_, err := Start(t.Context(), o)
	wantReason(t, err, fault.Unavailable, "NO_POSTGRES")
}

func TestParseVersion(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text         string
		major, minor int
	}{
		{"postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n", 15, 18},
		{"postgres (PostgreSQL) 18.3", 18, 3},
		{"postgres (PostgreSQL) 18beta1", 18, 0},
		{"postgres (PostgreSQL) 19devel", 19, 0},
		{"postgres (PostgreSQL) 9.6.24", 9, 6},
	} {
		major, minor, err := parseVersion(c.text)
		if err != nil || major != c.major || minor != c.minor {
			t.Errorf("%q: %d.%d, %v; want %d.%d", c.text, major, minor, err, c.major, c.minor)
		}
	}
	for _, text := range []string{"", "postgres", "postgres (PostgreSQL) ", "postgres (PostgreSQL) devel", "mysqld 8.0"} {
		if major, minor, err := parseVersion(text); err == nil {
			t.Errorf("%q: %d.%d; want an error", text, major, minor)
		}
	}
}
