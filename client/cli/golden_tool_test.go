package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func toolCases() []goldenCase {
	why := &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
		{Type: "NOT_ISSUABLE", Subject: "tools/LK-01", Description: "is out with anna since Wed 2026-11-25 08:00"},
		{Type: "NOT_ISSUABLE", Subject: "tools/TW-03", Description: "is AWAY: away for calibration"},
		{Type: "NOT_ISSUABLE", Subject: "tools/TW-03", Description: "goes out of calibration Fri 2026-11-20 00:00, before it is due back Wed 2026-11-25 16:00"},
	}}
	return []goldenCase{
		{"tool-where", []string{"tool", "where"}, nil},
		{"tool-where-none", []string{"tool", "where", "--late"}, func(f *fake) { f.reply["WhereAreTools"] = &bayholdv1.WhereAreToolsResponse{} }},
		{"tool-history", []string{"tool", "history", "lk-01"}, nil},
		{"tool-issue", []string{"tool", "issue", "LK-01", "TW-04", "--to", "anna"}, nil},
		{"tool-issue-refused", []string{"tool", "issue", "LK-01", "TW-03", "--to", "ben"}, failing("IssueTools", codes.FailedPrecondition, "not all of it can be handed out; nothing was", why)},
		{"tool-return", []string{"tool", "return", "LK-01", "--complete"}, nil},
		{"tool-return-done", []string{"tool", "return", "LK-01", "--complete", "--done"}, nil},
		{"tool-return-missing", []string{"tool", "return", "LK-01", "--complete", "--piece", "cam plate=1"}, nil},
		{"tool-return-not-out", []string{"tool", "return", "TW-04"}, failing("ReturnTool", codes.FailedPrecondition, "TW-04 is not out: it is written down as SERVICEABLE, at cabinet")},
		{"tool-handover", []string{"tool", "handover", "LK-01", "--to", "ben"}, nil},
		{"tool-add", []string{"tool", "add", "LK-02", "--type", "lock-orlo-20", "--home", "shelf A", "--photo", "https://files.example.org/lk-02.jpg"}, nil},
		{"tool-retire", []string{"tool", "retire", "TW-04", "--reason", "head cracked"}, nil},
		{"tool-export", []string{"tool", "export", "--format", "csv"}, nil},
		{"tool-import", []string{"tool", "import", "testdata/workshop.yaml"}, nil},
		{"tooltype-add", []string{"tooltype", "add", "wrench-100", "--name", "Torque wrench 20 to 100", "--purpose", "torque", "--torque", "20-100", "--iso", "ii a", "--permissible", "4%", "--calibrated", "--calibration-months", "6"}, nil},
		{"tooltype-change", []string{"tooltype", "change", "wrench-200", "--calibration-months", "6"}, nil},
	}
}

// keyboard runs a command line as somebody does who sits at a terminal.
func (f *fake) keyboard(t *testing.T, in string, args ...string) result {
	t.Helper()
	env := f.env(t)
	var out, errs bytes.Buffer
	code := Run(t.Context(), args, Streams{In: strings.NewReader(in), Out: &out, Err: &errs, Keyboard: true},
		func(k string) string { return env[k] }, func() time.Time { return testNow })
	return result{code, out.String(), errs.String()}
}

// A hand scanner types a tag and a line end; which one, and in which case,
// depends on how it is set.
func TestTagsAreScanned(t *testing.T) {
	both := []string{harbour + "/tools/LK-01", harbour + "/tools/TW-04"}
	for name, c := range map[string]struct {
		in       string
		args     []string
		keyboard bool
	}{
		"words":               {"", []string{"LK-01", "TW-04"}, false},
		"words in lower case": {"", []string{" lk-01\r", "tools/tw-04\n"}, false},
		"lines of a file":     {"LK-01\nTW-04\n", []string{"-"}, false},
		"as a scanner sends":  {"LK-01\r\n\r\nTW-04 \r\n", []string{"-"}, false},
		"no line end":         {"lk-01\ntw-04", []string{"-"}, false},
		"scanned at a prompt": {"LK-01\r\nTW-04\r\n\r\nXX-1\r\n", nil, true},
		"and the input ends":  {"LK-01\nTW-04", nil, true},
	} {
		f := newFake(t)
		args := append([]string{"tool", "issue", "--to", "anna"}, c.args...)
		r := runWith(t, f.env(t), c.in, args...)
		if c.keyboard {
			r = f.keyboard(t, c.in, args...)
		}
		if r.code != exitDone {
			t.Errorf("%s: %+v", name, r)
			continue
		}
		if got := last[*bayholdv1.IssueToolsRequest](t, f).GetTools(); !slices.Equal(got, both) {
			t.Errorf("%s: %q", name, got)
		}
		if asked := strings.Contains(r.err, "Scan the tools' tags"); asked != c.keyboard {
			t.Errorf("%s: asked %q", name, r.err)
		}
	}
}

func TestTagsThatCannotBeRead(t *testing.T) {
	f := newFake(t)
	for name, c := range map[string]struct {
		in   string
		args []string
		want string
	}{
		"none":         {"", []string{"tool", "issue", "--to", "anna"}, "which tool?"},
		"empty":        {"\n\n", []string{"tool", "return", "-"}, "no tag was given"},
		"too long":     {strings.Repeat("X", 5000) + "\n", []string{"tool", "return", "-"}, "longer than 1000 bytes"},
		"no text":      {"\xff\n", []string{"tool", "return", "-"}, "not valid UTF-8"},
		"many for one": {"LK-01\nTW-04\n", []string{"tool", "show", "-"}, "about one tool, and 2 tags"},
		"no end":       {strings.Repeat("LK-01\n", 200), []string{"tool", "where", "-"}, "more than 100 tags"},
	} {
		if r := runWith(t, f.env(t), c.in, c.args...); r.code != exitUsage || !strings.Contains(r.err, c.want) {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// At a terminal the pieces that were not said are asked for.
func TestPiecesAreAskedFor(t *testing.T) {
	f := newFake(t)
	r := f.keyboard(t, "lk-01\r\n\r\n2\r\n1\r\n0\r\n", "tool", "return")
	got := last[*bayholdv1.ReturnToolRequest](t, f)
	if r.code != exitDone || len(got.GetCounted()) != 2 || got.GetCounted()[0].GetDamaged() != 1 || got.GetCounted()[1].GetCount() != 0 || got.GetRestComplete() {
		t.Errorf("%+v: %v", r, got)
	}
	for _, in := range []string{"\n", "many\n"} {
		if r := f.keyboard(t, in, "tool", "return", "LK-01"); r.code != exitUsage || !strings.Contains(r.err, "the tool was not returned") {
			t.Errorf("%q: %+v", in, r)
		}
	}
}

func TestReturnRefuses(t *testing.T) {
	f := newFake(t)
	for want, args := range map[string][]string{
		"write NAME=COUNT":       {"LK-01", "--piece", "pin"},
		"the count is no number": {"LK-01", "--piece", "pin=x"},
		"how many are there":     {"LK-01", "--damaged", "pin=1"},
		"and JSON are about":     {"LK-01", "TW-04", "--damage", "bent"},
	} {
		if r := f.run(t, append([]string{"tool", "return"}, args...)...); r.code != exitUsage || !strings.Contains(r.err, want) {
			t.Errorf("%q: %+v", want, r)
		}
	}
}

func TestToolChangeSaysWhatFollows(t *testing.T) {
	f := newFake(t)
	r := f.run(t, "tool", "change", "LK-01", "--condition", "serviceable", "--complete")
	req := last[*bayholdv1.UpdateToolRequest](t, f)
	want := []string{"condition", "condition_note", "condition_until", "damaged", "missing"}
	if r.code != exitDone || !slices.Equal(req.GetUpdateMask().GetPaths(), want) {
		t.Errorf("%+v: %v", r, req)
	}
	r = f.run(t, "tool", "retire", "TW-04", "--reason", "head cracked", "--repair")
	ask := last[*bayholdv1.ProposeRepairRequest](t, f)
	if ask.GetOutage().GetResource() != harbour+"/tools/TW-04" || !strings.Contains(r.out, "Retired") {
		t.Errorf("%+v: %v", r, ask)
	}
	for _, args := range [][]string{{"--repair", "--output", "json"}, {"--complete", "--missing", "pin=1"}, {"--complete=false"}} {
		if r := f.run(t, append([]string{"tool", "change", "LK-01", "--condition", "lost"}, args...)...); r.code != exitUsage && args[0] != "--complete=false" {
			t.Errorf("%v: %+v", args, r)
		}
	}
}

func TestExportToAFile(t *testing.T) {
	f := newFake(t)
	path := filepath.Join(t.TempDir(), "tools.csv")
	if r := f.run(t, "tool", "export", "--format", "csv", "--to", path); r.code != exitDone || r.out != "" {
		t.Fatalf("%+v", r)
	}
	if got, err := os.ReadFile(path); err != nil || !strings.HasPrefix(string(got), "tag,type\n") {
		t.Errorf("%q, %v", got, err)
	}
	if r := f.run(t, "tool", "export", "--format", "xml"); r.code != exitUsage {
		t.Errorf("%+v", r)
	}
}
