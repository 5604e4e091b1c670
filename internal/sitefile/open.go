package sitefile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// open reads the YAML of files: the top of each document, and a reader that
// has noted what is no YAML.
func open(files []File, known Known) ([]value, *reader, error) {
	r := newReader(files)
	r.stand(known)
	if len(files) > MaxFiles {
		return nil, nil, tooLarge("%d files are more than %d", len(files), MaxFiles)
	}
	size := 0
	for _, f := range files {
		size += len(f.Content)
		if f.Mapping != nil {
			size += len(f.Mapping.Content)
		}
	}
	if size > MaxBytes {
		return nil, nil, tooLarge("the files have %d bytes together, more than %d", size, MaxBytes)
	}
	var docs []value
	nodes := 0
	for _, f := range files {
		found := false
		for n := range r.documents(f) {
			if err := measure(f.Name, n, 0, &nodes); err != nil {
				return nil, nil, err
			}
			if n = resolve(n); n == nil || isNull(n) {
				continue
			}
			found = true
			docs = append(docs, value{r: r, file: f.Name, node: n, at: n, name: "the file"})
		}
		if !found && !r.broken[f.Name] {
			r.note(f.Name, 1, "the file is empty: write what the workshop has, beginning with a key such as bays")
		}
	}
	if len(files) == 0 {
		r.note("", 0, "there is no file to read")
	}
	return docs, r, nil
}

// documents gives the documents of a file, up to the first that is no YAML.
func (r *reader) documents(f File) func(yield func(*yaml.Node) bool) {
	return func(yield func(*yaml.Node) bool) {
		if isCSV(f.Name) {
			if n := r.table(f); n != nil {
				yield(n)
			}
			return
		}
		if i := invalidUTF8(f.Content); i >= 0 {
			r.unreadable(f.Name, 1+bytes.Count(f.Content[:i], []byte{'\n'}), "the text is not valid UTF-8")
			return
		}
		dec := yaml.NewDecoder(bytes.NewReader(f.Content))
		for {
			n, err := decode(dec)
			switch {
			case errors.Is(err, io.EOF):
				return
			case err != nil:
				line, text := syntax(err)
				r.unreadable(f.Name, line, "this is no YAML from about here on: %s", text)
				return
			case !yield(n):
				return
			}
		}
	}
}

// decode reads one document. The library promises no more for odd input than
// that it gives up: a panic is taken for an error of the file.
func decode(dec *yaml.Decoder) (n *yaml.Node, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("yaml: %v", p)
		}
	}()
	n = new(yaml.Node)
	return n, dec.Decode(n)
}

// lineOf finds the line in the library's messages, "yaml: line 3: did not ...".
var lineOf = regexp.MustCompile(`^yaml: (?:line (\d+): )?`)

func syntax(err error) (line int, text string) {
	text = err.Error()
	m := lineOf.FindStringSubmatch(text)
	if m == nil {
		return 1, text
	}
	line, _ = strconv.Atoi(m[1])
	return max(line, 1), text[len(m[0]):]
}

func invalidUTF8(b []byte) int {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return -1
}

// measure bounds a document as it will be walked: with what aliases repeat.
// Whatever passes is read in a time that grows with MaxNodes at most.
func measure(file string, n *yaml.Node, depth int, nodes *int) error {
	*nodes++
	switch {
	case *nodes > MaxNodes:
		return tooLarge("%s:%d: the files have more than %d values, those that aliases repeat counted each time", file, n.Line, MaxNodes)
	case depth > MaxDepth:
		return tooLarge("%s:%d: lists and maps are nested more than %d deep", file, n.Line, MaxDepth)
	case n.Kind == yaml.AliasNode:
		return measure(file, n.Alias, depth+1, nodes)
	}
	for _, c := range n.Content {
		if err := measure(file, c, depth+1, nodes); err != nil {
			return err
		}
	}
	return nil
}

// resolve follows documents and aliases to what they stand for; nil for none.
func resolve(n *yaml.Node) *yaml.Node {
	for n != nil {
		switch {
		case n.Kind == yaml.AliasNode:
			n = n.Alias
		case n.Kind == yaml.DocumentNode && len(n.Content) > 0:
			n = n.Content[0]
		case n.Kind == yaml.DocumentNode || n.Kind == 0:
			return nil
		default:
			return n
		}
	}
	return nil
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.Tag == "!!null" }
