package picture

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"bayhold/internal/hours"
)

// Print says how text is laid out.
type Print struct {
	Columns int  // at the most; less than 40 counts as 40
	ASCII   bool // nothing but ASCII
}

// strokes are the signs that a look is drawn with: its start, what fills it, its
// end, and all of it where it takes one column.
type strokes struct{ start, fill, end, single rune }

var drawn = map[Look]strokes{
	Stands: {'┣', '━', '┫', '┃'},
	Open:   {'┠', '┄', '┨', '┆'},
	Amiss:  {'▐', '▒', '▌', '█'},
	Shut:   {'░', '░', '░', '░'},
	Spare:  {'·', '·', '·', '·'},
	Was:    {'├', '╌', '┤', '╎'},
}

var drawnASCII = map[Look]strokes{
	Stands: {'[', '=', ']', '#'},
	Open:   {'<', '-', '>', '?'},
	Amiss:  {'{', 'x', '}', 'X'},
	Shut:   {'/', '/', '/', '/'},
	Spare:  {'.', '.', '.', '.'},
	Was:    {'(', '~', ')', ':'},
}

// Signs that are not a bar's.
const (
	nowSign, nowASCII   = '│', '|'
	nowHead             = '▼'
	pinSign, pinASCII   = '◆', '*'
	missSign, missASCII = '◈', '!'
)

func (p Print) strokes(l Look) strokes {
	if p.ASCII {
		return drawnASCII[l]
	}
	return drawn[l]
}

func (p Print) sign(unicode, ascii rune) rune {
	if p.ASCII {
		return ascii
	}
	return unicode
}

// Text draws a chart in lines of at most so many columns.
func (c Chart) Text(p Print) string {
	if len(c.Bands) == 0 {
		return Plain(strings.Join(Wrap(c.About, max(p.Columns, 40)), "\n")+"\n", p.ASCII)
	}
	t := printing{chart: c, print: p, name: c.nameColumns()}
	p.Columns = max(p.Columns, 40)
	t.print.Columns = p.Columns
	t.name = min(t.name, p.Columns/3)
	t.room = p.Columns - t.name - 1
	t.heads()
	for _, b := range c.Bands {
		t.band(b)
	}
	t.legend()
	return Plain(t.out.String(), p.ASCII)
}

// Plain puts a question mark for what is not ASCII, if only that may be shown.
func Plain(s string, ascii bool) string {
	if !ascii {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r < 0x80:
			return r
		case r == '\u00a0':
			return ' '
		case r == '…':
			return '~'
		case r == '–' || r == '—' || r == '·':
			return '-'
		case Width(string(r)) == 0:
			return -1
		}
		return '?'
	}, s)
}

// printing is a chart that is being written.
type printing struct {
	chart Chart
	print Print
	name  int // columns of the names
	room  int // columns of the axis
	out   strings.Builder
	used  map[Look]bool
	pins  map[bool]bool
}

func (c Chart) nameColumns() int {
	n := 4
	for _, b := range c.Bands {
		for _, r := range b.Rows {
			n = max(n, Width(r.Name))
			if b.Tall {
				n = max(n, min(Width(r.Note), 16))
			}
		}
	}
	return n
}

// line is a row of signs on the axis.
type line []rune

func (t *printing) blank() line {
	l := make(line, t.room)
	for i := range l {
		l[i] = ' '
	}
	return l
}

// put writes a word from a column on, if it fits there whole and over nothing
// but blanks when it must not cover anything.
func (l line) put(at int, word string, over bool) bool {
	if at < 0 || at+Width(word) > len(l) {
		return false
	}
	if !over {
		for _, r := range l[at : at+Width(word)] {
			if r != ' ' {
				return false
			}
		}
	}
	for _, r := range word {
		wide := Width(string(r))
		if wide == 0 {
			continue // a mark on the sign before: a column holds one sign
		}
		l.set(at, r)
		if wide > 1 {
			l.set(at+1, taken)
		}
		at += wide
	}
	return true
}

// taken is the second column of a wide sign.
const taken = -1

// set puts a sign on a column, and leaves no half of a wide one beside it.
func (l line) set(at int, r rune) {
	if l[at] == taken && r != taken {
		l[at-1] = ' '
	}
	l[at] = r
	if at+1 < len(l) && l[at+1] == taken {
		l[at+1] = ' '
	}
}

func (t *printing) write(name string, l line) {
	var axis strings.Builder
	for _, r := range l {
		if r >= 0 {
			axis.WriteRune(r)
		}
	}
	head := Cut(name, t.name)
	head += strings.Repeat(" ", t.name-Width(head)+1)
	t.out.WriteString(strings.TrimRight(head+axis.String(), " ") + "\n")
}

// Cut shortens a text to so many columns; what is left out is shown by an
// ellipsis.
func Cut(s string, most int) string {
	if Width(s) <= most {
		return s
	}
	if most < 1 {
		return ""
	}
	head, _ := cut(s, most-1)
	return head + "…"
}

// heads writes the days, and where now is.
func (t *printing) heads() {
	l := t.blank()
	for _, d := range t.chart.Axis.Days() {
		at, end := t.column(d.From), t.column(d.To)
		name := dayName(d.Start.In(t.chart.Axis.Zone), end-at)
		if name != "" {
			l.put(at, name, false)
		}
	}
	t.write("", l)
	if n := t.chart.Now; !n.IsZero() && t.chart.Axis.During.Has(n) {
		l := t.blank()
		at := t.column(t.chart.Axis.At(n))
		word := "now " + n.In(t.chart.Axis.Zone).Format("15:04")
		if !l.put(at+2, word, true) {
			l.put(at-1-len(word), word, true)
		}
		l.set(at, t.print.sign(nowHead, 'v'))
		t.write("", l)
	}
}

// dayName is the longest name of a day that fits: "Mon 23 Nov", "Mon 23", "23".
// In little room only Mondays are named.
func dayName(day time.Time, columns int) string {
	switch {
	case columns > 10:
		return day.Format("Mon 02 Jan")
	case columns > 6:
		return day.Format("Mon 02")
	case columns > 3:
		return day.Format("Mon")
	case day.Weekday() == time.Monday:
		return day.Format("02 Jan")
	}
	return ""
}

// column is where a place on the axis lies.
func (t *printing) column(x float64) int { return min(int(x*float64(t.room)), t.room-1) }

func (t *printing) band(b Band) {
	if b.Title != "" {
		t.out.WriteString("\n" + Cut(b.Title, t.print.Columns) + "\n")
	}
	for _, r := range b.Rows {
		t.row(r, b.Tall)
	}
}

func (t *printing) row(r Row, tall bool) {
	for i, lane := range lanes(t.chart.Axis.shown(r.Bars)) {
		l, below, pinned := t.blank(), t.blank(), t.blank()
		back := t.chart.Axis.shown(r.Back)
		for _, b := range back {
			label := b
			label.Text = ""
			t.draw(l, label)
		}
		for _, b := range lane {
			at, end := t.draw(l, b)
			if b.Note != "" && tall {
				first, _, _ := strings.Cut(b.Note, "\n")
				below.put(at+1, Cut(first, end-at-1), false)
			}
		}
		for _, b := range back {
			t.label(l, b)
		}
		t.beside(l, lane)
		t.now(l)
		name, note := r.Name, ""
		if tall {
			note = r.Note
		}
		if i > 0 {
			name, note = "", ""
		} else {
			t.stick(l, pinned, r.Pins)
		}
		t.write(name, l)
		if tall && (note != "" || !below.empty()) {
			t.now(below)
			t.write(note, below)
		}
		if !pinned.empty() {
			t.now(pinned)
			t.write("", pinned)
		}
	}
}

func (l line) empty() bool { return strings.Trim(string(l), " ") == "" }

// label writes the text of what lies behind, where most of it shows.
func (t *printing) label(l line, b Bar) {
	fill := t.print.strokes(b.Look).fill
	at, room := 0, 0
	for i := 0; i < len(l); i++ {
		n := 0
		for i+n < len(l) && l[i+n] == fill {
			n++
		}
		if n > room {
			at, room = i, n
		}
		i += n
	}
	if b.Text != "" && room >= min(6, Width(b.Text)+2) {
		l.put(at+1, Cut(b.Text, room-2), true)
	}
}

// now marks the present where nothing else stands.
func (t *printing) now(l line) {
	n := t.chart.Now
	if n.IsZero() || !t.chart.Axis.During.Has(n) {
		return
	}
	at := t.column(t.chart.Axis.At(n))
	for i := max(at-1, 0); i < min(at+2, len(l)); i++ {
		if l[i] != ' ' {
			return
		}
	}
	l.set(at, t.print.sign(nowSign, nowASCII))
}

// draw draws a bar and gives its first and last column.
func (t *printing) draw(l line, b Bar) (from, to int) {
	if t.used == nil {
		t.used = map[Look]bool{}
	}
	t.used[b.Look] = true
	s := t.print.strokes(b.Look)
	seen := b.During.Intersect(t.chart.Axis.During)
	from = t.column(t.chart.Axis.At(seen.Start))
	to = max(int(t.chart.Axis.At(seen.End)*float64(t.room)+0.5)-1, from)
	for i := from; i <= to; i++ {
		l.set(i, s.fill)
	}
	if from == to {
		l.set(from, s.single)
	} else {
		if !b.During.Start.Before(seen.Start) {
			l.set(from, s.start)
		}
		if !b.During.End.After(seen.End) {
			l.set(to, s.end)
		}
	}
	if room := to - from - 1; b.Text != "" && fitsOn(b, room) {
		l.put(from+1, Cut(b.Text, room), true)
	}
	return from, to
}

// fitsOn tells whether a bar has room for its text, or for enough of it.
func fitsOn(b Bar, room int) bool { return Width(b.Text) <= room || room >= 4 }

// beside writes the texts that found no room on their bars behind them, where
// nothing else stands.
func (t *printing) beside(l line, bars []Bar) {
	for _, b := range bars {
		seen := b.During.Intersect(t.chart.Axis.During)
		from := t.column(t.chart.Axis.At(seen.Start))
		to := max(int(t.chart.Axis.At(seen.End)*float64(t.room)+0.5)-1, from)
		if b.Text != "" && !fitsOn(b, to-from-1) {
			l.put(to+1, b.Text, false)
		}
	}
}

// stick sets pins: the sign beside the bar where that is free, the words below.
func (t *printing) stick(l, below line, pins []Pin) {
	for _, p := range pins {
		if !t.chart.Axis.During.Has(p.At) && !p.At.Equal(t.chart.Axis.During.End) {
			continue
		}
		if t.pins == nil {
			t.pins = map[bool]bool{}
		}
		t.pins[p.Missed] = true
		sign := t.print.sign(pinSign, pinASCII)
		if p.Missed {
			sign = t.print.sign(missSign, missASCII)
		}
		at := t.column(t.chart.Axis.At(p.At))
		l.set(at, sign)
		if p.Text == "" {
			continue
		}
		word := p.Text
		if !below.put(at, word, false) && !below.put(at+1-Width(word), word, false) {
			below.put(len(below)-Width(word), word, false)
		}
	}
}

// legend tells what the signs mean that were used.
func (t *printing) legend() {
	var parts []string
	for _, l := range Looks() {
		if t.used[l] {
			s := t.print.strokes(l)
			parts = append(parts, string([]rune{s.start, s.fill, s.end})+" "+Meaning(l))
		}
	}
	if t.pins[false] {
		parts = append(parts, string(t.print.sign(pinSign, pinASCII))+" promised")
	}
	if t.pins[true] {
		parts = append(parts, string(t.print.sign(missSign, missASCII))+" promise that is not kept")
	}
	if len(parts) == 0 {
		return
	}
	t.out.WriteString("\n")
	for _, l := range Wrap(strings.Join(joinEach(parts), "   "), t.print.Columns) {
		t.out.WriteString(l + "\n")
	}
}

// joinEach keeps the words of each part on one line.
func joinEach(parts []string) []string {
	out := make([]string, 0, len(parts))
	for _, p := range parts {
		out = append(out, strings.ReplaceAll(p, " ", "\u00a0"))
	}
	return out
}

// meanings say what a look stands for.
var meanings = map[Look]string{
	Stands: "stands", Open: "not settled", Amiss: "late or in the way", Shut: "cannot be had", Spare: "there to be had", Was: "before",
}

// Meaning says what a look stands for, for a legend.
func Meaning(l Look) string { return cmp.Or(meanings[l], string(l)) }

// Clock writes an instant for people: "Mon 02 Nov 15:04".
func (a Axis) Clock(t time.Time) string { return t.In(a.Zone).Format("Mon 02 Jan 15:04") }

// Spell writes a range for people, the day said once if it is one day.
func (a Axis) Spell(r hours.Range) string {
	if hours.DateOf(r.Start, a.Zone) == hours.DateOf(r.End, a.Zone) {
		return a.Clock(r.Start) + "-" + r.End.In(a.Zone).Format("15:04")
	}
	return fmt.Sprintf("%s to %s", a.Clock(r.Start), a.Clock(r.End))
}
