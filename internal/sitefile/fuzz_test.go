package sitefile_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/sitefile"
)

// FuzzParse: whatever the bytes are, they are read or refused with a place and
// a reason, and in little time.
func FuzzParse(f *testing.F) {
	for _, file := range demoFiles(f) {
		f.Add(file.Content)
	}
	faulty, err := filepath.Glob("testdata/faulty/*.yaml")
	if err != nil || len(faulty) == 0 {
		f.Fatalf("no faulty files: %v", err)
	}
	for _, name := range faulty {
		content, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(content)
	}
	opts := sitefile.Options{Now: wednesday, Known: known()}
	f.Fuzz(func(t *testing.T, content []byte) {
		start := time.Now()
		files := []sitefile.File{{Name: "f.yaml", Content: content}}
		w, err := sitefile.Parse(files, opts)
		if took := time.Since(start); took > 10*time.Second {
			t.Errorf("took %v", took)
		}
		if _, err := sitefile.SiteID(files); err != nil && fault.KindOf(err) == fault.Internal {
			t.Errorf("SiteID: %v", err)
		}
		if err == nil {
			if w == nil {
				t.Error("neither a workshop nor a fault")
			}
			return
		}
		switch fl := fault.Fault(err); {
		case fl == nil:
			t.Errorf("no fault: %v", err)
		case fl.Kind == fault.Exhausted:
		case fl.Kind != fault.Invalid || len(fl.Fields) == 0:
			t.Errorf("%v %s without fields", fl.Kind, fl.Reason)
		default:
			for _, field := range fl.Fields {
				if field.Message == "" || field.Path != "files" && !strings.HasPrefix(field.Path, "f.yaml:") {
					t.Errorf("%q: %q", field.Path, field.Message)
				}
			}
		}
	})
}
