package cli

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// certificateColumns are those of a certificate in CSV: one row a point. What is
// said of the whole certificate stands in the first row, and may stand again.
var certificateColumns = []string{
	"tool", "number", "laboratory", "date", "rule", "temperature", "humidity", "uncertainty", "k", "unit",
	"torque", "direction", "found", "left",
}

// readCertificateCSV reads a certificate, or says what is wrong with each line.
func readCertificateCSV(path string, body []byte) (certificateFile, error) {
	var f certificateFile
	rows, faults := readCSV(path, body, certificateColumns)
	if len(rows) == 0 && len(faults.fields) == 0 {
		faults.add(1, "there are no points: write one row for each")
	}
	for i, row := range rows {
		for _, head := range []struct {
			title string
			into  *string
		}{
			{"tool", &f.Tool}, {"number", &f.Number}, {"laboratory", &f.Laboratory}, {"date", &f.Date}, {"rule", &f.Rule},
			{"temperature", &f.Temperature}, {"humidity", &f.Humidity}, {"k", &f.K},
		} {
			cell := row.get(head.title)
			switch {
			case i == 0:
				*head.into = cell
			case cell != "" && cell != *head.into:
				faults.add(row.line, "%s is %q here and %q in the first row: a file holds one certificate", head.title, cell, *head.into)
			}
		}
		f.Points = append(f.Points, readPointRow(row, faults))
		f.lines = append(f.lines, row.line)
	}
	if len(rows) > 0 && f.Tool == "" {
		faults.add(rows[0].line, "tool is missing: write the asset tag of the tool")
	}
	if len(rows) > 0 {
		_, err := f.message()
		// What is wrong with a point has been said, with its line.
		if wrong := new(pointError); !errors.As(err, &wrong) {
			faults.check(rows[0].line, err)
		}
	}
	f.path = path
	return f, faults.problem()
}

func readPointRow(row csvRow, faults *csvFaults) pointEntry {
	e := pointEntry{Direction: row.get("direction"), Uncertainty: row.get("uncertainty")}
	faults.check(row.line, newtonMetres(row.get("unit")))
	var err error
	if e.Torque, err = figure("torque", row.get("torque")); err != nil {
		faults.check(row.line, err)
	}
	if e.Found, err = readingList("found", row.get("found")); err != nil {
		faults.check(row.line, err)
	}
	if e.Left, err = readingList("left", row.get("left")); err != nil {
		faults.check(row.line, err)
	}
	_, err = e.message("", row.get("k"))
	faults.check(row.line, err)
	return e
}

// readingList reads figures with spaces or semicolons between them.
func readingList(what, text string) ([]float64, error) {
	var out []float64
	for word := range strings.FieldsSeq(strings.ReplaceAll(text, ";", " ")) {
		x, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return nil, usage("%s: %q is no number in newton metres", what, word)
		}
		out = append(out, x)
	}
	return out, nil
}

// newtonMetres refuses readings in another unit; one that is not said is newton
// metres.
func newtonMetres(unit string) error {
	switch strings.ToLower(unit) {
	case "", "nm", "n·m", "n.m", "n m":
		return nil
	}
	return usage("the unit is %s: readings must be in newton metres, as the certificate's laboratory measured them; convert none by hand", unit)
}

// pointError marks what is wrong with one point of a certificate.
type pointError struct {
	at  int
	err error
}

// Error says which point, and what.
func (e *pointError) Error() string { return fmt.Sprintf("points[%d]: %s", e.at, e.err) }

// Unwrap gives what is wrong.
func (e *pointError) Unwrap() error { return e.err }

// located gives what the server says of points the lines of the file that they
// stand in.
func (f certificateFile) located(err error) error {
	if err == nil || len(f.lines) == 0 {
		return err
	}
	return onLines(err, "points[", f.path, f.lines)
}
