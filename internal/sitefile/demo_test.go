package sitefile_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the demo's zone must be known on every machine

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
)

// wednesday is the present of these tests.
var wednesday = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

func demoFiles(t testing.TB) []sitefile.File {
	t.Helper()
	names, err := filepath.Glob("../../testdata/demo/*.yaml")
	if err != nil || len(names) == 0 {
		t.Fatalf("no demo files: %v", err)
	}
	var files []sitefile.File
	for _, name := range names {
		content, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, sitefile.File{Name: filepath.Base(name), Content: content})
	}
	return files
}

func demo(t testing.TB, now time.Time) *sitefile.Workshop {
	t.Helper()
	w, err := sitefile.Parse(demoFiles(t), sitefile.Options{Now: now})
	if err != nil {
		t.Fatalf("on %v: %v", now, err)
	}
	return w
}

func libraryOf(w *sitefile.Workshop) procedure.Library {
	lib := procedure.Library{
		Preparations: map[string]procedure.Preparation{}, Procedures: map[string]procedure.Procedure{},
		ToolTypes: map[string]site.ToolType{},
	}
	for _, p := range w.Preparations {
		lib.Preparations[p.ID] = p
	}
	for _, p := range w.Procedures {
		lib.Procedures[p.ID] = p
	}
	for _, t := range w.ToolTypes {
		lib.ToolTypes[t.ID] = t
	}
	return lib
}

func TestDemoHasWhatItsQuestionsNeed(t *testing.T) {
	w := demo(t, wednesday)
	for _, c := range []struct {
		what       string
		have, want int
	}{
		{"bays", len(w.Bays), 4}, {"technicians", len(w.Technicians), 6}, {"tools", len(w.Tools), 30},
		{"engine families", len(w.EngineFamilies), 3}, {"preparations", len(w.Preparations), 6},
		{"procedures", len(w.Procedures), 15}, {"bookings", len(w.Bookings), 10},
	} {
		if c.have < c.want {
			t.Errorf("%d %s, fewer than %d", c.have, c.what, c.want)
		}
	}
	purposes := map[site.Purpose]bool{}
	for _, tt := range w.ToolTypes {
		purposes[tt.Purpose] = true
	}
	for _, p := range site.Purposes() {
		if !purposes[p] {
			t.Errorf("no tool type of purpose %s", p)
		}
	}
}

// The demo is loaded on any day of the year: here in every fourth week, which
// takes in those of both daylight-saving changes.
func TestDemoStandsInEveryWeek(t *testing.T) {
	for day := time.Date(2026, 1, 1, 23, 30, 0, 0, time.UTC); day.Year() == 2026; day = day.AddDate(0, 0, 27) {
		demo(t, day)
	}
}

func TestDemoIsTheSameAllWeek(t *testing.T) {
	monday := demo(t, time.Date(2026, 11, 22, 23, 0, 0, 0, time.UTC)) // midnight in Amsterdam
	sunday := demo(t, time.Date(2026, 11, 29, 22, 59, 0, 0, time.UTC))
	if diff := cmp.Diff(monday, sunday); diff != "" {
		t.Errorf("-monday +sunday:\n%s", diff)
	}
}

func TestDemoMerges(t *testing.T) {
	findings, err := sitefile.Lint(demoFiles(t), sitefile.Options{Now: wednesday})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range findings {
		t.Error(f)
	}
	lib := libraryOf(demo(t, wednesday))
	for id := range lib.Procedures {
		if _, err := lib.Merge([]string{id}); err != nil {
			t.Errorf("%s: %v", id, err)
		}
	}
	work := func(ids ...string) (minutes int) {
		net, err := lib.Merge(ids)
		if err != nil {
			t.Fatalf("%v: %v", ids, err)
		}
		for _, s := range net.Steps {
			for _, c := range s.Step.Crew {
				minutes += c.People * s.Step.Estimate.Likely
			}
		}
		return minutes
	}
	belt, pump := work("velde-belt-kit"), work("velde-water-pump")
	if both := work("velde-belt-kit", "velde-water-pump"); both > (belt+pump)*2/3 {
		t.Errorf("belt kit %d and water pump %d minutes are %d together: no large saving", belt, pump, both)
	}

	net, err := lib.Merge([]string{"orlo-oil-pressure", "orlo-chain-kit"})
	if err != nil {
		t.Fatal(err)
	}
	at := func(id string) int {
		return slices.IndexFunc(net.Steps, func(s procedure.NetStep) bool { return s.ID == id })
	}
	if whole, runs := at("orlo-battery-isolated/battery-on"), at("orlo-ready-to-run/gauge-on"); whole < 0 || runs < whole {
		t.Errorf("battery on is step %d, gauge on step %d: the engine must be whole before it runs", whole, runs)
	}
	for _, h := range net.Holds {
		if h.Tool.Torque == 500 {
			for _, tt := range lib.ToolTypes {
				if fits := procedure.Fits(tt, h.Tool, "orlo-20"); fits != (tt.ID == "torque-bar") {
					t.Errorf("%s for 500 N·m: %v", tt.ID, fits)
				}
			}
		}
	}
}

// What stands in the book must be possible: people on shift, bays open, tools
// fit and in calibration to the end.
func TestDemoBookingsArePossible(t *testing.T) {
	w := demo(t, wednesday)
	zone, err := time.LoadLocation(w.Site.TimeZone)
	if err != nil {
		t.Fatal(err)
	}
	free := map[string][]hours.Range{}
	always := []hours.Range{{Start: wednesday.AddDate(0, 0, -30), End: wednesday.AddDate(0, 0, 60)}}
	shut := func(from []hours.Range, closures []site.Closure) []hours.Range {
		var closed []hours.Range
		for _, c := range closures {
			closed = append(closed, c.During)
		}
		return hours.Subtract(from, hours.Normalize(closed))
	}
	for _, b := range w.Bays {
		free[b.ID] = shut(always, b.Closures)
	}
	for _, p := range w.Technicians {
		free[p.ID] = shut(p.Shifts.Expand(zone, always[0].Start, always[0].End), p.Absences)
	}
	calibrated := map[string]bool{}
	for _, tt := range w.ToolTypes {
		calibrated[tt.ID] = tt.Calibrated
	}
	for _, tool := range w.Tools {
		free[tool.Tag] = always
		switch {
		case tool.Condition != site.Serviceable:
			free[tool.Tag] = nil
		case calibrated[tool.Type]:
			free[tool.Tag] = hours.Intersect(always, []hours.Range{{Start: always[0].Start, End: tool.CalibratedUntil}})
		}
	}
	for _, b := range w.Bookings {
		for _, c := range b.Claims {
			if !hours.Contains(free[c.Resource], c.During) {
				t.Errorf("%s claims %s from %v to %v, when it cannot be had", b.Reference, c.Resource,
					c.During.Start.In(zone), c.During.End.In(zone))
			}
		}
	}
}

// Reading the files together or one after the other, against what the site has
// by then, gives the same.
func TestDemoInParts(t *testing.T) {
	files := demoFiles(t)
	whole := demo(t, wednesday)
	order := []string{"site.yaml", "tools.yaml", "orlo.yaml", "tarn.yaml", "velde.yaml", "bookings.yaml"}
	got := &sitefile.Workshop{}
	var known sitefile.Known
	for _, name := range order {
		i := slices.IndexFunc(files, func(f sitefile.File) bool { return f.Name == name })
		w, err := sitefile.Parse(files[i:i+1], sitefile.Options{Now: wednesday, Known: known})
		if err != nil {
			t.Fatal(err)
		}
		if w.Site != nil {
			got.Site, known.Site = w.Site, w.Site
		}
		for _, b := range w.Bays {
			known.Bays = append(known.Bays, b.ID)
		}
		for _, p := range w.Technicians {
			known.Technicians = append(known.Technicians, p.ID)
		}
		for _, f := range w.EngineFamilies {
			known.EngineFamilies = append(known.EngineFamilies, f.ID)
		}
		for _, tool := range w.Tools {
			known.Tools = append(known.Tools, tool.Tag)
		}
		known.ToolTypes = append(known.ToolTypes, w.ToolTypes...)
		known.Preparations = append(known.Preparations, w.Preparations...)
		known.Procedures = append(known.Procedures, w.Procedures...)
		got.Bays, got.Technicians = append(got.Bays, w.Bays...), append(got.Technicians, w.Technicians...)
		got.EngineFamilies, got.ToolTypes = append(got.EngineFamilies, w.EngineFamilies...), append(got.ToolTypes, w.ToolTypes...)
		got.Tools, got.Preparations = append(got.Tools, w.Tools...), append(got.Preparations, w.Preparations...)
		got.Unjudged = append(got.Unjudged, w.Unjudged...)
		got.Procedures, got.Bookings = append(got.Procedures, w.Procedures...), append(got.Bookings, w.Bookings...)
	}
	if diff := cmp.Diff(whole, got); diff != "" {
		t.Errorf("-whole +parts:\n%s", diff)
	}
}

// Every torque of the demo is invented, and its files say so.
func TestDemoSaysThatItsTorquesAreInvented(t *testing.T) {
	for _, f := range demoFiles(t) {
		text := string(f.Content)
		if strings.Contains(text, "\nprocedures:") && !strings.Contains(text, "EVERY TORQUE AND ANGLE HERE IS INVENTED") {
			t.Errorf("%s has procedures and does not say that their figures are invented", f.Name)
		}
	}
}
