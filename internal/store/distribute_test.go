package store

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	pgparser "github.com/wasilibs/go-pgquery/parser"

	"bayhold/internal/pgtest"
)

// citus stands for the functions of Citus that the script calls, with the
// parameters of its documentation (from memory), and refuses what that says is
// refused: a key without the distribution column, a reference to a table that is
// not distributed yet.
const citus = `
CREATE TABLE pg_dist_partition (logicalrelid regclass PRIMARY KEY, place serial);
CREATE FUNCTION citus_set_coordinator_host(host text, port int DEFAULT 5432) RETURNS void LANGUAGE sql AS '';
CREATE FUNCTION citus_add_node(host text, port int) RETURNS int LANGUAGE sql AS 'SELECT 1';
CREATE FUNCTION create_distributed_table(table_name regclass, distribution_column text, distribution_type text DEFAULT 'hash',
	colocate_with text DEFAULT 'default', shard_count int DEFAULT NULL) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
	IF EXISTS (SELECT FROM pg_constraint c WHERE conrelid = table_name AND contype IN ('p', 'u', 'x', 'f')
		AND NOT EXISTS (SELECT FROM pg_attribute WHERE attrelid = table_name AND attname = distribution_column AND attnum = ANY (conkey))) THEN
		RAISE 'a key of % lacks %', table_name, distribution_column;
	END IF;
	IF EXISTS (SELECT FROM pg_constraint WHERE conrelid = table_name AND contype = 'f' AND confrelid <> conrelid
		AND confrelid NOT IN (SELECT logicalrelid FROM pg_dist_partition)) THEN
		RAISE '% refers to a table that is not distributed', table_name;
	END IF;
	INSERT INTO pg_dist_partition (logicalrelid) VALUES (table_name);
END $$`

// TestEveryTableIsDistributed runs the script of deploy/citus on a plain
// PostgreSQL, with something in the place of what Citus would do: it is the
// script's own SQL that is tried, and that it forgets no table; not Citus.
func TestEveryTableIsDistributed(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../deploy/citus/distribute.sql")
	if err != nil {
		t.Fatal(err)
	}
	var statements []string // without what only psql understands
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, `\`) {
			statements = append(statements, line)
		}
	}
	script := strings.Join(statements, "")
	conn, err := pgx.Connect(t.Context(), pgtest.New(t).Owner)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	for _, sql := range []string{citus, script} {
		if _, err := pgparser.ParseToJSON(sql); err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	rows, err := conn.Query(t.Context(), "SELECT logicalrelid::text FROM pg_dist_partition ORDER BY place")
	if err != nil {
		t.Fatal(err)
	}
	distributed, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	want := tablesOf(t, "../../migrations/schema.sql")
	if slices.Sort(distributed); !slices.Equal(distributed, want) {
		t.Errorf("distributed are\n%q\nwant\n%q", distributed, want)
	}
}

// tablesOf reads which tables a file of SQL creates.
func tablesOf(t *testing.T, path string) (out []string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := pgparser.ParseToJSON(string(text))
	if err != nil {
		t.Fatal(err)
	}
	var tree struct {
		Stmts []struct {
			Stmt struct {
				CreateStmt *struct {
					Relation struct{ Relname string }
				}
			}
		}
	}
	if err := json.Unmarshal([]byte(raw), &tree); err != nil {
		t.Fatal(err)
	}
	for _, s := range tree.Stmts {
		if c := s.Stmt.CreateStmt; c != nil {
			out = append(out, c.Relation.Relname)
		}
	}
	if len(out) < 30 {
		t.Fatalf("%s creates %d tables only", path, len(out))
	}
	slices.Sort(out)
	return out
}
