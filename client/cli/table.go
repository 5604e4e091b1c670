package cli

import (
	"fmt"
	"io"
	"strings"
	"unicode"

	"golang.org/x/text/width"
)

// column says how a column of a table behaves when room is short.
type column struct {
	title string
	// wrap lets its cells go on in the next line.
	wrap bool
	// drop, if not 0, lets it go altogether: the highest first. Such a
	// column is also left out if all its cells are empty.
	drop int
	// once says that an empty cell stands for what the row above has.
	once bool
}

// table is rows of text. Cells may hold several lines.
type table struct {
	cols  []column
	rows  [][]string
	ruled bool // a line between rows
	bare  bool // no titles
}

// add appends a row; it must have a cell for each column.
func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// section appends a line of its own above the rows that follow.
func (t *table) section(text string) { t.rows = append(t.rows, []string{text}) }

// isSection tells a section from a row; a table of one column has none.
func (t *table) isSection(row []string) bool { return len(row) == 1 && len(t.cols) > 1 }

const gap = 2 // spaces between columns

// writeTable writes a table into so many columns of text, if it can be done.
func writeTable(w io.Writer, t table, room int) {
	if sink, ok := w.(*csvSink); ok {
		sink.tables = append(sink.tables, t)
		return
	}
	t = t.without(func(i int) bool { return t.cols[i].drop > 0 && t.empty(i) })
	for {
		widths, fits := t.fit(room)
		worst := -1
		for i, c := range t.cols {
			if c.drop > 0 && (worst < 0 || c.drop > t.cols[worst].drop) {
				worst = i
			}
		}
		if fits || worst < 0 {
			t.write(w, t.squeeze(widths, room), room)
			return
		}
		t = t.without(func(i int) bool { return i == worst })
	}
}

// without gives the table without some columns.
func (t table) without(gone func(int) bool) table {
	out := table{ruled: t.ruled, bare: t.bare}
	for i, c := range t.cols {
		if !gone(i) {
			out.cols = append(out.cols, c)
		}
	}
	for _, row := range t.rows {
		var kept []string
		for i, cell := range row {
			if t.isSection(row) || !gone(i) {
				kept = append(kept, cell)
			}
		}
		out.rows = append(out.rows, kept)
	}
	return out
}

func (t table) empty(col int) bool {
	for _, row := range t.rows {
		if !t.isSection(row) && row[col] != "" {
			return false
		}
	}
	return true
}

// fit gives widths that keep words whole, and whether they fit the room.
func (t table) fit(room int) ([]int, bool) {
	widths, least := make([]int, len(t.cols)), make([]int, len(t.cols))
	for i, c := range t.cols {
		if !t.bare {
			widths[i], least[i] = textWidth(c.title), textWidth(c.title)
		}
		for _, row := range t.rows {
			if t.isSection(row) {
				continue
			}
			for line := range strings.SplitSeq(row[i], "\n") {
				widths[i] = max(widths[i], textWidth(line))
				for word := range strings.FieldsSeq(line) {
					least[i] = max(least[i], textWidth(word))
				}
			}
		}
		if !c.wrap {
			least[i] = widths[i]
		}
	}
	return t.shrink(widths, least, room), total(widths) <= room
}

// squeeze breaks words in the columns that wrap, if nothing else helps.
func (t table) squeeze(widths []int, room int) []int {
	const least = 8
	floor := make([]int, len(widths))
	for i, c := range t.cols {
		floor[i] = widths[i]
		if c.wrap {
			floor[i] = min(widths[i], least)
		}
	}
	return t.shrink(widths, floor, room)
}

// shrink takes room from the widest column that has some to give, in place.
func (t table) shrink(widths, least []int, room int) []int {
	for total(widths) > room {
		widest := -1
		for i := range widths {
			if widths[i] > least[i] && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break
		}
		widths[widest]--
	}
	return widths
}

func total(widths []int) int {
	sum := gap * (len(widths) - 1)
	for _, w := range widths {
		sum += w
	}
	return sum
}

// write writes titles and rows with these widths.
func (t table) write(w io.Writer, widths []int, room int) {
	if !t.bare {
		titles := make([]string, len(t.cols))
		for i, c := range t.cols {
			titles[i] = strings.ToUpper(c.title)
		}
		writeRow(w, titles, widths)
	}
	for _, row := range t.rows {
		if t.ruled {
			fmt.Fprintln(w, strings.Repeat("-", total(widths)))
		}
		if t.isSection(row) {
			writeText(w, row[0], room)
			continue
		}
		writeRow(w, row, widths)
	}
}

// writeRow writes one row, in as many lines as its highest cell has.
func writeRow(w io.Writer, row []string, widths []int) {
	cells, height := make([][]string, len(row)), 0
	for i, cell := range row {
		cells[i] = wrap(cell, widths[i])
		height = max(height, len(cells[i]))
	}
	for l := range height {
		var b strings.Builder
		for i, cell := range cells {
			text := ""
			if l < len(cell) {
				text = cell[l]
			}
			b.WriteString(text)
			b.WriteString(strings.Repeat(" ", max(0, widths[i]-textWidth(text))+gap))
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
}

// wrap breaks text into lines of at most so many columns, at spaces if it can.
func wrap(text string, room int) []string {
	var out []string
	for line := range strings.SplitSeq(text, "\n") {
		if textWidth(line) <= room {
			out = append(out, line)
			continue
		}
		current := ""
		for word := range strings.FieldsSeq(line) {
			for k, piece := range split(word, room) {
				joint := ""
				if current != "" && k == 0 {
					joint = " "
				}
				if current != "" && textWidth(current+joint+piece) > room {
					out, current = append(out, current), piece
				} else {
					current += joint + piece
				}
			}
		}
		out = append(out, current)
	}
	return out
}

// split cuts a word that is too long, after punctuation if it can.
func split(word string, room int) []string {
	if textWidth(word) <= room || room < 1 {
		return []string{word}
	}
	runes := []rune(word)
	cut, used := 0, 0
	for i, r := range runes {
		used += runeWidth(r)
		if used > room {
			if cut == 0 {
				cut = max(i, 1)
			}
			break
		}
		if strings.ContainsRune("-/,:=", r) {
			cut = i + 1
		}
	}
	return append([]string{string(runes[:cut])}, split(string(runes[cut:]), room)...)
}

// textWidth gives how many columns of a terminal a line takes.
func textWidth(s string) int {
	n := 0
	for _, r := range s {
		n += runeWidth(r)
	}
	return n
}

// runeWidth gives how many columns a rune takes: two for wide East Asian ones
// (Unicode Standard Annex 11), none for combining marks and control characters.
func runeWidth(r rune) int {
	switch {
	case unicode.Is(unicode.Mn, r), unicode.Is(unicode.Me, r), unicode.IsControl(r), unicode.Is(unicode.Cf, r):
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	}
	return 1
}
