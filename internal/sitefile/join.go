package sitefile

import (
	"slices"

	"go.yaml.in/yaml/v3"
)

// Rows that belong together become one thing: the points of a certificate, and
// what is booked for one reference.

// joinPoints joins rows with the same tool and number, and those that leave
// both out, to the row before them.
func (s *sheet) joinPoints(rows []*yaml.Node) []*yaml.Node {
	readings := s.has("torque") || s.has("found")
	return s.join(rows, []string{"tool", "number"}, readings, "points", []string{"torque", "direction", "found", "left", "uncertainty", "k"})
}

// joinClaims joins rows with the same reference.
func (s *sheet) joinClaims(rows []*yaml.Node) []*yaml.Node {
	return s.join(rows, []string{"reference"}, false, "claims", []string{"start", "end", "bay", "technicians", "tools"})
}

// has tells whether a field is read from the table at all.
func (s *sheet) has(name string) bool {
	return slices.ContainsFunc(s.put, func(p placed) bool { return p.name == name })
}

// join makes one thing of the rows that agree in the keys. What differs from row
// to row goes into a list: where there are several rows, or always, and then a
// row that leaves the keys out goes on with the one before.
func (s *sheet) join(rows []*yaml.Node, keys []string, always bool, list string, parts []string) []*yaml.Node {
	var out, members []*yaml.Node // a thing, and the rows of each
	of := make(map[string]int)
	groups := make(map[int][]*yaml.Node)
	last := -1
	for _, row := range rows {
		id, said := "", false
		for _, k := range keys {
			if _, v := lookUp(row, k); v != nil && v.Kind == yaml.ScalarNode {
				id += "\x00" + v.Value
				said = said || !isNull(v)
			}
		}
		at, known := of[id]
		switch {
		case !said && always && last >= 0:
			at = last
		case !known || !said:
			at = len(out)
			of[id] = at
			out = append(out, row)
		}
		groups[at] = append(groups[at], row)
		last = at
	}
	for i, first := range out {
		members = groups[i]
		if !always && len(members) == 1 {
			continue
		}
		out[i] = s.gather(first, members, list, parts)
	}
	return out
}

// gather makes one thing of its rows: what is said of the whole stands in the
// first, and may stand again.
func (s *sheet) gather(first *yaml.Node, rows []*yaml.Node, list string, parts []string) *yaml.Node {
	whole := &yaml.Node{Kind: yaml.MappingNode, Line: first.Line}
	all := &yaml.Node{Kind: yaml.SequenceNode, Line: first.Line}
	for _, row := range rows {
		part := &yaml.Node{Kind: yaml.MappingNode, Line: row.Line}
		for i := 0; i+1 < len(row.Content); i += 2 {
			key, v := row.Content[i], row.Content[i+1]
			if slices.Contains(parts, key.Value) {
				part.Content = append(part.Content, key, v)
				continue
			}
			had, stands := lookUp(whole, key.Value)
			switch {
			case had == nil:
				whole.Content = append(whole.Content, key, v)
			case isNull(v) || v.Tag == badTag || stands.Tag == badTag || isNull(stands) && row == first:
			case stands.Value != v.Value:
				s.r.noteAt(s.file, key, "%s: %q is not what row %d says of the same, %q", s.title(key.Value, key.Column), clip(v.Value), had.Line, clip(stands.Value))
			}
		}
		all.Content = append(all.Content, part)
	}
	key := plainNode(list, first.Line)
	whole.Content = append(whole.Content, key, all)
	return whole
}
