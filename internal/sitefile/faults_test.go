package sitefile_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/sitefile"
)

var update = flag.Bool("update", false, "write the golden files anew")

// report gives the faults of files, a line each.
func report(t testing.TB, err error) string {
	t.Helper()
	f := fault.Fault(err)
	if f == nil {
		t.Fatalf("no fault: %v", err)
	}
	if f.Kind != fault.Invalid || f.Reason != "BAD_FILE" {
		t.Fatalf("%v %s: %v", f.Kind, f.Reason, err)
	}
	var b strings.Builder
	for _, field := range f.Fields {
		b.WriteString(field.Path + ": " + field.Message + "\n")
	}
	return b.String()
}

func TestEveryFaultIsTold(t *testing.T) {
	var files []sitefile.File
	for _, name := range []string{"site.yaml", "tools.yaml", "work.yaml", "broken.yaml", "empty.yaml"} {
		content, err := os.ReadFile(filepath.Join("testdata", "faulty", name))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, sitefile.File{Name: name, Content: content})
	}
	w, err := sitefile.Parse(files, sitefile.Options{Now: wednesday})
	if w != nil {
		t.Error("a workshop comes with the faults")
	}
	got := report(t, err)
	golden := filepath.Join("testdata", "faulty", "report.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("run with -update to accept (-want +got):\n%s", diff)
	}
}
