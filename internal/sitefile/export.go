package sitefile

import (
	"bytes"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"bayhold/internal/csvfile"
	"bayhold/internal/site"
)

// What is written here, Parse reads back to the same tool types and tools.

// ToolsYAML writes tool types and tools as a workshop file.
func ToolsYAML(types []site.ToolType, tools []site.Tool) ([]byte, error) {
	top := &yaml.Node{Kind: yaml.MappingNode}
	for _, section := range []struct {
		key, about string
		columns    []string
		rows       []map[string]string
	}{
		{"tool_types", "# What special tools can do.", typeColumns, cells(types, typeCells)},
		{"tools", "# The tools on the shelf.", toolColumns, cells(tools, toolCells)},
	} {
		list := &yaml.Node{Kind: yaml.SequenceNode}
		for _, row := range section.rows {
			list.Content = append(list.Content, rowNode(section.columns, row))
		}
		if len(list.Content) > 0 {
			key := plainNode(section.key, 0)
			key.HeadComment = section.about
			top.Content = append(top.Content, key, list)
		}
	}
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := enc.Encode(top); err != nil {
		return nil, err
	}
	return out.Bytes(), enc.Close()
}

// rowNode writes the cells of a row as YAML has them.
func rowNode(columns []string, row map[string]string) *yaml.Node {
	out := &yaml.Node{Kind: yaml.MappingNode}
	for _, c := range columns {
		cell := row[c]
		if cell == "" {
			continue
		}
		value := textNode(cell)
		switch c {
		case "families":
			value = &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
			for _, word := range strings.Fields(cell) {
				value.Content = append(value.Content, textNode(word))
			}
		case "pieces", "missing", "damaged":
			value = &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle}
			for part := range strings.SplitSeq(cell, "; ") {
				name, count, _ := strings.Cut(part, "=")
				value.Content = append(value.Content, textNode(name), &yaml.Node{Kind: yaml.ScalarNode, Value: count})
			}
		case "calibrated", "calibration_months", "calibration_cycles", "length", "ratio":
			value = &yaml.Node{Kind: yaml.ScalarNode, Value: cell}
		}
		out.Content = append(out.Content, plainNode(c, 0), value)
	}
	return out
}

// textNode is a text, in quotes where it would be taken for something else.
func textNode(s string) *yaml.Node {
	n := new(yaml.Node)
	n.SetString(s)
	n.Tag = "!!str"
	return n
}

// ToolTypesCSV writes tool types as a table (RFC 4180).
func ToolTypesCSV(types []site.ToolType) ([]byte, error) {
	return writeTable(typeColumns, cells(types, typeCells))
}

// ToolsCSV writes tools as a table (RFC 4180).
func ToolsCSV(tools []site.Tool) ([]byte, error) {
	return writeTable(toolColumns, cells(tools, toolCells))
}

func writeTable(columns []string, rows []map[string]string) ([]byte, error) {
	var out bytes.Buffer
	w := csvfile.NewWriter(&out)
	if err := w.Write(columns); err != nil {
		return nil, err
	}
	for _, row := range rows {
		line := make([]string, 0, len(columns))
		for _, c := range columns {
			line = append(line, row[c])
		}
		if err := w.Write(line); err != nil {
			return nil, err
		}
	}
	err := w.Flush()
	return out.Bytes(), err
}

func cells[T any](list []T, of func(T) map[string]string) []map[string]string {
	out := make([]map[string]string, 0, len(list))
	for _, v := range list {
		out = append(out, of(v))
	}
	return out
}

// typeCells says a tool type in the words of workshop files.
func typeCells(t site.ToolType) map[string]string {
	out := map[string]string{
		"id": t.ID, "name": t.Name, "purpose": string(t.Purpose), "families": strings.Join(t.Families, " "),
		"resolution": torqueText(t.Resolution), "drive": t.Drive, "length": figure(t.Length), "ratio": figure(t.Ratio),
		"iso": strings.TrimSpace(t.ISOType + " " + t.ISOClass), "permissible": figure(t.Permissible),
		"calibration_months": whole(t.CalibrationMonths), "calibration_cycles": whole(t.CalibrationCycles), "pieces": piecesText(t.Pieces),
	}
	if t.TorqueMax > 0 {
		out["torque"] = figure(t.TorqueMin) + "-" + torqueText(t.TorqueMax)
	}
	if t.Calibrated {
		out["calibrated"] = "true"
	}
	return out
}

// toolCells says a tool in the words of workshop files.
func toolCells(t site.Tool) map[string]string {
	return map[string]string{
		"tag": t.Tag, "type": t.Type, "condition": string(t.Condition), "condition_until": momentText(t.ConditionUntil),
		"note": t.ConditionNote, "calibrated_until": momentText(t.CalibratedUntil), "home": t.Home, "photo": t.PhotoURL,
		"missing": piecesText(t.Missing), "damaged": piecesText(t.Damaged),
	}
}

// figure writes a number so that it is read back as the same; nothing for 0.
func figure(x float64) string {
	if x == 0 {
		return ""
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

func torqueText(nm float64) string {
	if nm == 0 {
		return ""
	}
	return figure(nm) + " Nm"
}

func whole(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func momentText(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// piecesText writes counted pieces as tables have them.
func piecesText(list []site.Piece) string {
	out := make([]string, 0, len(list))
	for _, p := range list {
		out = append(out, p.Name+"="+strconv.Itoa(p.Count))
	}
	return strings.Join(out, "; ")
}
