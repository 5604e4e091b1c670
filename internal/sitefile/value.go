package sitefile

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// value is a part of a file, or the want of one.
type value struct {
	r    *reader
	file string
	node *yaml.Node // nil if it is absent
	at   *yaml.Node // whose line faults are told at
	name string     // what people call it
}

// object is a map with its fields by key.
type object struct {
	value
	fields map[string]value
}

func (v value) present() bool { return v.node != nil }

// where is the value's place in words.
func (v value) where() string {
	if s := v.r.sheets[v.file]; s != nil && v.at != nil {
		if v.at.Column < 0 {
			return place(s.mapping.file, -v.at.Column, 0)
		}
		return place(v.file, v.line(), v.at.Column)
	}
	return place(v.file, v.line(), 0)
}

func (v value) line() int {
	if v.at == nil {
		return 0
	}
	return v.at.Line
}

// fault notes what is wrong with the value.
func (v value) fault(format string, args ...any) {
	v.r.noteAt(v.file, v.at, "%s: %s", v.name, fmt.Sprintf(format, args...))
}

// object takes the value for a map that may have the keys, and no others.
func (v value) object(keys ...string) (object, bool) {
	o, ok := v.mapping()
	if !ok {
		return o, false
	}
	for _, p := range v.pairs() {
		if key := p.key.Value; p.key.Kind == yaml.ScalarNode && !slices.Contains(keys, key) {
			field := o.fields[key]
			if hint := v.r.hint(key, keys); hint != "" {
				field.fault("there is no such key here: did you mean %s?", hint)
			} else {
				field.fault("there is no such key here: the keys are %s", strings.Join(keys, ", "))
			}
		}
	}
	return o, true
}

// mapping takes the value for a map with keys of any name.
func (v value) mapping() (object, bool) {
	o := object{value: v, fields: map[string]value{}}
	if !v.present() {
		return o, false
	}
	if v.node.Tag == badTag {
		return o, false
	}
	if v.node.Kind != yaml.MappingNode {
		v.fault("this must be a map, lines such as \"name: value\", not %s", kindOf(v.node))
		return o, false
	}
	for _, p := range v.pairs() {
		key := p.key.Value
		f := value{r: v.r, file: v.file, node: resolve(p.value), at: p.key, name: v.r.sheets[v.file].title(clip(key), p.key.Column)}
		if f.node != nil && isNull(f.node) {
			f.node = nil
		}
		switch first, twice := o.fields[key]; {
		case p.key.Kind != yaml.ScalarNode:
			f.name = v.name
			f.fault("a key must be a plain word, not %s", kindOf(p.key))
		case twice:
			f.fault("this key stands here twice; the first is in line %d", first.line())
		default:
			o.fields[key] = f
		}
	}
	return o, true
}

type pair struct{ key, value *yaml.Node }

func (v value) pairs() []pair {
	var out []pair
	for i := 0; i+1 < len(v.node.Content); i += 2 {
		out = append(out, pair{resolve(v.node.Content[i]), v.node.Content[i+1]})
	}
	return out
}

// get is the field of a key; an absent value if the map has none.
func (o object) get(key string) value {
	if f, ok := o.fields[key]; ok {
		return f
	}
	return value{r: o.r, file: o.file, at: o.at, name: key}
}

// need is get that notes the want of the field; advice says what to write.
func (o object) need(key, advice string) value {
	f := o.get(key)
	if !f.present() {
		f.fault("is missing: %s", advice)
	}
	return f
}

// list takes the value for a list; a single thing is a list of one.
func (v value) list() []value {
	switch {
	case !v.present():
		return nil
	case v.node.Kind != yaml.SequenceNode:
		return []value{v}
	}
	out := make([]value, 0, len(v.node.Content))
	for i, n := range v.node.Content {
		e := value{r: v.r, file: v.file, node: resolve(n), at: n, name: fmt.Sprintf("%s[%d]", v.name, i)}
		if e.node == nil || isNull(e.node) {
			e.fault("is empty: write something here, or take the dash away")
			continue
		}
		out = append(out, e)
	}
	return out
}

// scalar takes the value for a single word or text, as it is written.
func (v value) scalar() (string, bool) {
	if !v.present() {
		return "", false
	}
	if v.node.Tag == badTag {
		return "", false
	}
	if v.node.Kind != yaml.ScalarNode {
		v.fault("this must be a single value, not %s", kindOf(v.node))
		return "", false
	}
	return v.node.Value, true
}

func kindOf(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a map"
	case yaml.SequenceNode:
		return "a list"
	default:
		return fmt.Sprintf("%q", clip(n.Value))
	}
}

// clip shortens what is quoted in a message.
func clip(s string) string { return clipTo(s, 60) }

func clipTo(s string, limit int) string {
	if len(s) > limit {
		return strings.ToValidUTF8(s[:limit], "") + "…"
	}
	return s
}
