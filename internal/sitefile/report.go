package sitefile

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"go.yaml.in/yaml/v3"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

// reader gathers what is wrong while the files are read.
type reader struct {
	order    map[string]int // of the files, by name
	broken   map[string]bool
	found    []Finding
	known    Known
	zone     *time.Location
	monday   hours.Date                  // of the week that relative times count from; zero if not known
	standing map[string]map[string]bool  // ids of what the site has, by kind
	seen     map[string]map[string]value // what the files define, by kind and id
	owners   map[ownerKey]*owner
	steps    int                          // read so far
	sheets   map[string]*sheet            // tables that are read, by file
	names    map[string]map[string]string // ids by noun and name, folded; none for a name that several have
	notices  []string
}

func newReader(files []File) *reader {
	r := &reader{
		order: make(map[string]int), broken: make(map[string]bool),
		seen: make(map[string]map[string]value), owners: make(map[ownerKey]*owner), sheets: make(map[string]*sheet),
	}
	for i, f := range files {
		r.order[f.Name] = 2 * i
		if f.Mapping != nil {
			r.order[f.Mapping.Name] = 2*i + 1
		}
	}
	return r
}

// note notes a fault at a line; line 0 is none in particular.
func (r *reader) note(file string, line int, format string, args ...any) {
	r.found = append(r.found, Finding{File: file, Line: line, Rule: "file", Message: fmt.Sprintf(format, args...), Fault: true})
}

// noteAt notes a fault at a place of a file: at a cell of a table, or where its
// mapping says what all rows have.
func (r *reader) noteAt(file string, at *yaml.Node, format string, args ...any) {
	line, column := 0, 0
	if at != nil {
		line = at.Line
		if s := r.sheets[file]; s != nil {
			if column = at.Column; column < 0 {
				file, line, column = s.mapping.file, -column, 0
			}
		}
	}
	r.note(file, line, format, args...)
	r.found[len(r.found)-1].Column = column
}

// unreadable notes what keeps the rest of a file from being read.
func (r *reader) unreadable(file string, line int, format string, args ...any) {
	r.broken[file] = true
	r.note(file, line, format, args...)
}

// sort puts what was noted in the order of files and lines, each thing once.
func (r *reader) sort() {
	slices.SortStableFunc(r.found, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(r.order[a.File], r.order[b.File]), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	seen := make(map[Finding]bool, len(r.found))
	r.found = slices.DeleteFunc(r.found, func(f Finding) bool {
		again := seen[f]
		seen[f] = true
		return again
	})
}

// err is the fault that tells everything that was noted.
func (r *reader) err() error {
	var fs fault.Fields
	for i, f := range r.found {
		if i == maxFaults {
			fs.Add(place(f.File, f.Line, f.Column), "and %d more faults from here on", len(r.found)-i)
			break
		}
		fs.Add(place(f.File, f.Line, f.Column), "%s", f.Message)
	}
	return fs.Err("BAD_FILE", "the workshop files cannot be taken in: nothing was changed")
}

// place is where something stands, for people and editors: a line, or a cell as
// spreadsheets name it, such as C5.
func place(file string, line, column int) string {
	switch {
	case file != "" && column > 0:
		return fmt.Sprintf("%s:%s%d", file, columnName(column), line)
	case file == "":
		return "files"
	case line == 0:
		return file
	}
	return fmt.Sprintf("%s:%d", file, line)
}
