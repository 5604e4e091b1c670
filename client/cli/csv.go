package cli

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"

	"bayhold/internal/csvfile"
)

// csvRow is a row of a CSV file, its cells by the titles of the first row.
type csvRow struct {
	line  int
	cells map[string]string
}

// get is a cell without the space around it; empty if the file has no such
// column.
func (r csvRow) get(title string) string { return strings.TrimSpace(r.cells[title]) }

// csvFaults gathers what is wrong with a file, line by line.
type csvFaults struct {
	path   string
	fields []field
	lines  []int // of each
}

func (fs *csvFaults) add(line int, format string, args ...any) {
	at, _ := slices.BinarySearch(fs.lines, line+1) // behind those of its line
	fs.lines = slices.Insert(fs.lines, at, line)
	fs.fields = slices.Insert(fs.fields, at, field{Field: fs.path + ":" + strconv.Itoa(line), Message: fmt.Sprintf(format, args...)})
}

// check notes an error of a line; nil is none.
func (fs *csvFaults) check(line int, err error) {
	if err != nil {
		fs.add(line, "%s", err)
	}
}

// problem is what is told of the file; nil if nothing is wrong.
func (fs *csvFaults) problem() error {
	if len(fs.fields) == 0 {
		return nil
	}
	p := local(codes.InvalidArgument, "CSV", "%s cannot be taken in; nothing was", fs.path)
	p.fields = fs.fields
	return p
}

// readCSV reads a file as RFC 4180 has it, with a row of titles first. Titles
// that are not known, and rows of another length, are noted as faults.
func readCSV(path string, body []byte, titles []string) ([]csvRow, *csvFaults) {
	faults := &csvFaults{path: path}
	r := csvfile.NewReader(body)
	head, err := r.Read()
	if err != nil {
		faults.add(1, "there is no row of titles: %s", strings.Join(titles, ","))
		return nil, faults
	}
	for i, title := range head {
		head[i] = strings.ToLower(strings.TrimSpace(title))
		switch {
		case !slices.Contains(titles, head[i]):
			faults.add(1, "%q is no column; the columns are %s", head[i], strings.Join(titles, ","))
		case slices.Contains(head[:i], head[i]):
			faults.add(1, "column %s stands twice", head[i])
		}
	}
	var rows []csvRow
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return rows, faults
		}
		if err != nil { // what follows a broken quote cannot be told apart
			line := 0
			if broken := new(csv.ParseError); errors.As(err, &broken) {
				line, err = broken.Line, broken.Err
			}
			faults.add(line, "%s: the rest was not read", err)
			return rows, faults
		}
		line, _ := r.FieldPos(0)
		if len(cells) != len(head) {
			faults.add(line, "has %d cells, not %d", len(cells), len(head))
			continue
		}
		row := csvRow{line: line, cells: make(map[string]string, len(cells))}
		for i, cell := range cells {
			row.cells[head[i]] = cell
		}
		rows = append(rows, row)
	}
}
