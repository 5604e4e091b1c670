package board

import (
	"fmt"
	"html"
	"io"
	"math"
	"strings"

	"bayhold/internal/forecast"
	"bayhold/internal/workshop"
)

// Measures of the picture of a study, in SVG units.
const (
	studyWidth  = 760
	studyLabel  = 250 // for names, on the left
	studyFigure = 110 // for numbers, on the right
	studyRow    = 26
	studyMost   = 14 // resources shown
)

// Study draws a study: what each variant saves, with its interval, and how much
// the resources are used.
func (Sheets) Study(w io.Writer, a workshop.StudyAnswer) error {
	d := &drawing{}
	title := fmt.Sprintf("%d weeks, %d replications: vehicles wait %.1f days", a.Weeks, a.Replications, a.Base.Wait.Mean)
	if a.Base.Growing {
		title += " and more every week"
	}
	d.heading(title)
	if len(a.Variants) > 0 {
		d.heading("Waiting days saved, all jobs together (95 % interval)")
		d.savings(a.Variants)
	}
	d.heading("Share of time in use; dark: held while nobody works on the job")
	for i, u := range a.Base.Units {
		if i == studyMost {
			break
		}
		d.use(u)
	}
	_, err := io.WriteString(w, d.svg())
	return err
}

// drawing gathers the parts of a picture from the top down.
type drawing struct {
	body strings.Builder
	y    float64
}

func (d *drawing) printf(format string, args ...any) { fmt.Fprintf(&d.body, format, args...) }

func (d *drawing) heading(text string) {
	d.y += 34
	d.printf(`<text class="h" x="12" y="%.0f">%s</text>`+"\n", d.y, html.EscapeString(text))
	d.y += 10
}

// row begins a bar with its name and its figure.
func (d *drawing) row(name, figure string) {
	const longest = 36
	if r := []rune(name); len(r) > longest {
		name = string(r[:longest-1]) + "…"
	}
	d.printf(`<text x="%d" y="%.0f" text-anchor="end">%s</text>`+"\n", studyLabel-8, d.y+17, html.EscapeString(name))
	d.printf(`<text x="%d" y="%.0f">%s</text>`+"\n", studyWidth-studyFigure+8, d.y+17, html.EscapeString(figure))
}

func (d *drawing) bar(class string, from, to float64) {
	d.printf(`<rect class="%s" x="%.1f" y="%.0f" width="%.1f" height="16"/>`+"\n", class, math.Min(from, to), d.y+5, math.Abs(to-from))
}

// savings draws a bar from zero for each variant.
func (d *drawing) savings(list []forecast.Compared) {
	low, high := 0.0, 0.0
	for _, v := range list {
		low, high = math.Min(low, v.Saved.Low), math.Max(high, v.Saved.High)
	}
	if high-low < 1e-9 {
		high = low + 1
	}
	room := float64(studyWidth - studyLabel - studyFigure)
	x := func(days float64) float64 { return studyLabel + room*(days-low)/(high-low) }
	top := d.y
	for _, v := range list {
		d.row(v.Name, fmt.Sprintf("%.1f days", v.Saved.Mean))
		class := "good"
		if v.Saved.Mean < 0 {
			class = "bad"
		}
		d.bar(class, x(0), x(v.Saved.Mean))
		d.printf(`<path class="i" d="M%.1f %.0fv10m0-5H%.1fm0-5v10"/>`+"\n", x(v.Saved.Low), d.y+8, x(v.Saved.High))
		d.y += studyRow
	}
	d.printf(`<path class="i" d="M%.1f %.0fV%.0f"/>`+"\n", x(0), top, d.y)
}

// use draws how much of its time a resource is held, and held in vain.
func (d *drawing) use(u forecast.UnitUse) {
	room := float64(studyWidth - studyLabel - studyFigure)
	d.row(u.ID, fmt.Sprintf("%.0f %%", 100*u.Used.Mean))
	used := math.Min(1, u.Used.Mean)
	d.bar("free", studyLabel, studyLabel+room)
	d.bar("good", studyLabel, studyLabel+room*used)
	if b := math.Min(used, u.Blocked.Mean); b > 0 {
		d.bar("dark", studyLabel+room*(used-b), studyLabel+room*used)
	}
	d.y += studyRow
}

func (d *drawing) svg() string {
	height := d.y + 16
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%.0f" viewBox="0 0 %d %.0f" font-family="sans-serif" font-size="13">
<style>.h{font-weight:bold;font-size:14px}.good{fill:#3a7d6b}.bad{fill:#b5533c}.dark{fill:#1f443a}.free{fill:#e8e8e4}.i{stroke:#222;fill:none}</style>
<rect width="100%%" height="100%%" fill="#fff"/>
%s</svg>
`, studyWidth, height, studyWidth, height, d.body.String())
}
