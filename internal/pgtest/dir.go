package pgtest

import (
	"os"
	"testing"
)

// Dir makes a directory that is removed when the test ends and that every user
// can get into, unlike t.TempDir: a private PostgreSQL that root starts in it
// runs as somebody else.
func Dir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "bayhold-")
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Errorf("pgtest: %v", err)
		}
	})
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	return dir
}
