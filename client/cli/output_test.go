package cli

import (
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.yaml.in/yaml/v3"
)

// answered tells whether a command line of the golden cases answers on standard
// output with exactly one document or table.
func answered(r result) bool { return r.code == exitDone || r.code == exitNo }

// TestYAMLEverywhere holds the YAML of every command to its JSON.
func TestYAMLEverywhere(t *testing.T) {
	for _, c := range goldenCases() {
		if line := strings.Join(c.args, " "); strings.Contains(line, "json") || strings.Contains(line, "-o ") {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			read := func(form string) (any, result) {
				f := newFake(t)
				if c.set != nil {
					c.set(f)
				}
				env := f.env(t)
				env["BAYHOLD_OUTPUT"] = form
				r := runWith(t, env, "", c.args...)
				text := strings.ReplaceAll(r.out+r.err, f.addr, "SERVER")
				var v any
				if form == "json" {
					if err := json.Unmarshal([]byte(text), &v); err != nil {
						t.Fatalf("%v: %s", err, text)
					}
				} else if err := yaml.Unmarshal([]byte(text), &v); err != nil {
					t.Fatalf("%v: %s", err, text)
				}
				raw, err := json.Marshal(v)
				if err != nil {
					t.Fatal(err)
				}
				v = nil
				if err := json.Unmarshal(raw, &v); err != nil {
					t.Fatal(err)
				}
				return v, r
			}
			want, _ := read("json")
			got, r := read("yaml")
			if diff := cmp.Diff(want, got, cmp.FilterPath(requestIDs, cmp.Ignore())); diff != "" {
				t.Errorf("exit %d (-json +yaml):\n%s", r.code, diff)
			}
			if strings.HasPrefix(r.out+r.err, "{") {
				t.Errorf("that is JSON:\n%s", r.out+r.err)
			}
		})
	}
}

// requestIDs says that a value is drawn anew in each run.
func requestIDs(p cmp.Path) bool {
	last := p.Last().String()
	return strings.Contains(last, `"requestId"`) || strings.Contains(last, `"try"`)
}

// TestCSVEverywhere holds the CSV of every command to RFC 4180: rows of equal
// length after one of titles, and instants that a program can read.
func TestCSVEverywhere(t *testing.T) {
	for _, c := range goldenCases() {
		line := strings.Join(c.args, " ")
		if strings.Contains(line, "json") || strings.Contains(line, "-o ") || strings.HasPrefix(line, "tool export") || strings.Contains(line, "--mapping-template") || strings.Contains(line, "--html") {
			continue // those have a form of their own
		}
		t.Run(c.name, func(t *testing.T) {
			f := newFake(t)
			if c.set != nil {
				c.set(f)
			}
			r := f.run(t, append([]string{"--output", "csv"}, c.args...)...)
			if !answered(r) {
				return
			}
			rows, err := csv.NewReader(strings.NewReader(r.out)).ReadAll()
			if err != nil || strings.Count(r.out, "\n") != strings.Count(r.out, "\r\n") {
				t.Fatalf("%v:\n%s", err, r.out)
			}
			if len(rows) == 1 && c.name != "job-book-promise-percent" { // that fake books nothing
				t.Errorf("titles without rows: %q", r.out)
			}
			for _, row := range rows {
				for _, cell := range row {
					for _, month := range []string{" Nov ", " Dec "} {
						if len(cell) < 20 && strings.Contains(cell, month) {
							t.Errorf("an instant for people: %q in\n%s", cell, r.out)
						}
					}
				}
			}
		})
	}
}
