package picture

import (
	"math"
	"strconv"
	"strings"
)

// Bars is groups of bars that lie along a scale of numbers.
type Bars struct {
	Title  string
	About  string // one sentence for those who do not see it
	Groups []BarGroup
}

// BarGroup is bars on one scale.
type BarGroup struct {
	Title string
	Unit  string // of the scale: "days", "%"
	// Full is drawn faintly behind each bar, from 0; 0: nothing is.
	Full float64
	Rows []BarRow
	Key  []KeyLook // what the looks stand for
}

// KeyLook says what a look stands for.
type KeyLook struct {
	Look Look
	Text string
}

// BarRow is one thing: parts of its bar, one after the other or from 0 to a side.
type BarRow struct {
	Name, Figure string
	Parts        []BarPart
	// Low and High are an interval about the end of the bar; both 0: there is none.
	Low, High float64
	Says      string // the whole in one sentence
}

// BarPart is a stretch of a bar.
type BarPart struct {
	From, To float64
	Look     Look
}

// span is the range of a group's scale, and how far apart its marks are.
func (g BarGroup) span() (low, high, step float64) {
	high = g.Full
	for _, r := range g.Rows {
		low, high = min(low, r.Low), max(high, r.High)
		for _, p := range r.Parts {
			low, high = min(low, p.From, p.To), max(high, p.From, p.To)
		}
	}
	if high-low < 1e-9 {
		high = low + 1
	}
	// Some five marks, at round numbers.
	step = math.Pow(10, math.Floor(math.Log10((high-low)/5)))
	for _, k := range []float64{2, 5, 10} {
		if (high-low)/step > 7 {
			step = k * math.Pow(10, math.Floor(math.Log10((high-low)/5)))
		}
	}
	return low, high, step
}

// File draws the bars as an SVG file that stands by itself.
func (b Bars) File(f Frame) (string, error) {
	sk := b.sketch(f)
	sk.Alone = true
	var out strings.Builder
	err := drawing.ExecuteTemplate(&out, "svg", sk)
	return `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + out.String(), err
}

func (b Bars) sketch(f Frame) sketch {
	d := &drawer{frame: f, used: map[Look]bool{}}
	if f.Heading {
		d.heading(b.Title, b.About)
	}
	for _, g := range b.Groups {
		d.group(g)
	}
	return sketch{Title: b.Title, About: b.About, Prefix: f.Prefix, W: f.Width, H: tenth(d.y + 4), Marks: d.marks}
}

// figures is the share of a drawing's width that is kept for figures on the right.
const figures = 0.16

// group draws a scale, its bars and their key.
func (d *drawer) group(g BarGroup) {
	small := d.frame.Small
	d.y += small * 1.6
	d.add(shape{Kind: "line", Class: "band", X: 0, Y: tenth(d.y + 4), W: d.frame.Width, H: tenth(d.y + 4)},
		words("ink bold", 0, d.y, small, "start", fit(g.Title, small, d.frame.Width/bolder)))
	low, high, step := g.span()
	left, right := d.frame.Names, d.frame.Width*(1-figures)
	x := func(v float64) float64 { return left + (right-left)*(v-low)/(high-low) }
	d.y += small * 1.9
	top := d.y + 4
	bottom := top + gap/2 + float64(len(g.Rows))*(d.frame.Thin+gap)
	for k := int(math.Ceil(low/step - 1e-9)); float64(k)*step <= high+1e-9*step; k++ {
		at, class := float64(k)*step, "rule"
		if k == 0 {
			class = "band"
		}
		d.add(words("quiet", x(at), d.y, small*0.9, "middle", strconv.FormatFloat(at, 'g', 6, 64)),
			shape{Kind: "line", Class: class, X: tenth(x(at)), Y: tenth(top), W: tenth(x(at)), H: tenth(bottom)})
	}
	d.add(words("quiet", d.frame.Width, d.y, small*0.9, "end", g.Unit))
	d.y = top + gap
	for _, r := range g.Rows {
		d.barRow(g, r, x)
	}
	d.key(g.Key)
}

// barRow draws a row.
func (d *drawer) barRow(g BarGroup, r BarRow, x func(float64) float64) {
	small, height := d.frame.Small, d.frame.Thin
	base := d.y + height/2 + small*0.36
	m := mark{Says: r.Says}
	if g.Full > 0 {
		m.Shapes = append(m.Shapes, box("bar spare", x(0), d.y, x(g.Full)-x(0), height))
	}
	for _, p := range r.Parts {
		from, to := x(min(p.From, p.To)), x(max(p.From, p.To))
		if to-from < 0.05 {
			continue
		}
		m.Shapes = append(m.Shapes, box("bar "+string(p.Look), from, d.y, to-from, height))
		if p.Look != Stands {
			s := box("pattern", from, d.y, to-from, height)
			s.Fill = string(p.Look)
			m.Shapes = append(m.Shapes, s)
		}
	}
	if r.Low != 0 || r.High != 0 {
		mid := d.y + height/2
		line := func(x1, y1, x2, y2 float64) shape {
			return shape{Kind: "line", Class: "now", X: tenth(x1), Y: tenth(y1), W: tenth(x2), H: tenth(y2)}
		}
		m.Shapes = append(m.Shapes, line(x(r.Low), mid, x(r.High), mid),
			line(x(r.Low), mid-6, x(r.Low), mid+6), line(x(r.High), mid-6, x(r.High), mid+6))
	}
	m.Shapes = append(m.Shapes, words("ink", 0, base, small, "start", fit(r.Name, small, d.frame.Names-inset*2)),
		words("ink bold", d.frame.Width, base, small, "end", fit(r.Figure, small, d.frame.Width*figures/bolder-inset)))
	d.marks = append(d.marks, m)
	d.y += height + gap
}

// key says what the looks stand for, in lines.
func (d *drawer) key(list []KeyLook) {
	small := d.frame.Small
	x := d.frame.Names
	d.y += small * 0.6
	for _, k := range list {
		room := small*1.6 + inset + advance(k.Text, small*0.95) + small*1.5
		if x > d.frame.Names && x+room > d.frame.Width {
			x, d.y = d.frame.Names, d.y+small*1.6
		}
		s := box("pattern", x, d.y-small*0.1, small*1.6, small)
		s.Fill = string(k.Look)
		d.add(box("bar "+string(k.Look), x, d.y-small*0.1, small*1.6, small))
		if k.Look != Stands {
			d.add(s)
		}
		d.add(words("quiet", x+small*1.6+inset, d.y+small*0.78, small*0.95, "start", k.Text))
		x += room
	}
	if len(list) > 0 {
		d.y += small * 1.6
	}
}
