package board

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"bayhold/internal/forecast"
	"bayhold/internal/workshop"
)

func between(mean, low, high float64) forecast.Measure {
	return forecast.Measure{Mean: mean, Low: low, High: high}
}

// drawn draws a study and reads it as XML.
func drawn(t *testing.T, a workshop.StudyAnswer) string {
	t.Helper()
	var b strings.Builder
	if err := (Sheets{}).Study(&b, a); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(strings.NewReader(b.String()))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return b.String()
		} else if err != nil {
			t.Fatalf("%v in\n%s", err, b.String())
		}
	}
}

func TestStudyPicture(t *testing.T) {
	t.Parallel()
	a := workshop.StudyAnswer{Study: &forecast.Study{Weeks: 26, Replications: 40, Base: forecast.Summary{
		Wait: between(2.4, 2, 2.8),
		Units: []forecast.UnitUse{
			{ID: "LK-01", Kind: forecast.Tool, Used: between(0.8, 0.7, 0.9), Blocked: between(0.2, 0.1, 0.3)},
			{ID: "anna", Kind: forecast.Person, Used: between(0.5, 0.4, 0.6)},
		},
	}}}
	bare := drawn(t, a)
	if strings.Contains(bare, "saved") || !strings.Contains(bare, "80 %") || strings.Count(bare, `class="bar shut"`) != 2 {
		t.Errorf("without variants:\n%s", bare)
	}
	for _, want := range []string{"<title", "Vehicles wait 2.4 days", "<desc", "played 40 times over", "LK-01: in use for 80 % of the time; for 20 % held"} {
		if !strings.Contains(bare, want) {
			t.Errorf("no %s in\n%s", want, bare)
		}
	}
	a.Variants = []forecast.Compared{
		{Variant: forecast.Variant{Name: `one more <"LK-01"> & a name that is far too long to stand`}, Saved: between(100, 80, 120)},
		{Variant: forecast.Variant{Name: "longer"}, Saved: between(4, -4, 12)},
		{Variant: forecast.Variant{Name: "away"}, Saved: between(-50, -70, -30)},
	}
	full := drawn(t, a)
	for _, want := range []string{
		"100.0 days", "-50.0 days", "&lt;&#34;LK-01&#34;&gt; &amp;", "…", "between -70.0 and -30.0",
		`class="bar stands" x="`, `class="bar open" x="`, `class="bar amiss" x="`,
	} {
		if !strings.Contains(full, want) {
			t.Errorf("no %s in\n%s", want, full)
		}
	}
	// The first bar is twice as long as the last: 708 units for 190 days.
	if !strings.Contains(full, `width="372.6"`) || !strings.Contains(full, `width="186.3"`) {
		t.Errorf("bars are not to scale:\n%s", full)
	}
	a.Variants = a.Variants[:1]
	a.Variants[0].Saved = between(0, 0, 0)
	drawn(t, a)
}
