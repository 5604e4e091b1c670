package store

import (
	"testing"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/pgtest"
)

// TestEveryKeyBeginsWithTheSite reads from the catalogue which keys there are.
// site_id is the distribution key should the schema be sharded: a primary,
// unique, foreign or exclusion key that begins otherwise would reach over sites.
func TestEveryKeyBeginsWithTheSite(t *testing.T) {
	t.Parallel()
	pool := pgtest.New(t).Pool(t)
	rows, err := pool.Query(t.Context(), `
		SELECT c.conname, a.attname
		FROM pg_constraint c
		JOIN pg_class r ON r.oid = c.conrelid
		JOIN pg_namespace n ON n.oid = r.relnamespace
		JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = c.conkey[1]
		WHERE n.nspname = 'public' AND c.contype IN ('p', 'u', 'f', 'x') AND r.relname NOT LIKE 'goose%'
		UNION
		SELECT i.relname, a.attname
		FROM pg_index x
		JOIN pg_class i ON i.oid = x.indexrelid
		JOIN pg_class r ON r.oid = x.indrelid
		JOIN pg_namespace n ON n.oid = r.relnamespace
		JOIN pg_attribute a ON a.attrelid = x.indrelid AND a.attnum = x.indkey[0]
		WHERE n.nspname = 'public' AND x.indisunique AND r.relname NOT LIKE 'goose%'`)
	if err != nil {
		t.Fatal(err)
	}
	var key, first string
	keys := 0
	_, err = pgx.ForEachRow(rows, []any{&key, &first}, func() error {
		keys++
		if first != "site_id" {
			t.Errorf("%s begins with %s", key, first)
		}
		return nil
	})
	if err != nil || keys < 30 {
		t.Errorf("%d keys were read: %v", keys, err)
	}
}
