package picture

import (
	"embed"
	"html/template"
	"strconv"
	"strings"
)

//go:embed picture.css shapes.svg
var layouts embed.FS

// drawing writes shapes as SVG. What people typed is escaped by the template
// where it stands.
var drawing = template.Must(template.New("").Funcs(template.FuncMap{
	"n":     number,
	"at":    func(m mark, prefix string) placed { return placed{m, prefix} },
	"style": func() template.CSS { return template.CSS(Variables() + Style()) }, // #nosec G203 -- our own, nothing typed is in it
}).ParseFS(layouts, "shapes.svg"))

// Style is the CSS by which shapes get their looks. It names colours by the
// variables of Variables alone.
func Style() string {
	css, err := layouts.ReadFile("picture.css")
	if err != nil {
		panic(err) // it is embedded
	}
	return string(css)
}

// Frame says how large a drawing is, in the units of its own, which are pixels
// where it is shown at its full width.
type Frame struct {
	Width float64
	Names float64 // of the column of names
	Type  float64 // size of what must be read from afar
	Small float64 // size of the rest
	Tall  float64 // height of a bar in a tall band
	Thin  float64 // height of another one
	// Above puts names above their rows instead of beside them: on a narrow page.
	Above bool
	// Heading writes the title above the drawing.
	Heading bool
	// Prefix keeps the ids of several drawings on one page apart.
	Prefix string
	// Links makes a bar lead to the place on the page that says the same in
	// words: the element with its ID.
	Links bool
}

// shape is a mark on paper: a box, a line, a text or a path.
type shape struct {
	Kind       string // "box", "line", "text", "path"
	Class      string
	X, Y, W, H float64 // a line goes from X, Y to W, H
	Round      float64
	Size       float64
	Anchor     string // "start", "middle", "end"
	Text       string
	Path       string
	Fill       string // the id of a pattern; empty: what Class says
}

// mark is shapes that are one thing, with its sentence.
type mark struct {
	ID     string // of the drawing's link; empty: no link
	Says   string
	Shapes []shape
}

// placed is a mark in a drawing whose patterns have a prefix.
type placed struct {
	mark
	Prefix string
}

// sketch is a drawing ready to be written.
type sketch struct {
	Title, About string
	Prefix       string
	W, H         float64
	Alone        bool // with its own style
	Marks        []mark
}

// SVG draws a chart as an element for a page that carries Variables and Style.
func (c Chart) SVG(f Frame) (template.HTML, error) {
	var b strings.Builder
	err := drawing.ExecuteTemplate(&b, "svg", c.sketch(f))
	return template.HTML(b.String()), err // #nosec G203 -- written by the template above
}

// File draws a chart as an SVG file that stands by itself.
func (c Chart) File(f Frame) (string, error) {
	f.Links = false
	s := c.sketch(f)
	s.Alone = true
	var b strings.Builder
	err := drawing.ExecuteTemplate(&b, "svg", s)
	return `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + b.String(), err
}

// number writes a length without noise.
func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// tenth rounds a length to a tenth of a unit.
func tenth(x float64) float64 {
	r, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'f', 1, 64), 64)
	return r
}

// Signs by how wide they are in the widest of the common sans-serif faces, in
// parts of the size.
const (
	slim   = "iIjl|!'.,:; "
	narrow = "rtf()[]/-\""
	broad  = "mwMWQO@%—…◆"
)

// bolder is how much wider a bold face is.
const bolder = 1.13

// advance estimates how wide a text is at a size, on the safe side.
func advance(s string, size float64) float64 {
	sum := 0.0
	for _, r := range s {
		switch {
		case Width(string(r)) == 0:
		case Width(string(r)) == 2:
			sum += 1.05
		case strings.ContainsRune(slim, r):
			sum += 0.34
		case strings.ContainsRune(narrow, r):
			sum += 0.44
		case strings.ContainsRune(broad, r):
			sum += 1
		case r >= 'A' && r <= 'Z':
			sum += 0.7
		default:
			sum += 0.63
		}
	}
	return sum * size
}

// advanceBold estimates it for a bold face.
func advanceBold(s string, size float64) float64 { return bolder * advance(s, size) }

// fit shortens a text to a width at a size; empty if nothing sensible is left.
func fit(s string, size, room float64) string {
	if advance(s, size) <= room {
		return s
	}
	runes := []rune(s)
	for n := len(runes) - 1; n >= 3; n-- {
		if head := strings.TrimRight(string(runes[:n]), " ,;:-") + "…"; advance(head, size) <= room {
			return head
		}
	}
	return ""
}
