package picture

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bayhold/internal/hours"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s: run with -update to accept (-want +got):\n%s", name, diff)
	}
}

// monday is midnight of a Monday, UTC.
var monday = time.Date(2031, 5, 12, 0, 0, 0, 0, time.UTC)

func during(day, hour, toDay, toHour int) hours.Range {
	return hours.Range{
		Start: monday.AddDate(0, 0, day).Add(time.Duration(hour) * time.Hour),
		End:   monday.AddDate(0, 0, toDay).Add(time.Duration(toHour) * time.Hour),
	}
}

func week() Axis {
	var open []hours.Range
	for d := range 5 {
		open = append(open, during(d, 8, d, 17))
	}
	return NewAxis(during(0, 0, 7, 0), time.UTC, open)
}

func sample() Chart {
	return Chart{
		Title: "A week", About: "Two bays.", Axis: week(), Now: during(2, 11, 2, 12).Start,
		Bands: []Band{
			{Title: "Bays", Tall: true, Rows: []Row{
				{Name: "bay-1", Note: "two-post lift", Bars: []Bar{
					{ID: "job-1", During: during(0, 8, 1, 12), Look: Stands, Text: "W-1", Note: "Orlo, chain", Says: "W-1 in bay 1", Worked: []hours.Range{during(0, 8, 0, 12)}},
					{ID: "job-2", During: during(1, 13, 3, 17), Look: Amiss, Text: "W-2", Note: "late", Says: "W-2 in bay 1, late"},
				}, Pins: []Pin{{At: during(2, 17, 3, 0).Start, Text: "Wed 17:00", Missed: true, Says: "W-2 is promised for Wed 17:00"}}},
				{Name: "bay-2", Bars: []Bar{{During: during(3, 10, 9, 10), Look: Open, Text: "W-3 & <sons>?", Says: "W-3, tentative"}},
					Back: []Bar{{During: during(0, 8, 1, 17), Look: Shut, Text: "floor", Says: "closed: floor"}}},
			}},
			{Title: "Tools", Rows: []Row{{Name: "LS-1", Bars: []Bar{
				{During: during(0, 9, 1, 9), Look: Stands, Text: "bay-1"}, {During: during(0, 10, 0, 11), Look: Was, Text: "before"},
				{During: during(4, 9, 4, 9).Intersect(during(4, 9, 4, 10)), Look: Spare},
			}}}},
		},
	}
}

func TestPicturesAreAsTheyWere(t *testing.T) {
	t.Parallel()
	golden(t, "chart.txt", sample().Text(Print{Columns: 80}))
	golden(t, "chart-ascii.txt", sample().Text(Print{Columns: 60, ASCII: true}))
	svg, err := sample().File(Frame{Width: 1000, Names: 150, Type: 30, Small: 14, Tall: 70, Thin: 28})
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "chart.svg", svg)
}

// wellFormed reads the whole of an XML document.
func wellFormed(s string) error {
	for d := xml.NewDecoder(strings.NewReader(s)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func TestAnyChartCanBeDrawn(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("aZ0 -<>&\"'é漢…\u0301?")))
		c := Chart{Title: text.Draw(t, "title"), About: text.Draw(t, "about"), Axis: week()}
		if rapid.Bool().Draw(t, "now") {
			c.Now = monday.Add(time.Duration(rapid.IntRange(-100, 300).Draw(t, "hours")) * time.Hour)
		}
		for range rapid.IntRange(0, 3).Draw(t, "bands") {
			b := Band{Title: text.Draw(t, "band"), Tall: rapid.Bool().Draw(t, "tall")}
			for range rapid.IntRange(0, 4).Draw(t, "rows") {
				r := Row{Name: text.Draw(t, "name"), Note: text.Draw(t, "note")}
				for range rapid.IntRange(0, 5).Draw(t, "bars") {
					from := monday.Add(time.Duration(rapid.IntRange(-50, 200).Draw(t, "from")) * time.Hour)
					bar := Bar{
						During: hours.Range{Start: from, End: from.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "long")) * time.Hour)},
						Look:   rapid.SampledFrom(Looks()).Draw(t, "look"), Text: text.Draw(t, "text"), Note: text.Draw(t, "small"), Says: text.Draw(t, "says"),
					}
					if rapid.Bool().Draw(t, "behind") {
						r.Back = append(r.Back, bar)
					} else {
						r.Bars = append(r.Bars, bar)
					}
					r.Pins = append(r.Pins, Pin{At: bar.During.End, Text: bar.Text, Missed: bar.Look == Amiss})
				}
				b.Rows = append(b.Rows, r)
			}
			c.Bands = append(c.Bands, b)
		}
		columns := rapid.IntRange(0, 120).Draw(t, "columns")
		for _, ascii := range []bool{false, true} {
			for line := range strings.Lines(c.Text(Print{Columns: columns, ASCII: ascii})) {
				line = strings.TrimSuffix(line, "\n")
				if n := Width(line); n > max(columns, 40) {
					t.Fatalf("%d columns of %d: %q", n, columns, line)
				}
				for _, r := range line {
					if ascii && r >= 0x80 {
						t.Fatalf("%q is not ASCII", line)
					}
				}
			}
		}
		svg, err := c.File(Frame{Width: 800, Names: 120, Type: 26, Small: 13, Tall: 60, Thin: 24})
		if err != nil {
			t.Fatal(err)
		}
		if err := wellFormed(svg); err != nil {
			t.Fatalf("%v\n%s", err, svg)
		}
	})
}

// TestEveryLookHasAShapeOfItsOwn holds that colour is never needed.
func TestEveryLookHasAShapeOfItsOwn(t *testing.T) {
	t.Parallel()
	for _, set := range []map[Look]strokes{drawn, drawnASCII} {
		seen := map[rune]Look{}
		for _, l := range Looks() {
			s, ok := set[l]
			if !ok {
				t.Errorf("%s is drawn with nothing", l)
			}
			if other, taken := seen[s.fill]; taken {
				t.Errorf("%s and %s are filled alike", l, other)
			}
			seen[s.fill] = l
		}
	}
	for _, l := range Looks() {
		if meanings[l] == "" {
			t.Errorf("%s has no meaning", l)
		}
	}
	svg, err := sample().File(Frame{Width: 800, Names: 120, Type: 26, Small: 13, Tall: 60, Thin: 24})
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range Looks() {
		if !strings.Contains(svg, `<pattern id="`+string(l)+`"`) {
			t.Errorf("%s has no pattern", l)
		}
	}
}
