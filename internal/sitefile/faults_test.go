package sitefile_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/sitefile"
)

var update = flag.Bool("update", false, "write the golden files anew")

// report gives the faults of files, a line each.
func report(t testing.TB, err error) string {
	t.Helper()
	f := fault.Fault(err)
	if f == nil {
		t.Fatalf("no fault: %v", err)
	}
	if f.Kind != fault.Invalid || f.Reason != "BAD_FILE" {
		t.Fatalf("%v %s: %v", f.Kind, f.Reason, err)
	}
	var b strings.Builder
	for _, field := range f.Fields {
		b.WriteString(field.Path + ": " + field.Message + "\n")
	}
	return b.String()
}

func TestEveryFaultIsTold(t *testing.T) {
	var files []sitefile.File
	for _, name := range []string{"site.yaml", "tools.yaml", "work.yaml", "broken.yaml", "empty.yaml"} {
		content, err := os.ReadFile(filepath.Join("testdata", "faulty", name))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, sitefile.File{Name: name, Content: content})
	}
	w, err := sitefile.Parse(files, sitefile.Options{Now: wednesday})
	if w != nil {
		t.Error("a workshop comes with the faults")
	}
	got := report(t, err)
	golden := filepath.Join("testdata", "faulty", "report.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("run with -update to accept (-want +got):\n%s", diff)
	}
}

func TestFaults(t *testing.T) {
	inStep := func(s string) string {
		return "procedures: [{id: p, title: P, family: four, steps: [{id: s, title: S, estimate: 5, " + s + "}]}]"
	}
	for name, tc := range map[string]struct{ yaml, want string }{
		"no map":           {"- a", "the file: this must be a map"},
		"a word":           {"bay", `the file: this must be a map, lines such as "name: value", not "bay"`},
		"only a comment":   {"# nothing", "the file is empty"},
		"not UTF-8":        {"site:\n  id: \xff", "f.yaml:2: the text is not valid UTF-8"},
		"control":          {`bays: [{id: b, name: "a\u0007b"}]`, "name: has control characters"},
		"too long":         {"bays: [{id: b, name: " + strings.Repeat("ä", 201) + "}]", "name: has 201 characters: at most 200"},
		"too many":         {"bays: [{id: b, name: B, features: [" + strings.Repeat("x, ", 1001) + "]}]", "features: has 1001 entries: at most 1000"},
		"empty entry":      {"bays: [{id: b, name: B, features: [a, ~]}]", "features[1]: is empty"},
		"another site":     {"site: {id: there, name: T, time_zone: UTC}", "id: this file is for site there, not for here"},
		"no zone":          {"site: {id: here, name: H, time_zone: Local}", `"Local" is no IANA time zone`},
		"site is a word":   {"site: here", "site: this must be a map"},
		"two sites":        {"site: {id: here, name: H, time_zone: UTC}\n---\nsite: {id: here, name: H, time_zone: UTC}", "twice: the first is at f.yaml:1"},
		"families":         {"engine_families: [five]", "engine_families[0]: this must be a map"},
		"shifts":           {"technicians: [{id: a, name: A, shifts: 08:00-12:00}]", "shifts: this must be a map"},
		"day twice":        {"technicians: [{id: a, name: A, shifts: {mon-fri: off, tue: 08:00-12:00}}]", "tue: tue stands here twice"},
		"date twice":       {"technicians: [{id: a, name: A, shifts: {2026-11-27: off, week fri: 08:00-12:00}}]", "week fri: 2026-11-27 stands here twice"},
		"date, last night": {"technicians: [{id: a, name: A, shifts: {thu: 22:00-06:00, fri: 07:00-09:00, 2026-11-27: 05:00-06:00}}]", "2026-11-27: 05:00-06:00 begins before"},
		"late year":        {"tools: [{tag: A, type: lock, calibrated_until: 2999-01-01T00:00:00Z}]", "out of range: a year from 1970 to 2500"},
		"late hour":        {"tools: [{tag: A, type: lock, calibrated_until: 2026-12-01 25:00}]", "time of day must be from 00:00 to 24:00"},
		"week of nothing":  {"tools: [{tag: A, type: lock, calibrated_until: week1 mon}]", "write week, or week+1"},
		"no range":         {"tool_types: [{id: w, name: W, purpose: TORQUE, torque: 5-x Nm}]", "is no range of torques"},
		"no torque":        {"tool_types: [{id: w, name: W, purpose: TORQUE}]", "torque: is missing: a tool of purpose TORQUE has a range"},
		"negative torque":  {"tool_types: [{id: w, name: W, purpose: TORQUE, torque: -5 Nm}]", "is no range of torques"},
		"no such torque":   {inStep("tools: [{torque: 1e9}]"), "is no torque"},
		"pieces":           {"tool_types: [{id: w, name: W, purpose: OTHER, pieces: [pin]}]", "pieces: this must be a map"},
		"a nameless piece": {`tool_types: [{id: w, name: W, purpose: OTHER, pieces: {"": 1}}]`, "a piece has a name"},
		"tool is a word":   {"tools: [A-1]", "tools[0]: this must be a map"},
		"wait":             {inStep("wait_after: soon"), "is no length of time"},
		"far too long":     {inStep("wait_after: 99999h"), "is no length of time"},
		"a number":         {inStep("checks: [{id: k, title: K, unit: mm, min: few}]"), "is no number"},
		"not a number":     {inStep("checks: [{id: k, title: K, unit: mm, max: NaN}]"), "is no number"},
		"a large number":   {inStep("checks: [{id: k, title: K, unit: mm, max: 1e12}]"), "is out of range"},
		"a large count":    {inStep("people: 21"), "people: 21 is out of range: from 1 to 20"},
		"friction":         {inStep("torque: {fasteners: 1, stages: 50 Nm, friction: 2}"), "friction: 2 is out of range"},
		"stages are a map": {inStep("torque: {fasteners: 1, stages: {a: b}}"), "stages: this must be a single value, not a map"},
		"torque is a list": {inStep("torque: [50 Nm]"), "torque: this must be a map"},
		"tool is a list":   {inStep("tools: [[lock]]"), "tools[0]: this must be a map"},
		"step is a word":   {"procedures: [{id: p, title: P, family: four, steps: [s]}]", "steps[0]: this must be a map"},
		"no steps":         {"procedures: [{id: p, title: P, family: four}]", "steps: is missing: a procedure has at least one"},
		"procedure":        {"procedures: [p]", "procedures[0]: this must be a map"},
		"preparation":      {"preparations: [{id: q, title: Q, set_up: []}]", "family: is missing"},
		"circle of preparations": {
			"preparations:\n" +
				"- {id: q, title: Q, family: four, needs: [r], set_up: [{id: a, title: A, estimate: 1}]}\n" +
				"- {id: r, title: R, family: four, needs: [q], set_up: [{id: a, title: A, estimate: 1}]}", "f.yaml:2: preparations: ",
		},
		"opposites needed at once": {
			"preparations:\n" +
				"- {id: q, title: Q, family: four, excludes: [r], set_up: [{id: a, title: A, estimate: 1}]}\n" +
				"- {id: r, title: R, family: four, set_up: [{id: a, title: A, estimate: 1}]}\n" +
				"procedures:\n- {id: p, title: P, family: four, needs: [q, r], steps: [{id: s, title: S, estimate: 1}]}",
			"f.yaml:5: procedure p: procedure p needs preparations q and r, which exclude each other",
		},
		"booking":          {"bookings: [W-1]", "bookings[0]: this must be a map"},
		"expires":          {"bookings: [{reference: W, expires: 2026-12-01, bay: bay-1, start: 2026-11-25, end: 2026-11-25}]", "goes with TENTATIVE bookings only"},
		"inside a booking": {"bookings: [{reference: V, bay: bay-1, start: 2026-11-23, end: 2026-11-29}, {reference: W, bay: bay-1, start: 2026-11-24, end: 2026-11-24}, {reference: X, bay: bay-1, start: 2026-11-26, end: 2026-11-26}]", "bay-1 is booked for V until Mon 2026-11-30 00:00 already"},
		"nothing":          {"bookings: [{reference: W}]", "claims nothing"},
		"a tool of theirs": {"bookings: [{reference: W, tools: LK-2, start: 2026-11-24, end: 2026-11-24}]", `there is no tool "LK-2": did you mean LK-1?`},
		"an unlike name":   {"bookings: [{reference: W, technicians: zacharias, start: 2026-11-24, end: 2026-11-24}]", "neither in the files nor at the site"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := read(t, tc.yaml)
			if got := report(t, err); !strings.Contains(got, tc.want) {
				t.Errorf("want %q in\n%s", tc.want, got)
			}
		})
	}
}

// Two that overlap one long booking are two faults; one that begins when it ends
// is none.
func TestEveryDoubleBookingIsTold(t *testing.T) {
	_, err := read(t, `
bookings:
  - {reference: A, bay: bay-1, start: 2026-11-23, end: 2026-11-29}
  - {reference: B, bay: bay-1, start: 2026-11-24, end: 2026-11-24}
  - {reference: C, bay: bay-1, start: 2026-11-25, end: 2026-11-25}
  - {reference: D, bay: bay-1, start: 2026-11-30, end: 2026-11-30}
`)
	if got := report(t, err); strings.Count(got, "\n") != 2 || strings.Count(got, "at f.yaml:3") != 2 {
		t.Error(got)
	}
}

func TestNoSiteIsAFault(t *testing.T) {
	_, err := sitefile.Parse([]sitefile.File{{Name: "f.yaml", Content: []byte("bays: []")}}, sitefile.Options{})
	if got := report(t, err); !strings.Contains(got, "files: no file says which site this is for") {
		t.Error(got)
	}
	_, err = sitefile.Parse(nil, sitefile.Options{Known: known()})
	if got := report(t, err); !strings.Contains(got, "there is no file to read") {
		t.Error(got)
	}
}
