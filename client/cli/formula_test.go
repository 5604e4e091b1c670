package cli

import (
	"bytes"
	"strings"
	"testing"
)

// TestNoCellRuns prints a table with what somebody may have typed as a note, and
// wants no spreadsheet to take it for a formula; figures stay figures.
func TestNoCellRuns(t *testing.T) {
	t.Parallel()
	sink := &csvSink{}
	tab := table{cols: []column{{title: "note"}, {title: "change"}}}
	tab.add(`=HYPERLINK("http://x";"y")`, "-5")
	tab.add("@SUM(A1)", "+2.5")
	writeTable(sink, tab, 80)
	var out bytes.Buffer
	if err := sink.writeCSV(&out); err != nil {
		t.Fatal(err)
	}
	want := "note,change\r\n\"'=HYPERLINK(\"\"http://x\"\";\"\"y\"\")\",-5\r\n'@SUM(A1),+2.5\r\n"
	if out.String() != want {
		t.Errorf("written as %q, want %q", out.String(), want)
	}
	rows, faults := readCSV("x.csv", out.Bytes(), []string{"note", "change"})
	if len(faults.fields) > 0 || len(rows) != 2 || !strings.HasPrefix(rows[0].get("note"), "=HYPERLINK") {
		t.Errorf("read back as %v, %v", rows, faults.fields)
	}
}
