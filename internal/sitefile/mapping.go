package sitefile

import (
	"bytes"
	"errors"
	"io"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// mapping says how a table is to be read:
//
//	rows: bookings               # tools, tool_types, calibrations, shifts or bookings
//	separator: ";"               # of columns: "," ";" or tab; found by itself if left out
//	encoding: windows-1252       # utf-8 if left out, or utf-16
//	header: 3                    # the row that names the columns; 1 if left out
//	dates: DD.MM.YYYY            # YYYY-MM-DD if left out
//	times: H.MM                  # H:MM if left out, or HHMM
//	decimal: ","                 # "." if left out
//	lists: "/"                   # between several in one cell; "," and ";" if left out
//	columns:                     # field: the column that has it
//	  reference: Order
//	  start: [Day, from]         # two columns, joined by a space
//	  bay: =C                    # the third column, whatever its name
//	constants: {state: CONFIRMED}      # what no column says
//	values: {bay: {Lift 1: bay-1}}     # what a word in a cell means
//	replace: {tools: [{" ": "-"}]}     # in every cell of a field, in this order
//	leave_out: {Status: [scrapped]}    # rows that are not wanted
type mapping struct {
	file      string // of the mapping; empty without one
	rows      *rowKind
	comma     rune // 0: to be found
	encoding  string
	header    int
	dates     *datePattern
	times     string
	decimal   string
	lists     string
	columns   map[string][]value
	constants map[string]value
	values    map[string]map[string]string
	replace   map[string][][2]string
	leaveOut  map[string]leave
}

// leave is a column, and the cells by which a row is left out.
type leave struct {
	column value
	at     int // its number, the first being 1
	cells  []string
}

// given tells whether somebody wrote the mapping.
func (m *mapping) given() bool { return m.file != "" }

const maxColumns = 1_000

// readMapping reads the mapping of a table. What is wrong with it is noted; it
// reports false then. A table without one has the plain mapping.
func (r *reader) readMapping(f File) (*mapping, bool) {
	m := &mapping{header: 1, times: "H:MM", decimal: "."}
	if f.Mapping == nil {
		return m, true
	}
	m.file = f.Mapping.Name
	before := len(r.found)
	if invalidUTF8(f.Mapping.Content) >= 0 {
		r.note(m.file, 1, "the mapping is not valid UTF-8")
		return m, false
	}
	n, err := decode(yaml.NewDecoder(bytes.NewReader(f.Mapping.Content)))
	if errors.Is(err, io.EOF) {
		r.note(m.file, 1, "the mapping is empty: write rows: and columns:")
		return m, false
	}
	if err != nil {
		line, text := syntax(err)
		r.note(m.file, line, "this is no YAML from about here on: %s", text)
		return m, false
	}
	nodes := 0
	if err := measure(m.file, n, 0, &nodes); err != nil {
		r.note(m.file, 1, "%s", message(err))
		return m, false
	}
	top := resolve(n)
	if top == nil {
		top = n
	}
	o, ok := value{r: r, file: m.file, node: top, at: top, name: "the mapping"}.object(
		"rows", "separator", "encoding", "header", "dates", "times", "decimal", "lists", "columns", "constants", "values", "replace", "leave_out")
	if !ok {
		return m, false
	}
	m.readForms(o)
	if rows := o.need("rows", "write one of "+strings.Join(sectionNames(), ", ")); rows.present() {
		m.rows = kindOfRows(choice(rows, sectionNames()))
	}
	if m.rows != nil {
		m.readColumns(o)
	}
	return m, len(r.found) == before
}

// readForms reads how the cells are written.
func (m *mapping) readForms(o object) {
	switch sep, _ := o.get("separator").scalar(); {
	case sep == "":
	case sep == "tab" || sep == "\t":
		m.comma = '\t'
	case sep == "," || sep == ";" || sep == "|":
		m.comma = rune(sep[0])
	default:
		o.get("separator").fault("%q stands between no columns: write \",\", \";\", \"|\" or tab", clip(sep))
	}
	if v := o.get("encoding"); v.present() {
		m.encoding = choice(v, []string{"utf-8", "utf-16", "windows-1252", "iso-8859-1", "iso-8859-15"})
	}
	if v := o.get("header"); v.present() {
		m.header = v.integer(1, 1000)
	}
	if v := o.get("dates"); v.present() {
		text, _ := v.scalar()
		var why string
		if m.dates, why = newDatePattern(text); why != "" {
			v.fault("%q %s: write such as DD.MM.YYYY or M/D/YYYY", clip(text), why)
		}
	}
	if v := o.get("times"); v.present() {
		m.times = choice(v, []string{"H:MM", "H.MM", "HHMM"})
	}
	if v := o.get("decimal"); v.present() {
		m.decimal = choice(v, []string{".", ","})
	}
	if v := o.get("lists"); v.present() {
		m.lists = v.text(4)
	}
}

// readColumns reads what belongs to fields.
func (m *mapping) readColumns(o object) {
	m.columns, m.constants = make(map[string][]value), make(map[string]value)
	columns := o.get("columns")
	if fields, ok := columns.object(m.rows.names()...); ok {
		for name, v := range fields.fields {
			if !v.present() {
				v.fault("which column is it? write its name, or such as =C for the third")
				continue
			}
			for _, each := range v.bounded(4) {
				if text, ok := each.scalar(); ok && strings.TrimSpace(text) != "" {
					m.columns[name] = append(m.columns[name], each)
				}
			}
		}
	} else if !columns.present() {
		columns.fault("is missing: say for each field which column has it")
	}
	if v := o.get("constants"); v.present() {
		if fields, ok := v.object(m.rows.names()...); ok {
			for name, c := range fields.fields {
				if _, twice := m.columns[name]; twice {
					c.fault("has a column too: take one of the two out")
				}
				if _, ok := c.scalar(); ok {
					m.constants[name] = c
				}
			}
		}
	}
	m.readValues(o.get("values"))
	m.readReplace(o.get("replace"))
	m.readLeaveOut(o.get("leave_out"))
	if m.rows.section == "calibrations" {
		m.judgeCalibrationColumns(o)
	}
}

func (m *mapping) readValues(v value) {
	if !v.present() {
		return
	}
	m.values = make(map[string]map[string]string)
	fields, _ := v.object(m.rows.names()...)
	for name, f := range fields.fields {
		words, ok := f.mapping()
		if !ok {
			continue
		}
		m.values[name] = make(map[string]string)
		for word, meaning := range words.fields {
			text, _ := meaning.scalar() // nothing: the word says nothing
			m.values[name][folded(word)] = text
		}
	}
}

func (m *mapping) readReplace(v value) {
	if !v.present() {
		return
	}
	m.replace = make(map[string][][2]string)
	fields, _ := v.object(m.rows.names()...)
	for name, f := range fields.fields {
		for _, each := range f.list() {
			pairs, ok := each.mapping()
			if !ok {
				continue
			}
			if len(pairs.fields) != 1 {
				each.fault("write one replacement a line, such as - {\" \": \"-\"}: they are made in this order")
			}
			for from, to := range pairs.fields {
				text, _ := to.scalar()
				if from == "" {
					to.fault("nothing is to be replaced here: write what stands in the cells")
					continue
				}
				m.replace[name] = append(m.replace[name], [2]string{from, text})
			}
		}
	}
}

func (m *mapping) readLeaveOut(v value) {
	if !v.present() {
		return
	}
	m.leaveOut = make(map[string]leave)
	columns, _ := v.mapping()
	for name, c := range columns.fields {
		l := leave{column: c}
		if c.node == nil { // an empty cell
			l.cells = []string{""}
		}
		for _, each := range c.list() {
			if text, ok := each.scalar(); ok {
				l.cells = append(l.cells, folded(text))
			}
		}
		m.leaveOut[name] = l
	}
}

// judgeCalibrationColumns tells once, and not for each row, what a list of
// calibrations lacks.
func (m *mapping) judgeCalibrationColumns(o object) {
	has := func(field string) bool {
		_, constant := m.constants[field]
		return constant || len(m.columns[field]) > 0
	}
	switch {
	case has("torque") || has("found") || has("until") || has("date") && has("months"):
	default:
		o.get("columns").fault("until when are the tools in calibration? name a column for until; or for date and months; or, with readings, for torque and found")
	}
	if has("torque") || has("found") {
		return
	}
	for _, name := range []string{"number", "laboratory", "rule", "uncertainty", "left", "k", "unit", "direction", "temperature", "humidity"} {
		if has(name) {
			at := o.get("columns")
			if len(m.columns[name]) > 0 {
				at = m.columns[name][0]
			}
			at.fault("%s belongs to a certificate, and one is kept only with the readings by which it is judged (torque and found): without them take it out", name)
		}
	}
}

// fieldsInUse are those that have a column or a constant, in their order.
func (m *mapping) fieldsInUse() []field {
	return slices.DeleteFunc(slices.Clone(m.rows.fields), func(f field) bool {
		_, constant := m.constants[f.name]
		return !constant && len(m.columns[f.name]) == 0
	})
}

// folded is a text for comparison: without regard to case and space.
func folded(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
