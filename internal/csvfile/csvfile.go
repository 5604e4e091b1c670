// Package csvfile writes and reads CSV (RFC 4180) that is opened in spreadsheets.
//
// A spreadsheet takes a cell that begins with =, +, - or @ for a formula, and
// runs it: a note that somebody typed could so act on the machine of whoever
// opens the list. Such a cell is written with an apostrophe before it (common
// practice); numbers stay numbers, negative ones too. What is read loses the
// apostrophe again, so that every cell comes back as it was.
package csvfile

import (
	"bytes"
	"encoding/csv"
	"io"
	"strconv"
	"strings"
)

// Writer writes rows that no spreadsheet runs.
type Writer struct{ csv *csv.Writer }

// NewWriter makes a Writer whose lines end as RFC 4180 has it.
func NewWriter(w io.Writer) *Writer {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	return &Writer{out}
}

// Write writes a row; it may be kept back until Flush.
func (w *Writer) Write(row []string) error {
	safe := make([]string, len(row))
	for i, cell := range row {
		safe[i] = Guard(cell)
	}
	return w.csv.Write(safe)
}

// WriteAll writes rows, and all that was kept back.
func (w *Writer) WriteAll(rows [][]string) error {
	for _, row := range rows {
		if err := w.Write(row); err != nil {
			return err
		}
	}
	return w.Flush()
}

// Flush writes what was kept back, and gives the first error that there was.
func (w *Writer) Flush() error {
	w.csv.Flush()
	return w.csv.Error()
}

// Reader reads rows, whatever their length; FieldPos tells where cells stand.
type Reader struct{ *csv.Reader }

// NewReader makes a Reader; a byte order mark before the text is passed over.
func NewReader(body []byte) Reader {
	in := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(body, []byte("\uFEFF"))))
	in.FieldsPerRecord = -1
	return Reader{in}
}

// Read reads a row.
func (r Reader) Read() ([]string, error) {
	row, err := r.Reader.Read()
	for i, cell := range row {
		row[i] = Bare(cell)
	}
	return row, err
}

// Guard puts an apostrophe before what a spreadsheet would run, and before what
// reads as if that had been done.
func Guard(cell string) string {
	if runs(cell) {
		return "'" + cell
	}
	return cell
}

// Bare takes the apostrophe of Guard away.
func Bare(cell string) string {
	if strings.HasPrefix(cell, "'") && runs(cell) {
		return cell[1:]
	}
	return cell
}

// runs tells whether a spreadsheet would run a cell, apostrophes before it aside:
// =, +, - and @, as they are or full-width, and the white space that some pass over.
func runs(cell string) bool {
	text := strings.TrimLeft(cell, "'")
	if len(text) < 2 || !strings.ContainsRune("=+-@\t\r＝＋－＠", []rune(text)[0]) {
		return false
	}
	return !number(text)
}

// number tells whether a text is a decimal number with its sign, or a share in
// percent.
func number(text string) bool {
	text = strings.TrimSuffix(strings.TrimSuffix(text, "%"), " ")
	if strings.Trim(text[1:], "0123456789.eE+-") != "" {
		return false // NaN, Inf, hexadecimal figures, units
	}
	_, err := strconv.ParseFloat(text, 64)
	return err == nil
}
