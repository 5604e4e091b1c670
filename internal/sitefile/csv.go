package sitefile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Tables of tool types and tools (RFC 4180): the first line names the columns,
// which are the keys of workshop files; "type" among them says that the lines
// are tools. An empty cell says nothing. Several engine families stand apart by
// spaces, pieces as "cam plate=2; pin=1".

// isCSV tells a table by the name of its file.
func isCSV(name string) bool { return strings.HasSuffix(strings.ToLower(name), ".csv") }

// The columns of tables, in the order in which they are written.
var (
	typeColumns = []string{
		"id", "name", "purpose", "families", "torque", "resolution", "drive", "length", "ratio",
		"iso", "permissible", "calibrated", "calibration_months", "calibration_cycles", "pieces",
	}
	toolColumns = []string{
		"tag", "type", "condition", "condition_until", "note", "calibrated_until", "home", "photo", "missing", "damaged",
	}
)

// table reads a table into the form that YAML of the same content has, so that
// the same rules judge both; nil if its first line cannot be read. A line that
// is no line of the table is noted, and the others are read all the same.
func (r *reader) table(f File) *yaml.Node {
	in := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(f.Content, []byte("\uFEFF"))))
	in.FieldsPerRecord = -1 // judged here, with the line
	head, err := in.Read()
	if errors.Is(err, io.EOF) {
		return nil
	}
	if err != nil {
		r.unreadable(f.Name, lineOfCSV(err), "this is no CSV: %s", csvText(err))
		return nil
	}
	line, _ := in.FieldPos(0)
	for i := range head {
		head[i] = strings.TrimSpace(head[i])
	}
	section, known := "tool_types", typeColumns
	if slices.Contains(head, "tag") {
		section, known = "tools", toolColumns
	}
	if !r.checkHead(f.Name, line, head, known) {
		return nil
	}
	rows := &yaml.Node{Kind: yaml.SequenceNode, Line: line}
	for {
		record, err := in.Read()
		switch {
		case errors.Is(err, io.EOF):
			return mapping(line, plainNode(section, line), rows)
		case err != nil:
			// Past a broken quote nobody knows where a line ends.
			r.unreadable(f.Name, lineOfCSV(err), "this is no CSV from here on: %s", csvText(err))
			return mapping(line, plainNode(section, line), rows)
		}
		if row := r.row(f.Name, in, head, record); row != nil {
			rows.Content = append(rows.Content, row)
		}
	}
}

// checkHead judges the names of the columns.
func (r *reader) checkHead(file string, line int, head, known []string) bool {
	ok := true
	for i, column := range head {
		switch {
		case slices.Contains(head[:i], column):
			r.note(file, line, "column %q stands here twice", clip(column))
			ok = false
		case slices.Contains(known, column):
		default:
			ok = false
			if hint := r.hint(column, known); hint != "" {
				r.note(file, line, "there is no column %q: did you mean %s?", clip(column), hint)
			} else {
				r.note(file, line, "there is no column %q: the columns are %s", clip(column), strings.Join(known, ", "))
			}
		}
	}
	return ok
}

// row turns a line of a table into a map; nil for one that is none. Each value
// keeps the line that it stands on.
func (r *reader) row(file string, in *csv.Reader, head, record []string) *yaml.Node {
	line, _ := in.FieldPos(0)
	if len(record) != len(head) {
		r.note(file, line, "the line has %d columns, and the first line names %d", len(record), len(head))
		return nil
	}
	row := &yaml.Node{Kind: yaml.MappingNode, Line: line}
	for i, cell := range record {
		if strings.TrimSpace(cell) == "" {
			continue
		}
		at, _ := in.FieldPos(i)
		value := plainNode(cell, at)
		switch head[i] {
		case "families":
			value = &yaml.Node{Kind: yaml.SequenceNode, Line: at}
			for _, word := range strings.Fields(cell) {
				value.Content = append(value.Content, plainNode(word, at))
			}
		case "pieces", "missing", "damaged":
			value = r.piecesCell(file, head[i], cell, at)
		}
		row.Content = append(row.Content, plainNode(head[i], at), value)
	}
	return row
}

// piecesCell reads "cam plate=2; pin=1".
func (r *reader) piecesCell(file, column, cell string, line int) *yaml.Node {
	out := &yaml.Node{Kind: yaml.MappingNode, Line: line}
	for part := range strings.SplitSeq(cell, ";") {
		if strings.TrimSpace(part) == "" {
			continue
		}
		name, count, ok := strings.Cut(part, "=")
		if !ok {
			r.note(file, line, "%s: %q is no counted piece: write such as cam plate=2; pin=1", column, clip(strings.TrimSpace(part)))
			continue
		}
		out.Content = append(out.Content, plainNode(strings.TrimSpace(name), line), plainNode(strings.TrimSpace(count), line))
	}
	return out
}

// plainNode is a text as YAML has it, never taken for anything else.
func plainNode(s string, line int) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s, Line: line}
}

func mapping(line int, pairs ...*yaml.Node) *yaml.Node {
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
