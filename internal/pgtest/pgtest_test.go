package pgtest_test

import (
	"context"
	"testing"

	"bayhold/internal/pgtest"
)

func TestNewIsMigratedAndApart(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	a, b := pgtest.New(t), pgtest.New(t)
	if _, err := a.Pool(t).Exec(ctx, "CREATE TABLE only_here (x int)"); err != nil {
		t.Fatal(err)
	}
	var there bool
	if err := b.Pool(t).QueryRow(ctx, "SELECT to_regclass('only_here') IS NOT NULL").Scan(&there); err != nil {
		t.Fatal(err)
	}
	if there {
		t.Error("a table made in one test's database is in another's")
	}
}
