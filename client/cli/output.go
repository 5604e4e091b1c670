package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// answer prints an answer: the message as JSON or YAML, or what text writes.
func (a *app) answer(m proto.Message, text func(w io.Writer)) error {
	if a.structured() {
		raw, err := messageJSON(m)
		if err != nil {
			return err
		}
		return a.writeDocument(a.streams.Out, raw)
	}
	return a.print(text)
}

// print writes text for people, with the remarks about times above it, or its
// table for programs. Control characters from names or notes never reach the
// terminal.
func (a *app) print(text func(w io.Writer)) error {
	if a.output() == "csv" {
		sink := &csvSink{}
		text(sink)
		if len(sink.tables) == 0 && sink.text.Len() == 0 {
			return usage("this answer is a picture and has no table").try("--output json")
		}
		return sink.writeCSV(a.streams.Out)
	}
	var b bytes.Buffer
	for _, n := range a.notes {
		writeText(&b, n, a.width())
	}
	if len(a.notes) > 0 {
		fmt.Fprintln(&b)
	}
	text(&b)
	_, err := io.WriteString(a.streams.Out, plain(b.String()))
	return err
}

// plain takes control characters out of text, line ends apart.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && unicode.IsControl(r) {
			return -1
		}
		return r
	}, s)
}

// messageJSON gives a message as JSON. Fields with their default values are
// there too: a script can ask for .possible and get false.
func messageJSON(m proto.Message) (json.RawMessage, error) {
	return protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(m)
}

// writeJSON writes a value, indented. protojson varies its white space on
// purpose; going through encoding/json settles it.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// writeDocument writes a value as JSON or YAML, whichever was asked for.
func (a *app) writeDocument(w io.Writer, v any) error {
	if a.output() != "yaml" {
		return writeJSON(w, v)
	}
	raw, err := json.Marshal(v)
	if err != nil {
		return err
	}
	var doc yaml.Node // keeps the order of keys; JSON is YAML
	if err := yaml.Unmarshal(raw, &doc); err != nil {
		return err
	}
	blockStyle(&doc)
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(&doc); err != nil {
		return err
	}
	_, err = w.Write(b.Bytes())
	return err
}

// blockStyle takes the braces and quotes of JSON off a document. Texts that
// YAML would read as something else keep their quotes: the encoder sees to it.
func blockStyle(n *yaml.Node) {
	if n.Kind != yaml.ScalarNode || n.Tag == "!!str" {
		n.Style = 0
	}
	for _, c := range n.Content {
		blockStyle(c)
	}
}

// writeText writes a paragraph, wrapped.
func writeText(w io.Writer, text string, room int) {
	for _, line := range wrap(text, room) {
		fmt.Fprintln(w, line)
	}
}

// facts is a table of names and values; rows without a value are left out.
func facts(rows ...[2]string) table {
	t := table{cols: []column{{}, {wrap: true}}, bare: true}
	for _, r := range rows {
		if r[1] != "" {
			t.add(r[0], r[1])
		}
	}
	return t
}
