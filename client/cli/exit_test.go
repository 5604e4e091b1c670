package cli

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestExitCodes holds the exit code of every status code, as root's help
// lists them.
func TestExitCodes(t *testing.T) {
	want := map[codes.Code]int{
		codes.Canceled: 1, codes.Unknown: 1, codes.InvalidArgument: 2, codes.DeadlineExceeded: 7, codes.NotFound: 4,
		codes.AlreadyExists: 6, codes.PermissionDenied: 8, codes.ResourceExhausted: 1, codes.FailedPrecondition: 6,
		codes.Aborted: 5, codes.OutOfRange: 2, codes.Unimplemented: 1, codes.Internal: 1, codes.Unavailable: 7,
		codes.DataLoss: 1, codes.Unauthenticated: 8,
	}
	for code := codes.Canceled; code <= codes.Unauthenticated; code++ {
		t.Run(codeName(code), func(t *testing.T) {
			t.Parallel()
			f := newFake(t)
			failing("ListBays", code, "so it is")(f)
			r := f.run(t, "bay", "list")
			if r.code != want[code] || r.out != "" || !strings.HasPrefix(r.err, "bayhold: ") {
				t.Errorf("exit %d, want %d; out %q, err %q", r.code, want[code], r.out, r.err)
			}
			if codeName(code) == "UNKNOWN" && code != codes.Unknown {
				t.Errorf("%v has no name", code)
			}
		})
	}
}

// TestUsage holds command lines that are refused before the server is asked,
// and what is said.
func TestUsage(t *testing.T) {
	for line, want := range map[string]string{
		"tool show L\xff":                    "is not valid UTF-8",
		"tol":                                `has no "tol"`,
		"tool lsit":                          "bayhold tool list",
		"tool list --nonsense":               "unknown flag: --nonsense",
		"tool show":                          "which tool? give its asset tag",
		"job check --procedure p":            `"start" not set`,
		"job book --reference R":             "which plan?",
		"job book --reference R --start now": "which --procedure?",
		"job book --reference R --start now --from now -p p":         "which plan?",
		"job book --reference R -p p --start now --choose shortest":  "--choose goes with --from only",
		"job book --reference R -p p --from now --choose cheapest":   "earliest or shortest",
		"job book --reference R --plan none.json":                    "cannot read none.json: no such file",
		"job book --reference R --plan testdata/workshop.yaml":       "is no JSON answer",
		"job book --reference R -p p --start now --tentative soon":   "no length of time",
		"job book --reference R -p p --start now --request-id 12":    "a request id is a UUID",
		"job book --reference R -p p --plan f":                       "has its own",
		"job check -p p --start never":                               "--start",
		"tool list --free 2026-11-25":                                "--free needs two times",
		"tool list 2026-11-25":                                       "is left over",
		"tool list --free 2026-11-25 2026-11-20":                     "which is not after",
		"tool show bays/bay-1":                                       "is no name in tools",
		"tool show sites/elsewhere/tools/LK-01":                      "does not belong to sites/harbour",
		"tool change LK-01":                                          "nothing to change",
		"tool change LK-01 --condition broken":                       "serviceable, unserviceable",
		"bay change bay-1 --close 'tomorrow 8:00'":                   "write it like",
		"bay change bay-1 --name X --reason Y":                       "--reason goes with --close",
		"technician change anna --shift workday":                     "does not begin with a weekday",
		"technician change anna --day 2026-02-30":                    "no 2026-02-30",
		"booking list --bay a --tool b":                              "exclude each other",
		"booking list --from 2026-11-25 --until 2026-11-20":          "is not after",
		"job check -p p --start now --part belt-20":                  "write the part's id and when",
		"job check -p p --start now --part =now":                     "write the part's id and when",
		"job check -p p --start now --part belt-20=soon":             "--part belt-20:",
		"job book --reference R --plan f --part belt-20=now":         "has its own",
		"job part 21 pin":                                            "where does the part stand?",
		"job part 21 pin --here --ordered":                           "where does the part stand?",
		"job part 21 pin --here=false":                               "where does the part stand?",
		"job part 21 pin --expected soon":                            "--expected",
		"job part 21 pin --expected ''":                              "where does the part stand?",
		"job while-open":                                             "open for what?",
		"job while-open 21 -p belt-orlo-20":                          "open for what?",
		"job sheet 21 --to testdata":                                 "cannot write testdata: is a directory",
		"procedure diff p":                                           `"from" not set`,
		"procedure diff p --from 0":                                  "count from 1",
		"procedure issue p":                                          `"version" not set`,
		"procedure withdraw p --version -1":                          "count from 1",
		"procedure lint":                                             "requires at least 1 arg",
		"procedure lint none.yaml":                                   "cannot read none.yaml: no such file",
		"import":                                                     "requires at least 1 arg",
		"import none.yaml":                                           "cannot read none.yaml: no such file",
		"import testdata/workshop.yaml --anchor today":               "write a date like",
		"site list --server 192.0.2.1:1 --token t":                   "must not travel in the clear",
		"site list --ca none.pem":                                    "cannot read the certificates",
		"site show harbour/two":                                      "is no site",
		"week show --of 2026-13-01":                                  "is no time",
		"tool reserve LK-01 --reference R --from now --until now":    "which is not after",
		"technician change anna --shift mon --shift 'tue 7:00-8:00'": "no stretch of hours",
	} {
		t.Run(line, func(t *testing.T) {
			t.Parallel()
			r := newFake(t).run(t, words(line)...)
			if r.code != exitUsage || !strings.Contains(r.err, want) || r.out != "" {
				t.Errorf("exit %d, out %q, err %q; want %q", r.code, r.out, r.err, want)
			}
		})
	}
}

// words splits a line as a shell would, as far as these tests need it.
func words(line string) []string {
	var out []string
	for i, part := range strings.Split(line, "'") {
		if i%2 == 1 {
			out = append(out, part)
		} else {
			out = append(out, strings.Fields(part)...)
		}
	}
	return out
}

// TestUnreachable holds what is said where nothing listens.
func TestUnreachable(t *testing.T) {
	r := runWith(t, map[string]string{"BAYHOLD_SERVER": "127.0.0.1:1"}, "", "site", "list")
	if r.code != exitNoServer || !strings.Contains(r.err, "cannot reach the server at 127.0.0.1:1") ||
		!strings.Contains(r.err, "go run ./server serve") {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
}

// TestTimeout holds the deadline of a call.
func TestTimeout(t *testing.T) {
	f := newFake(t)
	release := make(chan struct{})
	defer close(release)
	f.fail["ListSites"] = func() error { <-release; return nil }
	r := f.run(t, "site", "list", "--timeout", "50ms")
	if r.code != exitNoServer || !strings.Contains(r.err, "did not answer within 50ms") {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
}

// TestInterrupted holds what is said when the caller gives up.
func TestInterrupted(t *testing.T) {
	f := newFake(t)
	ctx, cancel := context.WithCancel(t.Context())
	release := make(chan struct{})
	defer close(release)
	f.fail["ListSites"] = func() error { cancel(); <-release; return nil }
	var out, errs strings.Builder
	code := Run(ctx, []string{"site", "list"}, Streams{In: strings.NewReader(""), Out: &out, Err: &errs},
		func(k string) string { return map[string]string{"BAYHOLD_SERVER": f.addr}[k] }, time.Now)
	if code != exitFailed || errs.String() != "bayhold: interrupted\n" {
		t.Errorf("exit %d, %q", code, errs.String())
	}
}

// TestSites holds how the site is chosen.
func TestSites(t *testing.T) {
	other := &bayholdv1.Site{Name: "sites/hill", TimeZone: "UTC"}
	for _, tt := range []struct {
		name  string
		sites []*bayholdv1.Site
		args  []string
		code  int
		want  string
	}{
		{"none", nil, nil, exitAtOdds, "bayhold import FILE..."},
		{"one", []*bayholdv1.Site{fixtureSite()}, nil, exitDone, ""},
		{"two", []*bayholdv1.Site{fixtureSite(), other}, nil, exitUsage, "the server has harbour, hill"},
		{"two, named", []*bayholdv1.Site{fixtureSite(), other}, []string{"--site", "harbour"}, exitDone, ""},
		{"two, named in full", []*bayholdv1.Site{fixtureSite(), other}, []string{"--site", "sites/harbour"}, exitDone, ""},
		{"unknown", []*bayholdv1.Site{fixtureSite()}, []string{"--site", "moon"}, exitNotFound, "bayhold site list"},
		{"zone", []*bayholdv1.Site{{Name: "sites/x", TimeZone: "Moon/Base"}}, nil, exitFailed, "Moon/Base"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			f.sites = tt.sites
			r := f.run(t, append([]string{"bay", "list"}, tt.args...)...)
			if r.code != tt.code || !strings.Contains(r.err, tt.want) {
				t.Errorf("exit %d, %q; want %d, %q", r.code, r.err, tt.code, tt.want)
			}
		})
	}
}

// TestHelp holds that every command tells what it does, with an example, in
// 80 columns; examples and the line of usage may be longer.
func TestHelp(t *testing.T) {
	a := &app{}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Example == "" || c.Short == "" {
			t.Errorf("%s: example %q, short %q", c.CommandPath(), c.Example, c.Short)
		}
		if c.HasParent() && !strings.Contains(c.Example, "bayhold "+strings.TrimPrefix(c.CommandPath(), "bayhold ")) {
			t.Errorf("%s: the example shows another command: %s", c.CommandPath(), c.Example)
		}
		args := append(strings.Fields(c.CommandPath())[1:], "--help")
		r := runWith(t, nil, "", args...)
		if r.code != exitDone || r.err != "" {
			t.Errorf("%v: exit %d, %q", args, r.code, r.err)
		}
		for line := range strings.SplitSeq(r.out, "\n") {
			if textWidth(line) > 80 {
				t.Errorf("%v: %d columns: %s", args, textWidth(line), line)
			}
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(a.root())
}

// TestImportDirectory holds that a directory stands for its files, in order,
// and "-" for standard input.
func TestImportDirectory(t *testing.T) {
	dir := t.TempDir()
	for name, body := range map[string]string{"b.yaml": "b: 1\n", "a.yml": "a: 1\n", "notes.txt": "no"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f := newFake(t)
	r := runWith(t, f.env(t), "c: 1\n", "import", dir, "-", "--site", "harbour", "--anchor", "2026-11-23", "--dry-run")
	if r.code != exitDone {
		t.Fatal(r.err)
	}
	req := last[*bayholdv1.ImportWorkshopRequest](t, f)
	var got []string
	for _, file := range req.GetFiles() {
		got = append(got, filepath.Base(file.GetName())+" "+string(file.GetContent()))
	}
	if strings.Join(got, "") != "a.yml a: 1\nb.yaml b: 1\n- c: 1\n" || req.GetParent() != harbour || !req.GetValidateOnly() ||
		req.GetAnchorTime().AsTime().Format(time.RFC3339) != "2026-11-23T12:00:00Z" {
		t.Errorf("%v", req)
	}
	big := filepath.Join(dir, "big.yaml")
	if err := os.WriteFile(big, make([]byte, maxImport+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if r := f.run(t, "import", big); r.code != exitUsage || !strings.Contains(r.err, "8 MiB") {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
}

// Each CSV file gets the mapping that is named for it, or the one for all.
func TestImportGivesMappingsToTheirFiles(t *testing.T) {
	dir := t.TempDir()
	path := func(name string) string { return filepath.Join(dir, name) }
	for name, body := range map[string]string{"a.csv": "a\n", "b.CSV": "b\n", "w.yaml": "w: 1\n", "all.map": "all", "b.map": "only b"} {
		if err := os.WriteFile(path(name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f := newFake(t)
	r := f.run(t, "import", path("a.csv"), path("b.CSV"), path("w.yaml"), "--mapping", "b.CSV="+path("b.map"), "--mapping", path("all.map"))
	if r.code != exitDone {
		t.Fatal(r.err)
	}
	var got []string
	for _, file := range last[*bayholdv1.ImportWorkshopRequest](t, f).GetFiles() {
		got = append(got, filepath.Base(file.GetName())+": "+string(file.GetMapping())+" from "+filepath.Base(file.GetMappingName()))
	}
	if strings.Join(got, ", ") != "a.csv: all from all.map, b.CSV: only b from b.map, w.yaml:  from ." {
		t.Errorf("%q", got)
	}
}
