package sitefile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"bayhold/internal/csvfile"
)

// Tables are CSV (RFC 4180). Without a mapping the first line names the columns
// by the fields of tables.go, engine families may stand apart by spaces, and a
// column that is no field is a fault. An empty cell says nothing; pieces are
// written "cam plate=2; pin=1".

// isCSV tells a table by the name of its file.
func isCSV(name string) bool { return strings.HasSuffix(strings.ToLower(name), ".csv") }

// The columns of tables, in the order in which they are written.
var (
	typeColumns = kindOfRows("tool_types").names()
	toolColumns = kindOfRows("tools").names()
)

// sheet is a table while it is read.
type sheet struct {
	*mapping
	r    *reader
	file string
	in   csvfile.Reader
	head []string
	row  int      // that is being read, the first being 1
	over int      // lines that cells with breaks took so far
	put  []placed // the fields that are read, with their columns
	told [2]int   // row and column of the last day that was none
}

// placed is a field with the columns that it is read from, the first being 1;
// none for a constant.
type placed struct {
	field
	columns []int
}

// table reads a table into the form that YAML of the same content has, so that
// the same rules judge both; nil if it cannot be read. A row that is none is
// noted, and the others are read all the same.
func (r *reader) table(f File) *yaml.Node {
	m, ok := r.readMapping(f)
	if !ok {
		r.broken[f.Name] = true
		return nil
	}
	content, why := m.decode(f.Content)
	if why != "" {
		r.unreadable(f.Name, 1+bytes.Count(f.Content[:max(invalidUTF8(f.Content), 0)], []byte{'\n'}), "%s", why)
		return nil
	}
	s := &sheet{mapping: m, r: r, file: f.Name}
	s.open(content)
	r.sheets[f.Name] = s
	if !s.readHead() {
		return nil
	}
	if !s.place() {
		r.broken[f.Name] = true
		return nil
	}
	rows := &yaml.Node{Kind: yaml.SequenceNode, Line: s.row}
	for {
		record, ok := s.next()
		if !ok {
			break
		}
		if row := s.readRow(record); row != nil {
			rows.Content = append(rows.Content, row)
		}
	}
	switch m.rows.section {
	case "calibrations":
		rows.Content = s.joinPoints(rows.Content)
	case "bookings":
		rows.Content = s.joinClaims(rows.Content)
	}
	return mapOf(1, plainNode(m.rows.section, 1), rows)
}

// decode turns the bytes of a table into UTF-8, or tells why it cannot.
func (m *mapping) decode(content []byte) ([]byte, string) {
	var from encoding.Encoding
	switch m.encoding {
	case "utf-16":
		from = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
	case "windows-1252":
		from = charmap.Windows1252
	case "iso-8859-1":
		from = charmap.ISO8859_1
	case "iso-8859-15":
		from = charmap.ISO8859_15
	default:
		if invalidUTF8(content) >= 0 {
			return nil, "the text is not valid UTF-8: save it as UTF-8, or say encoding: windows-1252 in its mapping"
		}
		return bytes.TrimPrefix(content, []byte("\uFEFF")), ""
	}
	out, err := from.NewDecoder().Bytes(content)
	if err != nil {
		return nil, "the text is not in " + m.encoding + ", as its mapping says"
	}
	return bytes.TrimPrefix(out, []byte("\uFEFF")), ""
}

// sepLine is what some spreadsheets write before the first row.
var sepLine = regexp.MustCompile(`^sep=(.)\r?\n`)

// open finds what stands between columns and begins to read.
func (s *sheet) open(content []byte) {
	comma := s.comma
	if g := sepLine.FindSubmatch(content); g != nil && s.given() {
		content = content[len(g[0]):]
		if comma == 0 {
			comma = rune(g[1][0])
		}
	}
	if comma == 0 {
		comma = ','
		if s.given() {
			comma = separator(content, s.header)
		}
	}
	s.in = csvfile.NewReader(content)
	if comma != '\r' && comma != '\n' && comma != '"' && comma < 0x80 {
		s.in.Comma = comma
	}
}

// separator is what stands most often in the row that names the columns.
func separator(content []byte, header int) rune {
	lines := bytes.SplitN(content, []byte{'\n'}, header+1)
	line := lines[min(header, len(lines))-1]
	best, most := ',', 0
	for _, c := range []rune{',', ';', '\t', '|'} {
		if n := bytes.Count(line, []byte(string(c))); n > most {
			best, most = c, n
		}
	}
	return best
}

// next reads a row; false at the end, or where nobody knows how it goes on.
func (s *sheet) next() ([]string, bool) {
	record, err := s.in.Read()
	switch {
	case errors.Is(err, io.EOF):
		return nil, false
	case err != nil:
		// Past a broken quote nobody knows where a row ends.
		s.r.unreadable(s.file, max(lineOfCSV(err)-s.over, 1), "this is no CSV from here on: %s", csvText(err))
		return nil, false
	}
	line, _ := s.in.FieldPos(0)
	s.row = line - s.over
	for _, cell := range record {
		s.over += strings.Count(cell, "\n")
	}
	return record, true
}

// readHead reads the row that names the columns.
func (s *sheet) readHead() bool {
	for {
		record, ok := s.next()
		if !ok {
			if s.given() && !s.r.broken[s.file] {
				s.r.unreadable(s.file, max(s.row, 1), "there is no row %d that would name the columns", s.header)
			}
			return false
		}
		if s.row < s.header {
			continue
		}
		for _, c := range record {
			s.head = append(s.head, strings.TrimSpace(c))
		}
		if len(s.head) > maxColumns {
			s.r.unreadable(s.file, s.row, "there are %d columns: at most %d", len(s.head), maxColumns)
			return false
		}
		return true
	}
}

// place finds the columns of the fields, and notes which are not found, or not
// wanted.
func (s *sheet) place() bool {
	if !s.given() {
		return s.placePlainly()
	}
	ok, used := true, map[int]bool{}
	for _, f := range s.fieldsInUse() {
		p := placed{field: f}
		for _, v := range s.columns[f.name] {
			n := s.find(v)
			if n == 0 {
				ok = false
				continue
			}
			used[n] = true
			p.columns = append(p.columns, n)
		}
		s.put = append(s.put, p)
	}
	for name, l := range s.leaveOut {
		n := s.find(value{r: s.r, file: s.mapping.file, node: plainNode(name, l.column.line()), at: l.column.at, name: "leave_out"})
		if n == 0 {
			ok = false
		}
		used[n] = true
		l.at = n
		s.leaveOut[name] = l
	}
	var unused []string
	for i, name := range s.head {
		if name != "" && !used[i+1] {
			unused = append(unused, fmt.Sprintf("%s (%s)", columnName(i+1), clip(name)))
		}
	}
	if len(unused) > 0 {
		s.r.notices = append(s.r.notices, fmt.Sprintf("%s: columns that %s does not name are left out: %s", s.file, s.mapping.file, strings.Join(unused, ", ")))
	}
	return ok
}

// find looks for the column that the mapping names; 0, and it is noted, if there
// is none.
func (s *sheet) find(v value) int {
	name, _ := v.scalar()
	name = strings.TrimSpace(name)
	if letters, ok := strings.CutPrefix(name, "="); ok {
		n := columnNumber(letters)
		if n < 1 || n > len(s.head) {
			v.fault("%s has no column %s: it ends with %s", s.file, clip(letters), columnName(len(s.head)))
			return 0
		}
		return n
	}
	var found []int
	for i, h := range s.head {
		if folded(h) == folded(name) {
			found = append(found, i+1)
		}
	}
	switch {
	case len(found) == 1:
		return found[0]
	case len(found) > 1:
		v.fault("%s has several columns %q: write =%s for the first", s.file, clip(name), columnName(found[0]))
		return 0
	}
	if hint := s.r.hint(name, s.head); hint != "" {
		v.fault("%s has no column %q: did you mean %s?", s.file, clip(name), hint)
	} else {
		v.fault("%s has no column %q in row %d: they are %s", s.file, clip(name), s.row, clipTo(strings.Join(s.head, ", "), 300))
	}
	return 0
}

// placePlainly takes the columns for the fields that they are named after.
func (s *sheet) placePlainly() bool {
	s.rows = guessRows(s.head)
	known := s.rows.names()
	ok := true
	for i, column := range s.head {
		switch {
		case slices.Contains(s.head[:i], column):
			s.r.note(s.file, s.row, "column %q stands here twice", clip(column))
			ok = false
		case slices.Contains(known, column):
			f, _ := s.rows.field(column)
			s.put = append(s.put, placed{f, []int{i + 1}})
		default:
			ok = false
			if hint := s.r.hint(column, known); hint != "" {
				s.r.note(s.file, s.row, "there is no column %q: did you mean %s?", clip(column), hint)
			} else {
				s.r.note(s.file, s.row, "there is no column %q: the columns are %s; a mapping says which column is which", clip(column), strings.Join(known, ", "))
			}
		}
	}
	return ok
}

// readRow turns a row into a map; nil for one that is none, or not wanted. Each
// value keeps its cell: Line is the row, Column the column, or less than 0 the
// line of the mapping.
func (s *sheet) readRow(record []string) *yaml.Node {
	if !slices.ContainsFunc(record, func(c string) bool { return strings.TrimSpace(c) != "" }) {
		return nil
	}
	if len(record) != len(s.head) {
		s.r.note(s.file, s.row, "the line has %d columns, and the first line names %d", len(record), len(s.head))
		return nil
	}
	for _, l := range s.leaveOut {
		if slices.Contains(l.cells, folded(record[l.at-1])) {
			return nil
		}
	}
	row := &yaml.Node{Kind: yaml.MappingNode, Line: s.row}
	for _, p := range s.put {
		key, value := s.cell(p, record)
		row.Content = append(row.Content, key, value)
	}
	return row
}

// cell reads what a row says of a field.
func (s *sheet) cell(p placed, record []string) (key, v *yaml.Node) {
	key = plainNode(p.name, s.row)
	if len(p.columns) == 0 {
		c := s.constants[p.name]
		key.Column = -c.line()
		return key, s.node(p.field, c.node.Value, key)
	}
	var parts []string
	for _, n := range p.columns {
		if text := strings.TrimSpace(record[n-1]); text != "" {
			parts = append(parts, text)
			key.Column = n
		}
	}
	if key.Column == 0 {
		key.Column = p.columns[0]
	}
	if p.is == asMoment && len(parts) > 1 && len(parts) == len(p.columns) { // it may be the day alone that is wrong
		if _, why := s.moment(parts[0]); why != "" {
			key.Column = p.columns[0]
			if at := [2]int{s.row, key.Column}; s.told != at { // start and end often share it
				s.told = at
				return key, s.node(p.field, parts[0], key)
			}
			return key, badNode(key)
		}
	}
	return key, s.node(p.field, strings.Join(parts, " "), key)
}

// node is a text as YAML of the field has it, or null if it says nothing.
func (s *sheet) node(f field, text string, at *yaml.Node) *yaml.Node {
	for _, change := range s.replace[f.name] {
		text = strings.TrimSpace(strings.ReplaceAll(text, change[0], change[1]))
	}
	if meaning, ok := s.values[f.name][folded(text)]; ok {
		text = meaning
	}
	if text == "" {
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!null", Line: at.Line, Column: at.Column}
	}
	switch f.is {
	case asNames:
		return s.several(f, text, at)
	case asPieces:
		return s.pieces(f, text, at)
	}
	out, why := s.word(f, text)
	if why != "" {
		s.r.noteAt(s.file, at, "%s: %s", s.title(f.name, at.Column), why)
		return badNode(at)
	}
	return placedNode(out, at)
}

// word reads a cell that holds one thing.
func (s *sheet) word(f field, text string) (string, string) {
	switch f.is {
	case asNumber, asList:
		return s.number(text)
	case asFlag:
		return s.flag(text)
	case asMoment:
		return s.moment(text)
	case asClock:
		return s.clock(text)
	case asDays:
		return s.days(text)
	case asHours:
		return s.hoursOf(text)
	case asName:
		if !s.given() {
			return text, ""
		}
		return s.r.named(f.noun, text)
	}
	return text, ""
}

// several reads a cell that names several things.
func (s *sheet) several(f field, text string, at *yaml.Node) *yaml.Node {
	out := &yaml.Node{Kind: yaml.SequenceNode, Line: at.Line, Column: at.Column}
	if id, _ := s.r.named(f.noun, text); s.r.exists(f.noun, id) {
		out.Content = append(out.Content, placedNode(id, at))
		return out
	}
	apart := func(c rune) bool {
		if s.lists != "" {
			return strings.ContainsRune(s.lists, c)
		}
		return c == ',' || c == ';' || c == '\n' || c == ' ' && !s.given()
	}
	for word := range strings.FieldsFuncSeq(text, apart) {
		if word = strings.TrimSpace(word); word == "" {
			continue
		}
		if meaning, ok := s.values[f.name][folded(word)]; ok {
			word = meaning
		}
		if word == "" {
			continue
		}
		id, why := word, ""
		if s.given() {
			id, why = s.r.named(f.noun, word)
		}
		if why != "" {
			s.r.noteAt(s.file, at, "%s: %s", s.title(f.name, at.Column), why)
			continue
		}
		out.Content = append(out.Content, placedNode(id, at))
	}
	return out
}

// pieces reads "cam plate=2; pin=1".
func (s *sheet) pieces(f field, text string, at *yaml.Node) *yaml.Node {
	out := &yaml.Node{Kind: yaml.MappingNode, Line: at.Line, Column: at.Column}
	for part := range strings.SplitSeq(text, ";") {
		if strings.TrimSpace(part) == "" {
			continue
		}
		name, count, ok := strings.Cut(part, "=")
		if !ok {
			s.r.noteAt(s.file, at, "%s: %q is no counted piece: write such as cam plate=2; pin=1", s.title(f.name, at.Column), clip(strings.TrimSpace(part)))
			continue
		}
		out.Content = append(out.Content, placedNode(strings.TrimSpace(name), at), placedNode(strings.TrimSpace(count), at))
	}
	return out
}

// title is what people call a field of a cell: with the name of its column,
// where that is another.
func (s *sheet) title(field string, column int) string {
	if s == nil || column < 1 || column > len(s.head) || s.head[column-1] == field || s.head[column-1] == "" {
		return field
	}
	if _, known := s.rows.field(field); !known {
		return field // within the cell, such as a piece of a set
	}
	return fmt.Sprintf("%q (%s)", clip(s.head[column-1]), field)
}

// plainNode is a text as YAML has it, never taken for anything else.
func plainNode(s string, line int) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s, Line: line}
}

func placedNode(s string, at *yaml.Node) *yaml.Node {
	n := plainNode(s, at.Line)
	n.Column = at.Column
	return n
}

// badTag marks what was told to be wrong already: it is there, and says nothing.
const badTag = "!told"

func badNode(at *yaml.Node) *yaml.Node {
	n := placedNode("", at)
	n.Tag = badTag
	return n
}

func mapOf(line int, pairs ...*yaml.Node) *yaml.Node {
	return &yaml.Node{Kind: yaml.MappingNode, Content: pairs, Line: line}
}

func lineOfCSV(err error) int {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return max(p.StartLine, 1)
	}
	return 1
}

func csvText(err error) string {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return p.Err.Error()
	}
	return err.Error()
}
