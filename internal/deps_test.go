// Package internal_test holds the house rules that a compiler does not: which
// package may know which, how large a file may grow, what must be documented.
package internal_test

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// pure packages know no database, network, protocol or clock.
var pure = []string{
	"fault", "hours", "site", "torque", "procedure", "calibration", "running", "plan", "forecast", "sitefile", "picture", "tooling", "trail", "csvfile",
}

// arrows say which of our packages each of our packages may import, short for
// bayhold/internal/... where there is no slash. A package that is not listed
// has no place in the house yet: DEVELOPERS.md tells how it gets one.
var arrows = map[string][]string{
	"fault":       {},
	"hours":       {"fault"},
	"site":        {"fault", "hours"},
	"torque":      {"fault"},
	"procedure":   {"fault", "hours", "site", "torque"},
	"calibration": {"fault", "hours"},
	"running":     {"fault", "hours", "site", "torque", "procedure"},
	"plan":        {"fault", "hours"},
	"forecast":    {"fault", "hours", "plan"},
	"picture":     {"hours"},
	"sitefile":    {"fault", "hours", "site", "torque", "procedure", "tooling", "calibration", "csvfile"},
	"csvfile":     {},
	"tooling":     {"fault", "hours", "site", "calibration"},
	"trail":       {},

	"clock":            {},
	"measure":          {},
	"gate":             {"fault"},
	"telemetry":        {"fault", "measure"},
	"store":            append([]string{"measure"}, pure...),
	"feed":             {"fault", "measure", "store"},
	"access":           {"fault", "site", "store"},
	"workshop":         append([]string{"store", "access", "measure"}, pure...),
	"rpc":              append([]string{"workshop", "feed", "access", "gate", "measure", "bayhold/proto/bayhold/v1"}, pure...),
	"board":            append([]string{"workshop", "feed", "access"}, pure...),
	"localpg":          {"fault"},
	"certs":            {"fault"},
	"pgtest":           {"localpg", "bayhold/migrations"},
	"e2e":              {},
	"bench":            {},
	"bayhold/internal": {}, // these tests alone

	"bayhold/migrations":       {"fault"},
	"bayhold/proto":            {},
	"bayhold/proto/bayhold/v1": {},
	"bayhold/client/dial":      {"bayhold/proto/bayhold/v1"},
	"bayhold/client/cli":       {"bayhold/client/dial", "bayhold/proto/bayhold/v1", "csvfile"},
	"bayhold/client":           {"bayhold/client/cli", "clock"},
	"bayhold/testdata/demo":    {},
	"bayhold/server": {
		"fault", "hours", "running", "rpc", "board", "workshop", "feed", "access", "store", "localpg", "certs", "site", "gate", "telemetry", "clock",
		"bayhold/migrations", "bayhold/client/cli", "bayhold/client/dial", "bayhold/testdata/demo",
	},
}

// reserved are modules that only the named packages may import themselves.
var reserved = map[string][]string{
	"github.com/jackc/pgx/v5":                     {"store", "feed", "localpg", "pgtest", "telemetry", "bayhold/migrations"},
	"github.com/pressly/goose/v3":                 {"bayhold/migrations"},
	"google.golang.org/grpc":                      {"rpc", "telemetry", "bayhold/client/dial", "bayhold/client/cli", "bayhold/client", "bayhold/server", "bayhold/proto/bayhold/v1"},
	"google.golang.org/protobuf":                  {"rpc", "bayhold/client/dial", "bayhold/client/cli", "bayhold/client", "bayhold/server", "bayhold/proto/bayhold/v1"},
	"google.golang.org/genproto":                  {"rpc", "bayhold/client/dial", "bayhold/client/cli", "bayhold/client", "bayhold/server"},
	"go.opentelemetry.io":                         {"telemetry"},
	"github.com/prometheus":                       {"telemetry"},
	"github.com/exaring/otelpgx":                  {"telemetry"},
	"golang.org/x/time":                           {"rpc"},
	"github.com/spf13/cobra":                      {"bayhold/client", "bayhold/client/cli", "bayhold/server"},
	"github.com/testcontainers/testcontainers-go": {"pgtest"},
	"github.com/moby/moby":                        {"pgtest"},
	"github.com/arran4/golang-ical":               {"board"},
	"go.yaml.in/yaml/v3":                          {"sitefile", "bayhold/client/cli"},
}

// outward is what the standard library offers and a pure package must not use.
var outward = []string{"net", "os", "syscall", "database", "log", "runtime", "unsafe", "plugin", "testing"}

// inert is what of it opens nothing and may be used all the same: net/url reads
// addresses.
var inert = []string{"net/url"}

// testOnly are modules that must not reach a program that users run.
var testOnly = []string{
	"testing", "bayhold/internal/pgtest", "github.com/testcontainers/testcontainers-go", "github.com/moby/moby",
	"github.com/google/go-cmp", "pgregory.net/rapid", "go.uber.org/goleak", "github.com/emersion/go-ical", "github.com/chromedp",
	"github.com/wasilibs/go-pgquery", "github.com/anishathalye/porcupine",
}

type listed struct {
	ImportPath string
	Standard   bool
	Imports    []string
}

func goList(t *testing.T, args ...string) []listed {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Standard,Imports"}, args...)...)
	cmd.Dir = ".."
	out, err := cmd.Output()
	if err != nil {
		if ee := new(exec.ExitError); errors.As(err, &ee) {
			t.Fatalf("go list: %v\n%s", err, ee.Stderr)
		}
		t.Fatal(err)
	}
	var all []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// full is the import path that a short name stands for.
func full(name string) string {
	if strings.Contains(name, "/") {
		return name
	}
	return "bayhold/internal/" + name
}

// under tells whether path is root or lies below it.
func under(path, root string) bool {
	return path == root || strings.HasPrefix(path, root+"/")
}

func TestArrows(t *testing.T) {
	t.Parallel()
	allowed, isPure := map[string][]string{}, map[string]bool{}
	for name, to := range arrows {
		allowed[full(name)] = nil
		for _, target := range to {
			allowed[full(name)] = append(allowed[full(name)], full(target))
		}
	}
	for _, name := range pure {
		isPure[full(name)] = true
	}
	for _, p := range goList(t, "./...") {
		may, known := allowed[p.ImportPath]
		if !known {
			t.Errorf("%s has no arrows in internal/deps_test.go: give it its place", p.ImportPath)
			continue
		}
		for _, to := range p.Imports {
			if under(to, "bayhold") && !slices.Contains(may, to) {
				t.Errorf("%s must not import %s", p.ImportPath, to)
			}
			if isPure[p.ImportPath] && !slices.Contains(inert, to) && slices.ContainsFunc(outward, func(o string) bool { return under(to, o) }) {
				t.Errorf("%s is pure and must not import %s", p.ImportPath, to)
			}
			for module, by := range reserved {
				if under(to, module) && !slices.ContainsFunc(by, func(b string) bool { return full(b) == p.ImportPath }) {
					t.Errorf("%s must not import %s, which is reserved", p.ImportPath, to)
				}
			}
		}
	}
}

// TestProgramsCarryNoTestCode looks at all that the two programs link.
func TestProgramsCarryNoTestCode(t *testing.T) {
	t.Parallel()
	for _, p := range goList(t, "-deps", "./server", "./client") {
		for _, module := range testOnly {
			if under(p.ImportPath, module) {
				t.Errorf("a program that users run links %s", p.ImportPath)
			}
		}
	}
}
