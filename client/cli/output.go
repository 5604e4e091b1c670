package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// answer prints an answer: the message as JSON, or what text writes.
func (a *app) answer(m proto.Message, text func(w io.Writer)) error {
	if a.json() {
		raw, err := messageJSON(m)
		if err != nil {
			return err
		}
		return writeJSON(a.streams.Out, raw)
	}
	return a.print(text)
}

// print writes text for people, with the remarks about times above it. Control
// characters from names or notes never reach the terminal.
func (a *app) print(text func(w io.Writer)) error {
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
