package migrations_test

import (
	"flag"
	"os"
	"testing"

	"bayhold/internal/pgtest"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write schema.sql anew")

// TestSchemaSnapshot keeps schema.sql, which reviewers read, true.
func TestSchemaSnapshot(t *testing.T) {
	const file = "schema.sql"
	got := "-- Made by `go generate ./migrations`; not to be edited. It shows where all steps\n" +
		"-- together lead, as the catalogue has it.\n" + pgtest.New(t).Schema(t)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("schema.sql is not where the steps lead; run `go generate ./migrations` (-file +database):\n%s", diff)
	}
}
