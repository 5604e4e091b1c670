package sitefile_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
	"bayhold/internal/torque"
)

// known is a site that small files can refer to.
func known() sitefile.Known {
	return sitefile.Known{
		Site: &site.Site{ID: "here", Name: "Here", TimeZone: "Europe/Berlin"},
		Bays: []string{"bay-1"}, Technicians: []string{"ada"}, Tools: []string{"LK-1"}, EngineFamilies: []string{"four"},
		ToolTypes: []site.ToolType{
			{ID: "lock", Purpose: site.Locking}, {ID: "gauge", Purpose: site.Angle},
			{ID: "wrench", Purpose: site.Torque, TorqueMin: 40, TorqueMax: 200},
			{ID: "small-wrench", Purpose: site.Torque, TorqueMin: 5, TorqueMax: 60},
		},
		Preparations: []procedure.Preparation{{
			ID: "cover-off", Title: "Cover off", Family: "four",
			SetUp: []procedure.Step{{ID: "off", Title: "Off", Mode: procedure.Attended, Estimate: procedure.Estimate{Low: 1, Likely: 1, High: 1}, Crew: []procedure.Crew{{People: 1}}}},
		}},
	}
}

func read(t testing.TB, yaml string) (*sitefile.Workshop, error) {
	t.Helper()
	return sitefile.Parse([]sitefile.File{{Name: "f.yaml", Content: []byte(yaml)}}, sitefile.Options{Now: wednesday, Known: known()})
}

// step reads one step of a procedure; its lines stand below "- id: s".
func step(t testing.TB, lines ...string) (procedure.Step, error) {
	t.Helper()
	text := "procedures:\n  - id: p\n    title: P\n    family: four\n    needs: [cover-off]\n    skills: [timing]\n    steps:\n" +
		"      - id: s\n        title: S\n"
	for _, l := range lines {
		text += "        " + l + "\n"
	}
	text += "      - {id: later, title: Later, estimate: 5}\n"
	w, err := read(t, text)
	if err != nil {
		return procedure.Step{}, err
	}
	s := w.Procedures[0].Steps[0]
	s.Line = 0
	return s, nil
}

func TestSteps(t *testing.T) {
	plain := procedure.Step{
		ID: "s", Title: "S", Mode: procedure.Attended, Estimate: procedure.Estimate{Low: 30, Likely: 30, High: 30},
		Crew: []procedure.Crew{{People: 1, Skills: []string{"timing"}}},
	}
	with := func(change func(*procedure.Step)) procedure.Step {
		s := plain
		change(&s)
		return s
	}
	two := 2.5
	for name, tc := range map[string]struct {
		lines []string
		want  procedure.Step
	}{
		"minutes":      {[]string{"estimate: 30"}, plain},
		"hours":        {[]string{"estimate: 1h30m"}, with(func(s *procedure.Step) { s.Estimate = procedure.Estimate{Low: 90, Likely: 90, High: 90} })},
		"three points": {[]string{"estimate: 20/45m/1h 10m"}, with(func(s *procedure.Step) { s.Estimate = procedure.Estimate{Low: 20, Likely: 45, High: 70} })},
		"unattended":   {[]string{"estimate: 30", "unattended: true"}, with(func(s *procedure.Step) { s.Mode, s.Crew = procedure.Unattended, nil })},
		"people":       {[]string{"estimate: 30", "people: 2"}, with(func(s *procedure.Step) { s.Crew = []procedure.Crew{{People: 2, Skills: []string{"timing"}}} })},
		"own skills":   {[]string{"estimate: 30", "skills: [fuel, engine]"}, with(func(s *procedure.Step) { s.Crew = []procedure.Crew{{People: 1, Skills: []string{"fuel", "engine"}}} })},
		"no skills":    {[]string{"estimate: 30", "skills: []"}, with(func(s *procedure.Step) { s.Crew = []procedure.Crew{{People: 1}} })},
		"crew":         {[]string{"estimate: 30", "crew: [{people: 1, skills: [fuel]}, {people: 2}]"}, with(func(s *procedure.Step) { s.Crew = []procedure.Crew{{People: 1, Skills: []string{"fuel"}}, {People: 2}} })},
		"flags":        {[]string{"estimate: 30", "unbroken: true", "joined_to_next: true"}, with(func(s *procedure.Step) { s.Unbroken, s.JoinedToNext = true, true })},
		"wait":         {[]string{"estimate: 30", "wait_after: 1h"}, with(func(s *procedure.Step) { s.WaitAfter = 60 })},
		"order": {[]string{"estimate: 30", "before: later", "anytime: true", "only_before: cover-off"}, with(func(s *procedure.Step) {
			s.Before, s.Anytime, s.OnlyBefore = []string{"later"}, true, []string{"cover-off"}
		})},
		"a tool": {[]string{"estimate: 30", "tools: lock"}, with(func(s *procedure.Step) { s.Tools = []procedure.ToolNeed{{Type: "lock"}} })},
		"tools": {[]string{"estimate: 30", "tools: [lock, {purpose: angle}, {torque: 120}, {torque: 50-120 Nm}, {type: lock, until: later}]"}, with(func(s *procedure.Step) {
			s.Tools = []procedure.ToolNeed{{Type: "lock"}, {Purpose: "ANGLE"}, {Torque: 120}, {Torque: 120, TorqueLow: 50}, {Type: "lock", Until: "later"}}
		})},
		"a torque": {[]string{"estimate: 30", "torque: 50 Nm"}, with(func(s *procedure.Step) {
			s.Torque = &procedure.Torque{Fasteners: 1, Stages: []procedure.Stage{{Torque: 50}}}
		})},
		"six fasteners": {[]string{"estimate: 30", "torque: 6 x 9 Nm + 90°"}, with(func(s *procedure.Step) {
			s.Torque = &procedure.Torque{Fasteners: 6, Stages: []procedure.Stage{{Torque: 9}, {Angle: 90}}}
		})},
		"a torque block": {[]string{"estimate: 30", "torque: {fasteners: 2, thread: M10x1.5, class: 10.9, single_use: true, sequence: in turn, stages: 40 N·m + 90 deg, peak: 150 Nm, tolerance: 5 %, friction: 0.1, drive: 1/2in, adapter: {extension: 50, angle: 90}}"}, with(func(s *procedure.Step) {
			s.Torque = &procedure.Torque{Fasteners: 2, Thread: "M10x1.5", Class: "10.9", SingleUse: true, Sequence: "in turn", Stages: []procedure.Stage{{Torque: 40}, {Angle: 90}}, Peak: 150, Tolerance: 0.05, Friction: 0.1, Drive: "1/2in", Adapter: &torque.Adapter{Extension: 50, Angle: 90}}
		})},
		"parts": {[]string{"estimate: 30", "parts: [{id: bolt, title: Bolt, quantity: 4, single_use: true}]"}, with(func(s *procedure.Step) {
			s.Parts = []procedure.Part{{ID: "bolt", Title: "Bolt", Quantity: 4, SingleUse: true}}
		})},
		"power": {[]string{"estimate: 30", "turns_engine: true"}, with(func(s *procedure.Step) { s.TurnsEngine = true })},
		"checks": {[]string{"estimate: 30", "hold_point: true", "checks: [{id: k, title: K}, {id: gap, title: Gap, unit: mm, max: 2.5}]"}, with(func(s *procedure.Step) {
			s.HoldPoint, s.Checks = true, []procedure.Check{{ID: "k", Title: "K"}, {ID: "gap", Title: "Gap", Unit: "mm", Max: &two}}
		})},
		"cautions": {[]string{"estimate: 30", "cautions: [{signal: warning, code: EYE, text: Goggles.}]"}, with(func(s *procedure.Step) {
			s.Cautions = []procedure.Caution{{Signal: procedure.Warning, Code: "EYE", Text: "Goggles."}}
		})},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := step(t, tc.lines...)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

// One lbf·ft is 1.355818 N·m (NIST SP 811, appendix B.8).
func TestTorquesInOtherUnits(t *testing.T) {
	w, err := read(t, "tool_types: [{id: w, name: W, purpose: TORQUE, torque: 30-150 lbf·ft, resolution: 0.5, length: 420, ratio: 5, calibrated: true}]")
	if err != nil {
		t.Fatal(err)
	}
	if got := w.ToolTypes[0]; math.Abs(got.TorqueMin-40.67454) > 1e-4 || math.Abs(got.TorqueMax-203.3727) > 1e-3 ||
		got.Resolution != 0.5 || got.Length != 420 || got.Ratio != 5 {
		t.Errorf("got %+v", got)
	}
}

func TestWhatACertificateIsJudgedBy(t *testing.T) {
	w, err := read(t, "tool_types: [{id: w, name: W, purpose: TORQUE, torque: 40-200 Nm, iso: II A, permissible: 4 %, calibrated: true}]")
	if err != nil {
		t.Fatal(err)
	}
	if got := w.ToolTypes[0]; got.ISOType != "II" || got.ISOClass != "A" || got.Permissible != 0.04 {
		t.Errorf("got %+v", got)
	}
	for keys, want := range map[string]string{
		"purpose: TORQUE, torque: 40-200 Nm, iso: III A":         `"III A" is no type and class`,
		"purpose: TORQUE, torque: 40-200 Nm, permissible: 400 %": `"400 %" is no tolerance`,
		"purpose: OTHER, torque: 2-400 Nm, iso: II A":            "iso: belongs to tools of purpose TORQUE only",
		"purpose: LOCKING, iso: II A":                            "iso: belongs to tools of purpose TORQUE only",
		"purpose: LOCKING, permissible: 4 %":                     "permissible: belongs to tools of purpose TORQUE, and to testers of purpose OTHER, not to LOCKING",
	} {
		if _, err := read(t, "tool_types: [{id: w, name: W, "+keys+"}]"); err == nil || !strings.Contains(report(t, err), want) {
			t.Errorf("%s: %v, want %q", keys, err, want)
		}
	}
}

func TestTimes(t *testing.T) {
	// The present is Wednesday 2026-11-25; Berlin is at UTC+1 in winter, +2 in
	// summer, and turns on 29 March and 25 October 2026 at 01:00 UTC.
	for _, tc := range []struct{ from, to, start, end string }{
		{"2026-11-25 08:00", "2026-11-25 12:30", "2026-11-25T07:00:00Z", "2026-11-25T11:30:00Z"},
		{"2026-11-25", "2026-11-26", "2026-11-24T23:00:00Z", "2026-11-26T23:00:00Z"},
		{"2026-11-25T08:00:00Z", "2026-11-25T10:30:00+01:00", "2026-11-25T08:00:00Z", "2026-11-25T09:30:00Z"},
		{"week mon", "week sun", "2026-11-22T23:00:00Z", "2026-11-29T23:00:00Z"},
		{"week-1 fri 16:00", "week+1 tue 08:00", "2026-11-20T15:00:00Z", "2026-12-01T07:00:00Z"},
		{"week+1  tue   08:00", "week+1 tue 24:00", "2026-12-01T07:00:00Z", "2026-12-01T23:00:00Z"},
		{"2026-03-29 02:30", "2026-03-29 08:00", "2026-03-29T01:00:00Z", "2026-03-29T06:00:00Z"},
		{"2026-10-25 02:30", "2026-10-25", "2026-10-25T00:30:00Z", "2026-10-25T23:00:00Z"},
	} {
		w, err := read(t, fmt.Sprintf("bays: [{id: b, name: B, closures: [{from: %s, to: %s, reason: R}]}]", tc.from, tc.to))
		if err != nil {
			t.Errorf("%s to %s: %v", tc.from, tc.to, err)
			continue
		}
		at := func(s string) time.Time {
			x, err := time.Parse(time.RFC3339, s)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		if diff := cmp.Diff(hours.Range{Start: at(tc.start), End: at(tc.end)}, w.Bays[0].Closures[0].During); diff != "" {
			t.Errorf("%s to %s: -want +got:\n%s", tc.from, tc.to, diff)
		}
	}
}

func TestWithoutAPresentWeeksCannotBeCounted(t *testing.T) {
	_, err := sitefile.Parse([]sitefile.File{{Name: "f.yaml", Content: []byte("bays: [{id: b, name: B, closures: [{from: week mon, to: 2026-11-30, reason: R}]}]")}},
		sitefile.Options{Known: known()})
	if got := report(t, err); !strings.Contains(got, "no present day") {
		t.Error(got)
	}
}

func TestVersionsStandSideBySide(t *testing.T) {
	w, err := read(t, `
procedures:
  - &p {id: p, title: P, family: four, steps: &steps [{id: s, title: S, estimate: 5}]}
  - {id: p, version: 2, state: draft, title: P, family: four, steps: *steps}
`)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := w.Procedures[0], w.Procedures[1]; a.Version != 1 || a.State != procedure.Issued || b.Version != 2 || b.State != procedure.Draft {
		t.Errorf("got version %d %s and %d %s", a.Version, a.State, b.Version, b.State)
	}
	_, err = read(t, `
procedures:
  - {id: p, title: P, family: four, steps: [{id: s, title: S, estimate: 5, after: gone}]}
  - {id: p, version: 2, title: P, family: four, steps: [{id: s, title: S, estimate: 5}]}
`)
	want := "f.yaml:3: procedure p, step s, after: there is no step \"gone\" here; of others write owner/step\n"
	if diff := cmp.Diff(want, report(t, err)); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// A change to one thing may break another that stands already.
func TestWhatStandsIsJudgedToo(t *testing.T) {
	k := known()
	k.Procedures = []procedure.Procedure{{
		ID: "old", Title: "Old", Family: "four", Version: 3, State: procedure.Issued, Needs: []string{"cover-off"},
		Steps: []procedure.Step{{ID: "s", Title: "S", Mode: procedure.Attended, Estimate: procedure.Estimate{Low: 1, Likely: 1, High: 1}, Crew: []procedure.Crew{{People: 1}}, After: []string{"cover-off/off"}}},
	}}
	_, err := sitefile.Parse([]sitefile.File{{Name: "f.yaml", Content: []byte(
		"preparations: [{id: cover-off, title: Cover off, family: four, set_up: [{id: gone, title: Off, estimate: 5}]}]")}},
		sitefile.Options{Now: wednesday, Known: k})
	if got := report(t, err); !strings.Contains(got, "procedure old, which stands already") {
		t.Error(got)
	}
}

func TestLint(t *testing.T) {
	files := []sitefile.File{{Name: "f.yaml", Content: []byte(`
preparations:
  - id: locked
    title: Locked
    family: four
    holds: [lock]
    set_up: [{id: in, title: In, estimate: 5, tools: [lock]}]
    put_back: [{id: out, title: Out, estimate: 5, tools: [lock]}]
procedures:
  - id: p
    title: P
    family: four
    needs: [locked]
    steps:
      - {id: s, title: S, estimate: 5, hold_point: true}
      - {id: u, title: U, estimate: no}
`)}}
	got, err := sitefile.Lint(files, sitefile.Options{Now: wednesday, Known: known()})
	if err != nil {
		t.Fatal(err)
	}
	type line struct {
		n     int
		rule  string
		fault bool
	}
	var lines []line
	for _, f := range got {
		lines = append(lines, line{f.Line, f.Rule, f.Fault})
	}
	want := []line{{10, "hand-turns", false}, {15, "hold-point", false}, {16, "file", true}}
	if diff := cmp.Diff(want, lines, cmp.AllowUnexported(line{})); diff != "" {
		t.Errorf("-want +got:\n%s\n%v", diff, got)
	}
}

func TestSiteID(t *testing.T) {
	for _, tc := range []struct{ yaml, want, fault string }{
		{"site: {id: here, name: H, time_zone: Europe/Berlin}", "here", ""},
		{"bays: []", "", ""},
		{"site: {id: , name: H}", "", ""},
		{"site: {id: NO, name: H}", "", "f.yaml:1"},
		{"site: [", "", "f.yaml:1"},
	} {
		got, err := sitefile.SiteID([]sitefile.File{{Name: "f.yaml", Content: []byte(tc.yaml)}})
		if got != tc.want || (err == nil) != (tc.fault == "") || err != nil && !strings.Contains(report(t, err), tc.fault) {
			t.Errorf("%q: %q, %v", tc.yaml, got, err)
		}
	}
	if got, err := sitefile.SiteID(demoFiles(t)); got != "quillgate" || err != nil {
		t.Errorf("demo: %q, %v", got, err)
	}
}

func TestLimits(t *testing.T) {
	files := func(texts ...string) (out []sitefile.File) {
		for i, s := range texts {
			out = append(out, sitefile.File{Name: fmt.Sprintf("f%d.yaml", i), Content: []byte(s)})
		}
		return out
	}
	bomb := "a: &a [x,x,x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c <= 'j'; c++ {
		bomb += fmt.Sprintf("%c: &%c [%s]\n", c, c, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*%c,", c-1), 10), ","))
	}
	steps := func(n int) string {
		return "[" + strings.Repeat("{id: s, title: S, estimate: 1},", n) + "]"
	}
	var wide strings.Builder
	wide.WriteString("preparations:\n- id: base\n  title: B\n  family: four\n  set_up:\n")
	for i := range 4000 {
		fmt.Fprintf(&wide, "  - {id: s%d, title: S, estimate: 1}\n", i)
	}
	wide.WriteString("procedures:\n")
	for i := range 200 {
		fmt.Fprintf(&wide, "- {id: p%d, title: P, family: four, needs: [base], steps: [{id: s, title: S, estimate: 1}]}\n", i)
	}
	for name, in := range map[string][]sitefile.File{
		"10 MB of steps":   files("procedures: [{id: p, title: P, family: four, steps: " + steps(330_000) + "}]"),
		"steps":            files("procedures: [{id: p, title: P, family: four, steps: " + steps(procedure.MaxSteps+1) + "}]"),
		"steps by aliases": files("procedures:\n- {id: p, title: P, family: four, steps: &s " + steps(4000) + "}\n" + strings.Repeat("- {id: p, title: P, family: four, steps: *s}\n", 13)),
		"alias bomb":       files(bomb),
		"alias of itself":  files("bays: &a [*a]"),
		"depth":            files("bays: " + strings.Repeat("[", 500) + strings.Repeat("]", 500)),
		"files":            files(make([]string, sitefile.MaxFiles+1)...),
		"work in all":      files(wide.String()),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := sitefile.Parse(in, sitefile.Options{Now: wednesday, Known: known()})
			if f := fault.Fault(err); f == nil || f.Kind != fault.Exhausted || f.Reason != "TOO_LARGE" {
				t.Errorf("%.300v", err)
			}
		})
	}
	// So deep that the YAML library itself gives up.
	_, err := sitefile.Parse(files("bays: "+strings.Repeat("[", 100_000)), sitefile.Options{})
	if got := report(t, err); !strings.Contains(got, "exceeded max depth") {
		t.Error(got)
	}
}

func TestManyFaultsAreCounted(t *testing.T) {
	_, err := read(t, "bays:\n"+strings.Repeat("  - {id: X, name: Y}\n", 500))
	lines := strings.Split(strings.TrimSpace(report(t, err)), "\n")
	if last := lines[len(lines)-1]; len(lines) != 101 || !strings.Contains(last, "more faults from here on") {
		t.Errorf("%d lines, the last: %s", len(lines), last)
	}
}

// Looking for the name that was meant must not cost more the more there are:
// this once took minutes.
func TestManyUnknownNamesTakeLittleTime(t *testing.T) {
	var b strings.Builder
	b.WriteString("tool_types:\n")
	for i := range 10_000 {
		fmt.Fprintf(&b, "- {id: a-tool-type-with-a-rather-long-name-%d, name: N, purpose: OTHER}\n", i)
	}
	b.WriteString("tools:\n")
	for i := range 10_000 {
		fmt.Fprintf(&b, "- {tag: T-%d, type: a-tool-type-with-a-rather-longish-name-%d}\n", i, i)
	}
	start := time.Now()
	_, err := read(t, b.String())
	if got := report(t, err); !strings.Contains(got, "9900 more faults") {
		t.Error(got[:min(len(got), 1000)])
	}
	if took := time.Since(start); took > 15*time.Second {
		t.Errorf("took %v", took)
	}
}
