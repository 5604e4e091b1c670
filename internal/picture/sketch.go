package picture

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bayhold/internal/hours"
)

// Distances of a sketch, in its own units.
const (
	gap     = 8.0 // between rows
	inset   = 7.0 // of a text from the edge of its bar
	ribbon  = 9.0 // the foot of a tall bar
	head    = 7.0 // the head of a thin bar
	minType = 13.0
	least   = 11.0 // of a text on a bar
)

// drawer lays a chart out.
type drawer struct {
	chart Chart
	frame Frame
	y     float64
	top   float64 // where the days begin, below the heading
	marks []mark
	used  map[Look]bool
	pins  bool
}

func (c Chart) sketch(f Frame) sketch {
	d := &drawer{chart: c, frame: f, used: map[Look]bool{}}
	if f.Heading {
		d.heading(c.Title, c.About)
	}
	top := d.head()
	for _, b := range c.Bands {
		d.band(b)
	}
	bottom := d.y
	behind := append([]mark{d.ground(top, bottom)}, d.now(top, bottom)...)
	d.legend()
	return sketch{
		Title: c.Title, About: c.About, Prefix: f.Prefix, W: f.Width, H: tenth(d.y + 2),
		Marks: append(behind, d.marks...),
	}
}

// x is where a place on the axis lies.
func (d *drawer) x(at float64) float64 {
	return tenth(d.frame.Names + at*(d.frame.Width-d.frame.Names-1))
}

func (d *drawer) length() float64 { return d.frame.Width - d.frame.Names - 1 }

func (d *drawer) add(shapes ...shape) { d.marks = append(d.marks, mark{Shapes: shapes}) }

func words(class string, x, y, size float64, anchor, s string) shape {
	return shape{Kind: "text", Class: class, X: tenth(x), Y: tenth(y), Size: tenth(size), Anchor: anchor, Text: s}
}

func box(class string, x, y, w, h float64) shape {
	return shape{Kind: "box", Class: class, X: tenth(x), Y: tenth(y), W: tenth(max(w, 0)), H: tenth(h)}
}

// heading writes what the drawing shows above it.
func (d *drawer) heading(title, about string) {
	size := d.frame.Type
	d.add(words("ink bold", 0, size, size, "start", fit(title, size, d.frame.Width/bolder)),
		words("quiet", 0, size+d.frame.Small*1.5, d.frame.Small, "start", fit(about, d.frame.Small, d.frame.Width)))
	d.top = size + d.frame.Small*2.5
	d.y = d.top
}

// head writes the days and their hours, and gives where the rows begin.
func (d *drawer) head() float64 {
	size := d.frame.Type * 0.72
	today := hours.DateOf(d.chart.Now, d.chart.Axis.Zone)
	for _, day := range d.chart.Axis.Days() {
		x, w := d.x(day.From), d.x(day.To)-d.x(day.From)
		name := ""
		for _, layout := range []string{"Mon 02 Jan", "Mon 02", "Mon", "02"} {
			if name = day.Start.In(d.chart.Axis.Zone).Format(layout); advanceBold(name, size)+inset <= w {
				break
			}
			name = ""
		}
		if name == "" && w > 1 {
			name = fit(day.Start.In(d.chart.Axis.Zone).Format("Mon"), minType, w)
			if name != "" {
				d.add(words("quiet", x+w/2, d.top+size, minType, "middle", name))
			}
			continue
		}
		if !d.chart.Now.IsZero() && day.Date == today {
			d.add(box("today", x+1, d.top, w-2, size*1.4), words("on-today bold", x+w/2, d.top+size*1.02, size, "middle", name))
			continue
		}
		class := "ink"
		if !day.Open {
			class = "quiet"
		}
		d.add(words(class, x+w/2, d.top+size*1.02, size, "middle", name))
	}
	y := d.top + size*1.4 + d.frame.Small
	for _, t := range d.chart.Axis.hourMarks(d.length(), d.frame.Small*2.6) {
		d.add(words("quiet", d.x(d.chart.Axis.At(t)), y, d.frame.Small*0.85, "middle", fmt.Sprint(t.In(d.chart.Axis.Zone).Hour())))
	}
	d.y = y + 6
	return d.y
}

// ground is what lies behind everything: the closed hours, and a rule at each
// day's begin.
func (d *drawer) ground(top, bottom float64) mark {
	var m mark
	for _, p := range d.chart.Axis.parts {
		if !p.open {
			m.Shapes = append(m.Shapes, box("night", d.x(p.from), top, d.x(p.to)-d.x(p.from), bottom-top))
		}
	}
	for _, day := range d.chart.Axis.Days() {
		m.Shapes = append(m.Shapes, shape{Kind: "line", Class: "rule", X: d.x(day.From), Y: tenth(top), W: d.x(day.From), H: tenth(bottom)})
	}
	return m
}

// now draws the present as a line with its time at the foot. It lies behind the
// bars, whose words it must not cross.
func (d *drawer) now(top, bottom float64) []mark {
	n := d.chart.Now
	if n.IsZero() || !d.chart.Axis.During.Has(n) {
		return nil
	}
	x := d.x(d.chart.Axis.At(n))
	word := n.In(d.chart.Axis.Zone).Format("15:04")
	size := d.frame.Small * 1.15
	w := advanceBold(word, size) + 2*inset
	at := min(max(x-w/2, d.frame.Names), d.frame.Width-w-1)
	d.y = bottom + 4 + size*1.5
	return []mark{{Says: "Now: " + d.chart.Axis.Clock(n), Shapes: []shape{
		{Kind: "line", Class: "now", X: x, Y: tenth(top), W: x, H: tenth(bottom + 4)},
		{Kind: "path", Class: "now-head", Path: fmt.Sprintf("M%s %sl-8 -10h16z", number(x), number(tenth(top+9)))},
		box("today", at, bottom+4, w, size*1.5),
		words("on-today bold", at+w/2, bottom+4+size*1.1, size, "middle", word),
	}}}
}

func (d *drawer) band(b Band) {
	if b.Title != "" {
		d.y += d.frame.Small + 5
		d.add(shape{Kind: "line", Class: "band", X: 0, Y: tenth(d.y + 4), W: d.frame.Width, H: tenth(d.y + 4)},
			words("quiet bold", 0, d.y, d.frame.Small, "start", strings.ToUpper(b.Title)))
		d.y += gap + 4
	}
	for _, r := range b.Rows {
		d.row(r, b.Tall)
	}
}

func (d *drawer) row(r Row, tall bool) {
	height := d.frame.Thin
	if tall {
		height = d.frame.Tall
	}
	rows := lanes(d.chart.Axis.shown(r.Bars))
	pitch := height + 3
	if d.frame.Above {
		d.nameAbove(r, tall)
	} else {
		d.name(r, tall, height)
	}
	for _, b := range d.chart.Axis.shown(r.Back) {
		d.back(b, r.Bars, height*float64(len(rows))+3*float64(len(rows)-1))
	}
	for i, lane := range rows {
		for j, b := range lane {
			end := d.frame.Width
			if j+1 < len(lane) {
				end = d.x(d.chart.Axis.At(lane[j+1].During.Start))
			}
			d.bar(b, tall, d.y+float64(i)*pitch, height, end)
		}
	}
	foot := d.y + pitch*float64(len(rows)) - 3
	d.y = d.stick(r.Pins, r.Bars, d.y, foot) + gap
	if !tall {
		d.y -= gap - 4
	}
}

func (d *drawer) name(r Row, tall bool, height float64) {
	room := d.frame.Names - inset
	size := height * 0.72
	if tall {
		size = min(d.frame.Type*0.94, height*0.6)
	}
	for size > d.frame.Small && advanceBold(r.Name, size) > room {
		size--
	}
	y := d.y + height/2 + size*0.36
	if tall && r.Note != "" {
		y = d.y + size*0.9
	}
	m := mark{Says: r.Name, Shapes: []shape{words("ink bold", 0, y, size, "start", fit(r.Name, size, room/bolder))}}
	if r.Note != "" {
		m.Says += ": " + r.Note
		small := d.frame.Small * 0.95
		if tall {
			for i, l := range wrapped(r.Note, small, room, min(2, int((height+4-size*0.9)/(small*1.2)))) {
				m.Shapes = append(m.Shapes, words("quiet", 0, y+4+small*1.2*float64(i+1), small, "start", l))
			}
		} else if used := advanceBold(r.Name, size) + inset; used+20 < room {
			if note := fit(r.Note, small, room-used); note != "" {
				m.Shapes = append(m.Shapes, words("quiet", used, y, small, "start", note))
			}
		}
	}
	d.marks = append(d.marks, m)
}

// nameAbove writes the name of a row in a line above it.
func (d *drawer) nameAbove(r Row, tall bool) {
	size := d.frame.Small * 1.15
	if tall {
		size = d.frame.Type * 0.8
	}
	name := fit(r.Name, size, d.frame.Width/bolder)
	m := mark{Says: r.Name, Shapes: []shape{words("ink bold", 0, d.y+size, size, "start", name)}}
	used := advanceBold(name, size) + inset
	if note := fit(r.Note, d.frame.Small, d.frame.Width-used); note != "" {
		m.Says += ": " + r.Note
		m.Shapes = append(m.Shapes, words("quiet", used, d.y+size, d.frame.Small, "start", note))
	}
	d.marks = append(d.marks, m)
	d.y += size + 5
}

// wrapped parts a text into at most so many lines of a width.
func wrapped(s string, size, room float64, most int) []string {
	if most < 1 {
		return nil
	}
	var out []string
	line := ""
	all := strings.Fields(s)
	for i, w := range all {
		next := strings.TrimSpace(line + " " + w)
		if line == "" || advance(next, size) <= room {
			line = next
			continue
		}
		if len(out) == most-1 {
			line = strings.Join(append([]string{line}, all[i:]...), " ")
			break
		}
		out, line = append(out, line), w
	}
	if line = fit(line, size, room); line != "" {
		out = append(out, line)
	}
	return out
}

// back draws what lies behind the bars of a row. Its words stand where no bar
// covers them, if there is such a place.
func (d *drawer) back(b Bar, bars []Bar, height float64) {
	seen := b.During.Intersect(d.chart.Axis.During)
	x, end := d.x(d.chart.Axis.At(seen.Start)), d.x(d.chart.Axis.At(seen.End))
	d.used[b.Look] = true
	m := mark{Says: b.Says, Shapes: []shape{box("ground "+string(b.Look), x, d.y, end-x, height)}}
	if b.Look == Shut {
		s := box("pattern", x, d.y, end-x, height)
		s.Fill = string(Shut)
		m.Shapes = append(m.Shapes, s)
	}
	if b.Text != "" && height >= d.frame.Small {
		from, room := d.free(x, end, bars)
		size := d.frame.Small
		if label := fit(b.Text, size, room-2*inset); label != "" {
			m.Shapes = append(m.Shapes, box("ground shut", from+inset-3, d.y+height/2-size*0.75, advance(label, size)+6, size*1.4),
				words("on-shut", from+inset, d.y+height/2+size*0.32, size, "start", label))
		}
	}
	d.marks = append(d.marks, m)
}

// free is the widest place between x and end that no bar covers.
func (d *drawer) free(x, end float64, bars []Bar) (from, room float64) {
	at := x
	for _, b := range slices.SortedFunc(slices.Values(bars), func(a, b Bar) int { return a.During.Start.Compare(b.During.Start) }) {
		start := min(d.x(d.chart.Axis.At(b.During.Start)), end)
		if start-at > room {
			from, room = at, start-at
		}
		at = max(at, d.x(d.chart.Axis.At(b.During.End)))
	}
	if end-at > room {
		from, room = at, end-at
	}
	return from, room
}

// bar draws a bar; what does not fit on it stands beside it up to end.
func (d *drawer) bar(b Bar, tall bool, y, height, end float64) {
	d.used[b.Look] = true
	seen := b.During.Intersect(d.chart.Axis.During)
	x, to := d.x(d.chart.Axis.At(seen.Start)), d.x(d.chart.Axis.At(seen.End))
	w := max(to-x, 3)
	m := mark{ID: b.ID, Says: b.Says}
	if !d.frame.Links {
		m.ID = ""
	}
	m.Shapes = append(m.Shapes, shape{Kind: "box", Class: "bar " + string(b.Look), X: x, Y: tenth(y), W: tenth(w), H: tenth(height), Round: 3})
	if tall {
		m.Shapes = append(m.Shapes, d.ribbon(b, seen, x, y, w, height)...)
	} else {
		s := box("pattern "+string(b.Look), x, y, min(head, w), height)
		s.Fill = string(b.Look)
		m.Shapes = append(m.Shapes, s)
	}
	m.Shapes = append(m.Shapes, d.torn(b, seen, x, x+w, y, height)...)
	m.Shapes = append(m.Shapes, d.label(b, tall, x, y, w, height, end)...)
	d.marks = append(d.marks, m)
}

// ribbon is the foot of a tall bar: filled where work is done, else empty. Its
// pattern is that of the look.
func (d *drawer) ribbon(b Bar, seen hours.Range, x, y, w, height float64) []shape {
	worked := hours.Intersect(hours.Normalize(b.Worked), []hours.Range{seen})
	if len(b.Worked) == 0 {
		worked = []hours.Range{seen}
	}
	var out []shape
	for _, r := range worked {
		from := d.x(d.chart.Axis.At(r.Start))
		s := box("pattern "+string(b.Look), from, y+height-ribbon, min(max(d.x(d.chart.Axis.At(r.End))-from, 1.5), x+w-from), ribbon)
		s.Fill = string(b.Look)
		out = append(out, s)
	}
	return out
}

// torn shows that a bar goes on beyond the axis: an arrow's head at that end.
func (d *drawer) torn(b Bar, seen hours.Range, from, to, y, height float64) []shape {
	var out []shape
	mid := y + height/2
	if b.During.Start.Before(seen.Start) {
		out = append(out, shape{Kind: "path", Class: "torn " + string(b.Look),
			Path: fmt.Sprintf("M%s %sl-6 6l6 6z", number(tenth(from)), number(tenth(mid-6)))})
	}
	if b.During.End.After(seen.End) {
		out = append(out, shape{Kind: "path", Class: "torn " + string(b.Look),
			Path: fmt.Sprintf("M%s %sl6 6l-6 6z", number(tenth(to-6)), number(tenth(mid-6)))})
	}
	return out
}

// label writes what a bar says: on it, as large as there is room for, or beside
// it where it can be larger there.
func (d *drawer) label(b Bar, tall bool, x, y, w, height, end float64) []shape {
	if b.Text == "" {
		return nil
	}
	full, lead, foot := height*0.66, head+4, 0.0
	if tall {
		full, lead, foot = min(d.frame.Type, (height-ribbon)*0.58), inset, ribbon
	}
	room := w - lead - 4
	size := min(full, full*room/advanceBold(b.Text, full)*0.99)
	class, at, left := "on-"+string(b.Look)+" ", x+lead, room
	if outside := end - x - w - 8; size < full*0.7 {
		if larger := min(full, full*outside/advanceBold(b.Text, full)*0.99); larger > size*1.15 {
			size, class, at, left = larger, "ink ", x+w+5, outside
		}
	}
	size = max(size, min(least, full))
	word := fit(b.Text, size, left/bolder)
	if word == "" {
		return nil
	}
	if !tall || b.Note == "" {
		return []shape{words(class+"bold", at, y+(height-foot)/2+size*0.36, size, "start", word)}
	}
	base := y + size*0.95
	out := []shape{words(class+"bold", at, base, size, "start", word)}
	small := d.frame.Small
	rest := int((height - foot - size*1.1) / (small * 1.15))
	for line := range strings.SplitSeq(b.Note, "\n") {
		for _, l := range wrapped(line, small, left, rest) {
			base += small * 1.15
			rest--
			out = append(out, words(strings.TrimSpace(class), at, base, small, "start", l))
		}
	}
	return out
}

// stick draws the pins of a row and gives where the row ends: their words have a
// line of their own below it.
func (d *drawer) stick(pins []Pin, bars []Bar, top, foot float64) float64 {
	size := d.frame.Small
	used, below := d.frame.Names, foot
	for _, p := range pins {
		if !d.chart.Axis.During.Has(p.At) && !p.At.Equal(d.chart.Axis.During.End) {
			continue
		}
		d.pins = true
		x := d.x(d.chart.Axis.At(p.At))
		class := "pin"
		if p.Missed {
			class = "pin missed"
		}
		from := top
		if slices.ContainsFunc(bars, func(b Bar) bool { return b.During.Has(p.At) }) {
			from = foot - ribbon // it must not cross the words on a bar
		}
		m := mark{Says: p.Says, Shapes: []shape{
			{Kind: "line", Class: class, X: x, Y: tenth(from), W: x, H: tenth(foot + 4)},
			{Kind: "path", Class: class, Path: fmt.Sprintf("M%s %sl6 6l-6 6l-6 -6z", number(x), number(tenth(foot+1)))},
		}}
		word := p.Text
		at, anchor := x+9, "start"
		if w := advance(word, size); at+w > d.frame.Width {
			at, anchor = x-9, "end"
			if at-w < used {
				word = ""
			}
		} else if at < used {
			word = ""
		}
		if word != "" {
			m.Shapes = append(m.Shapes, words(cmp.Or(map[bool]string{true: "amiss-text bold"}[p.Missed], "ink"), at, foot+1+size*0.85, size, anchor, word))
			used = x + 9 + advance(word, size) + 6
		}
		below = foot + size + 2
		d.marks = append(d.marks, m)
	}
	return below
}

// legend tells the looks that were used, in a line below.
func (d *drawer) legend() {
	size := d.frame.Small
	d.y += size * 1.6
	x := 0.0
	if d.frame.Width > 2*d.frame.Names+300 {
		x = d.frame.Names
	}
	left := x
	for _, l := range Looks() {
		if !d.used[l] || l == Spare {
			continue
		}
		word := Meaning(l)
		if x+30+advance(word, size) > d.frame.Width {
			x = left
			d.y += size * 1.6
		}
		s := box("pattern "+string(l), x, d.y-ribbon+1, 24, ribbon)
		s.Fill = string(l)
		d.add(box("bar "+string(l), x, d.y-size, 24, size+2), s, words("quiet", x+30, d.y, size, "start", word))
		x += 30 + advance(word, size) + 18
	}
	if d.pins {
		word := "promised"
		if x+20+advance(word, size) > d.frame.Width {
			x = left
			d.y += size * 1.6
		}
		d.add(shape{Kind: "path", Class: "pin", Path: fmt.Sprintf("M%s %sl6 6l-6 6l-6 -6z", number(tenth(x+8)), number(tenth(d.y-11)))},
			words("quiet", x+20, d.y, size, "start", word))
	}
	d.y += 6
}
