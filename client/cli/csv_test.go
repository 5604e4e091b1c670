package cli

import (
	"bytes"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bayhold/internal/csvfile"
)

// What is written is read back, cell by cell, with its lines.
func TestCSVIsReadBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		// A carriage return before a line feed is dropped, as RFC 4180 has line ends.
		cell := rapid.StringMatching(`[ -~äµ·\n]{0,12}`)
		titles := []string{"tool", "number", "found"}
		rows := rapid.SliceOfN(rapid.SliceOfN(cell, 3, 3), 1, 5).Draw(t, "rows")
		var file bytes.Buffer
		w := csvfile.NewWriter(&file)
		if err := w.WriteAll(append([][]string{titles}, rows...)); err != nil {
			t.Fatal(err)
		}
		got, faults := readCSV("x.csv", file.Bytes(), titles)
		if len(faults.fields) > 0 || len(got) != len(rows) {
			t.Fatalf("%d rows, %v", len(got), faults.fields)
		}
		line := 2
		for i, row := range rows {
			for c, title := range titles {
				if got[i].cells[title] != row[c] {
					t.Fatalf("row %d, %s: %q, want %q", i, title, got[i].cells[title], row[c])
				}
			}
			if got[i].line != line {
				t.Fatalf("row %d is in line %d, not %d", i, got[i].line, line)
			}
			line += 1 + strings.Count(strings.Join(row, ""), "\n")
		}
	})
}

func TestAnythingIsReadOrRefused(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(t, "body")
		rows, faults := readCSV("x.csv", body, certificateColumns)
		if len(rows) > 0 && len(faults.lines) != len(faults.fields) {
			t.Fatal("faults without lines")
		}
		if f, err := readCertificateCSV("x.csv", body); err == nil {
			if _, err := f.message(); err != nil && f.Rule != "" {
				t.Fatalf("taken, and then refused: %v", err)
			}
		}
	})
}
