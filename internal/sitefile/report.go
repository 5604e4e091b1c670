package sitefile

import (
	"cmp"
	"fmt"
	"slices"
	"time"

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
	steps    int // read so far
}

func newReader(files []File) *reader {
	r := &reader{
		order: make(map[string]int), broken: make(map[string]bool),
		seen: make(map[string]map[string]value), owners: make(map[ownerKey]*owner),
	}
	for i, f := range files {
		r.order[f.Name] = i
	}
	return r
}

// note notes a fault at a line; line 0 is none in particular.
func (r *reader) note(file string, line int, format string, args ...any) {
	r.found = append(r.found, Finding{File: file, Line: line, Rule: "file", Message: fmt.Sprintf(format, args...), Fault: true})
}

// unreadable notes what keeps the rest of a file from being read.
func (r *reader) unreadable(file string, line int, format string, args ...any) {
	r.broken[file] = true
	r.note(file, line, format, args...)
}

// sort puts what was noted in the order of files and lines, each thing once.
func (r *reader) sort() {
	slices.SortStableFunc(r.found, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(r.order[a.File], r.order[b.File]), cmp.Compare(a.Line, b.Line))
	})
	r.found = slices.Compact(r.found)
}

// err is the fault that tells everything that was noted.
func (r *reader) err() error {
	var fs fault.Fields
	for i, f := range r.found {
		if i == maxFaults {
			fs.Add(place(f.File, f.Line), "and %d more faults from here on", len(r.found)-i)
			break
		}
		fs.Add(place(f.File, f.Line), "%s", f.Message)
	}
	return fs.Err("BAD_FILE", "the workshop files cannot be taken in: nothing was changed")
}

// place is where something stands, for people and editors.
func place(file string, line int) string {
	switch {
	case file == "":
		return "files"
	case line == 0:
		return file
	}
	return fmt.Sprintf("%s:%d", file, line)
}
