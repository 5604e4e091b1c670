package picture

import (
	"fmt"
	"html/template"
	"strings"
)

// Shares is rows of shares, from nothing to all, one for each column.
type Shares struct {
	Title   string
	About   string   // one sentence for those who do not see it
	Columns []string // "23 Nov"
	Bands   []ShareBand
}

// ShareBand is rows that belong together.
type ShareBand struct {
	Title string
	Rows  []ShareRow
}

// ShareRow is a thing with its share in each column.
type ShareRow struct {
	Name, Note string
	Values     []float64 // 0 to 1; below 0: there is none to tell
}

// tight is the share from which a bar is drawn as one without room.
const tight = 0.9

// levels are the heights of a bar in one column of text.
var (
	levels      = []rune("▁▂▃▄▅▆▇█")
	levelsASCII = []rune(".:-=+*#@")
)

// percent writes a share: "62%".
func percent(v float64) string {
	if v < 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f%%", v*100)
}

// level is the height of a share, from 0 to 7.
func level(v float64) int { return min(max(int(v*8), 0), 7) }

// shareColumns is how many columns of text one share takes, the gap included.
const shareColumns = 8

// Text writes the shares in lines of at most so many columns. What does not fit
// beside each other stands below.
func (s Shares) Text(p Print) string {
	p.Columns = max(p.Columns, 40)
	name := 4
	for _, b := range s.Bands {
		for _, r := range b.Rows {
			name = max(name, Width(r.Name))
		}
	}
	name = min(name, p.Columns/3)
	abreast := max((p.Columns-name-1)/shareColumns, 1)
	var out strings.Builder
	for from := 0; from < max(len(s.Columns), 1); from += abreast {
		to := min(from+abreast, len(s.Columns))
		if from > 0 {
			out.WriteString("\n")
		}
		s.block(&out, p, name, from, to)
	}
	full := "█"
	if p.ASCII {
		full = "@"
	}
	out.WriteString("\nShare of the hours that could be booked; " + full + " is 87.5 % or more.\n")
	return Plain(out.String(), p.ASCII)
}

func (s Shares) block(out *strings.Builder, p Print, name, from, to int) {
	signs := levels
	if p.ASCII {
		signs = levelsASCII
	}
	write := func(head, rest string) {
		head = Cut(head, name)
		out.WriteString(strings.TrimRight(head+strings.Repeat(" ", name-Width(head)+1)+rest, " ") + "\n")
	}
	var heads strings.Builder
	for _, c := range s.Columns[from:to] {
		c = Cut(c, shareColumns-1)
		heads.WriteString(c + strings.Repeat(" ", shareColumns-Width(c)))
	}
	write("", heads.String())
	for _, b := range s.Bands {
		out.WriteString("\n" + Cut(b.Title, p.Columns) + "\n")
		for _, r := range b.Rows {
			var cells strings.Builder
			for _, v := range r.Values[min(from, len(r.Values)):min(to, len(r.Values))] {
				sign := " "
				if v > 0 {
					sign = string(signs[level(v)])
				}
				fmt.Fprintf(&cells, "%s %-*s", sign, shareColumns-2, percent(v))
			}
			write(r.Name, cells.String())
		}
	}
}

// File draws the shares as an SVG file that stands by itself.
func (s Shares) File(f Frame) (string, error) {
	sk := s.sketch(f)
	sk.Alone = true
	var b strings.Builder
	err := drawing.ExecuteTemplate(&b, "svg", sk)
	return `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + b.String(), err
}

// SVG draws the shares as an element for a page that carries Variables and Style.
func (s Shares) SVG(f Frame) (template.HTML, error) {
	var b strings.Builder
	err := drawing.ExecuteTemplate(&b, "svg", s.sketch(f))
	return template.HTML(b.String()), err // #nosec G203 -- written by the template above
}

func (s Shares) sketch(f Frame) sketch {
	d := &drawer{frame: f, used: map[Look]bool{}}
	step := (f.Width - f.Names) / float64(max(len(s.Columns), 1))
	if f.Heading {
		d.heading(s.Title, s.About)
	}
	d.y += f.Small * 1.4
	for i, c := range s.Columns {
		d.add(words("ink", f.Names+step*(float64(i)+0.5), d.y, f.Small, "middle", fit(c, f.Small, step-4)))
	}
	d.y += gap
	for _, b := range s.Bands {
		d.y += f.Small * 1.6
		d.add(shape{Kind: "line", Class: "band", X: 0, Y: tenth(d.y + 4), W: f.Width, H: tenth(d.y + 4)},
			words("quiet bold", 0, d.y, f.Small, "start", strings.ToUpper(b.Title)))
		d.y += gap + 4
		for _, r := range b.Rows {
			d.shares(r, s.Columns, step)
		}
	}
	return sketch{Title: s.Title, About: s.About, Prefix: f.Prefix, W: f.Width, H: tenth(d.y + 4), Marks: d.marks}
}

// shares draws a row: a bar for each column, its share written above it.
func (d *drawer) shares(r ShareRow, columns []string, step float64) {
	height, size := d.frame.Tall, d.frame.Small
	name := d.frame.Type * 0.6
	for name > size && advanceBold(r.Name, name) > d.frame.Names-inset {
		name--
	}
	foot := d.y + height
	d.add(words("ink bold", 0, foot-size*1.2, name, "start", fit(r.Name, name, (d.frame.Names-inset)/bolder)),
		words("quiet", 0, foot, size*0.95, "start", fit(r.Note, size*0.95, d.frame.Names-inset)),
		shape{Kind: "line", Class: "rule", X: d.frame.Names, Y: tenth(foot), W: d.frame.Width, H: tenth(foot)})
	for i, v := range r.Values[:min(len(r.Values), len(columns))] {
		x := d.frame.Names + step*float64(i)
		w := min(step-6, 64)
		x += (step - w) / 2
		tall := max(min(v, 1), 0) * (height - size*1.3)
		look := Stands
		if v >= tight {
			look = Amiss
		}
		m := mark{Says: r.Name + ", " + columns[i] + ": " + percent(v)}
		if tall > 0 {
			s := box("pattern", x, foot-tall, w, tall)
			s.Fill = string(look)
			m.Shapes = append(m.Shapes, box("bar "+string(look), x, foot-tall, w, tall))
			if look == Amiss {
				m.Shapes = append(m.Shapes, s)
			}
		}
		m.Shapes = append(m.Shapes, words("ink", x+w/2, foot-tall-4, size, "middle", percent(v)))
		d.marks = append(d.marks, m)
	}
	d.y = foot + gap*1.5
}
