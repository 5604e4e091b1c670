package cli

import (
	"bytes"
	"io"
	"regexp"
	"strconv"
	"strings"

	"bayhold/internal/csvfile"
)

// csvSink takes the tables of an answer instead of a terminal. Printers write
// to it as to any other place; writeTable hands it the table itself.
type csvSink struct {
	text   bytes.Buffer // what is no table
	tables []table
	empty  bool // the answer is a list without entries
}

// Write takes text that is no table.
func (s *csvSink) Write(p []byte) (int, error) { return s.text.Write(p) }

// writeCSV writes an answer as RFC 4180 has it, the titles first: its first
// table that has titles, else the names and values that it tells as one row,
// else its text as one cell. A list without entries is nothing at all.
func (s *csvSink) writeCSV(w io.Writer) error {
	var rows [][]string
	for _, t := range s.tables {
		if !t.bare {
			rows = t.records()
			break
		}
	}
	switch {
	case rows != nil || s.empty:
	case len(s.tables) > 0:
		rows = s.facts()
	default:
		rows = [][]string{{"answer"}, {strings.TrimSpace(s.text.String())}}
	}
	return csvfile.NewWriter(w).WriteAll(rows)
}

// facts makes one row of tables of names and values.
func (s *csvSink) facts() [][]string {
	titles, values := []string{}, []string{}
	for _, t := range s.tables {
		for _, row := range t.rows {
			name, value := strings.ToLower(strings.TrimSuffix(row[0], ":")), ""
			for _, cell := range row[1:] {
				value = strings.TrimSpace(value + " " + machineCell(cell))
			}
			titles, values = append(titles, first(name, "note")), append(values, value)
		}
	}
	return [][]string{titles, values}
}

// records gives the titles of a table and its rows. What people see from the
// place of a row is written out: the section above it, and what the row above
// has in a column that says each thing once. Columns that only draw are left out.
func (t table) records() [][]string {
	t = t.without(func(i int) bool { return t.cols[i].title == "" && (t.cols[i].drop > 0 || t.empty(i)) })
	section, sections := "", false
	for _, row := range t.rows {
		sections = sections || t.isSection(row)
	}
	var titles []string
	if sections {
		titles = append(titles, "section")
	}
	for _, c := range t.cols {
		titles = append(titles, first(strings.ToLower(c.title), "note"))
	}
	out := [][]string{titles}
	above := make([]string, len(t.cols))
	for _, row := range t.rows {
		if t.isSection(row) {
			section, above = row[0], make([]string, len(t.cols))
			continue
		}
		var cells []string
		if sections {
			cells = append(cells, section)
		}
		for i, cell := range row {
			if cell == "" && t.cols[i].once {
				cell = above[i]
			}
			above[i] = cell
			cells = append(cells, machineCell(cell))
		}
		out = append(out, cells)
	}
	return out
}

// lengthCell is a length of time as people read it: see hours.
var lengthCell = regexp.MustCompile(`^(?:(\d+) h)? ?(?:(\d+) min)?$`)

// machineCell writes a length of time as ISO 8601 has it, and leaves the rest.
// Instants come from the clock, which knows that a program reads them.
func machineCell(cell string) string {
	m := lengthCell.FindStringSubmatch(cell)
	if cell == "" || m == nil || m[1] == "" && m[2] == "" {
		return plain(cell)
	}
	h, _ := strconv.Atoi(m[1])
	minutes, _ := strconv.Atoi(m[2])
	text := "PT"
	if h > 0 {
		text += strconv.Itoa(h) + "H"
	}
	if minutes > 0 || h == 0 {
		text += strconv.Itoa(minutes) + "M"
	}
	return text
}
