package store

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/hours"
	"bayhold/internal/pgtest"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// everything asks for all that a question can.
var everything = Question{
	Procedures: []site.ProcedureRef{{ID: "belt"}},
	During:     hours.Range{Start: noon.AddDate(0, 0, -1), End: noon.AddDate(0, 0, 1)},
}

// twoServers gives two stores on one database with the site of withSite and a
// procedure, and a way to look behind them.
func twoServers(t *testing.T) (a, b *Store, db *pgtest.DB) {
	t.Helper()
	a, db = withSiteOn(t)
	b, err := Open(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	do(t, a, func(ctx context.Context, tx *Tx) error {
		return errors.Join(
			tx.PutEngineFamily(ctx, site.EngineFamily{ID: "orbit", Name: "Orbit"}),
			tx.PutPreparation(ctx, procedure.Preparation{ID: "open", Family: "orbit"}),
			tx.PutProcedure(ctx, procedure.Procedure{ID: "belt", Version: 1, State: procedure.Issued, Family: "orbit", Title: "Belt"}),
		)
	})
	return a, b, db
}

func do(t *testing.T, s *Store, fn func(context.Context, *Tx) error) {
	t.Helper()
	if _, err := Act(t.Context(), s, request("change"), func(ctx context.Context, tx *Tx) (int, error) { return 0, fn(ctx, tx) }); err != nil {
		t.Fatal(err)
	}
}

func gather(t *testing.T, s *Store, q Question) Material {
	t.Helper()
	m, err := s.Gather(t.Context(), "north", q, noon)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// gatherToBook asks as a booking does: in its transaction, which takes bay 1.
func gatherToBook(t *testing.T, s *Store) Material {
	t.Helper()
	var m Material
	do(t, s, func(ctx context.Context, tx *Tx) (err error) {
		m, err = tx.LapseAndGather(ctx, []Ref{bay(1)}, everything)
		return err
	})
	return m
}

// TestAnotherServersChangeIsSeenAtOnce changes each part of the catalogue on one
// server, while another one has read it before.
func TestAnotherServersChangeIsSeenAtOnce(t *testing.T) {
	t.Parallel()
	a, b, _ := twoServers(t)
	before := gather(t, b, everything)
	for name, change := range map[string]struct {
		put  func(context.Context, *Tx) error
		seen func(Material) bool
	}{
		"a tool's condition": {
			func(ctx context.Context, tx *Tx) error {
				return tx.PutTool(ctx, site.Tool{Tag: "TW-1", Type: "wrench", Condition: site.Quarantined})
			},
			func(m Material) bool { return m.Tools[0].Condition == site.Quarantined },
		},
		"a closure": {
			func(ctx context.Context, tx *Tx) error { return tx.PutBay(ctx, site.Bay{ID: "bay-1", Name: "Bay 1"}) },
			func(m Material) bool { return len(m.Bays[0].Closures) == 0 },
		},
		"a technician": {
			func(ctx context.Context, tx *Tx) error {
				return tx.PutTechnician(ctx, site.Technician{ID: "ben", Name: "Ben"})
			},
			func(m Material) bool { return len(m.Technicians) == 2 },
		},
		"a tool type": {
			func(ctx context.Context, tx *Tx) error {
				return tx.PutToolType(ctx, site.ToolType{ID: "wrench", Name: "Long wrench", Purpose: site.Torque})
			},
			func(m Material) bool { return m.ToolTypes[0].Name == "Long wrench" },
		},
		"a preparation": {
			func(ctx context.Context, tx *Tx) error {
				return tx.PutPreparation(ctx, procedure.Preparation{ID: "open", Title: "Opened"})
			},
			func(m Material) bool { return m.Preparations[0].Title == "Opened" },
		},
		"a version": {
			func(ctx context.Context, tx *Tx) error {
				return tx.PutProcedure(ctx, procedure.Procedure{ID: "belt", Version: 2, State: procedure.Issued, Family: "orbit"})
			},
			func(m Material) bool { return len(m.Versions) == 1 && m.Versions[0].Version == 2 },
		},
	} {
		if change.seen(before) {
			t.Fatalf("%s: it was so before", name)
		}
		do(t, a, change.put)
		if !change.seen(gatherToBook(t, b)) {
			t.Errorf("%s: a booking on the other server does not see it", name)
		}
		if !change.seen(gather(t, b, everything)) {
			t.Errorf("%s: a question to the other server does not see it", name)
		}
	}
}

// TestKeptIsWhatIsRead holds what is answered from memory against what is read.
func TestKeptIsWhatIsRead(t *testing.T) {
	t.Parallel()
	a, b, _ := twoServers(t)
	read := gather(t, a, everything)
	if a.catalogues.of(siteKey("north")) == nil {
		t.Fatal("nothing is kept")
	}
	for what, m := range map[string]Material{"kept": gather(t, a, everything), "on another server": gatherToBook(t, b), "in a transaction": gatherToBook(t, a)} {
		if diff := cmp.Diff(read, m); diff != "" {
			t.Errorf("%s (-read +got):\n%s", what, diff)
		}
	}
	one := everything
	one.Refs = []Ref{bay(2), {site.KindTool, "TW-1"}}
	if m := gather(t, a, one); len(m.Bays) != 1 || m.Bays[0].ID != "bay-2" || len(m.Tools) != 1 || len(m.Technicians) != 0 {
		t.Errorf("of two resources: %+v", m)
	}
	one.Procedures = []site.ProcedureRef{{ID: "belt", Version: 7}}
	if m := gather(t, a, one); len(m.Versions) != 1 {
		t.Errorf("of a version that there is not, the newest is told besides: %+v", m.Versions)
	}
}

// TestATransactionSeesItsOwnChanges holds that what a transaction has changed and
// not committed is seen by it, and by nobody else.
func TestATransactionSeesItsOwnChanges(t *testing.T) {
	t.Parallel()
	a, _, _ := twoServers(t)
	gather(t, a, everything)
	undone := errors.New("undone")
	_, err := Act(t.Context(), a, request("change"), func(ctx context.Context, tx *Tx) (int, error) {
		if err := tx.PutBay(ctx, site.Bay{ID: "bay-1", Name: "Other"}); err != nil {
			return 0, err
		}
		m, err := tx.LapseAndGather(ctx, []Ref{bay(1)}, everything)
		if err != nil || m.Bays[0].Name != "Other" {
			t.Errorf("it sees %+v, %v", m.Bays, err)
		}
		return 0, undone
	})
	if !errors.Is(err, undone) {
		t.Fatal(err)
	}
	if m := gather(t, a, everything); m.Bays[0].Name != "Bay 1" {
		t.Errorf("others see %+v", m.Bays[0])
	}
}

// TestWhatTheCatalogueReadsIsMarked holds that every table which the catalogue is
// read from gives the site another mark with each kind of change, at the end of
// the transaction.
func TestWhatTheCatalogueReadsIsMarked(t *testing.T) {
	t.Parallel()
	_, _, db := twoServers(t)
	var batch pgx.Batch
	Reader{}.queueCatalogue(&batch)
	tables := map[string]bool{}
	for _, q := range batch.QueuedQueries {
		for _, m := range regexp.MustCompile(`(?:FROM|JOIN) (\w+)`).FindAllStringSubmatch(q.SQL, -1) {
			tables[m[1]] = true
		}
	}
	delete(tables, "site_counter")
	if len(tables) < 8 {
		t.Errorf("the catalogue is read from %v only", tables)
	}
	pool := db.Pool(t)
	for table := range tables {
		const rowInsertDeleteUpdate = 1 | 4 | 8 | 16 // pg_trigger.h: TRIGGER_TYPE_ROW, _INSERT, _DELETE, _UPDATE
		var kind int
		err := pool.QueryRow(t.Context(), `SELECT tgtype::int FROM pg_trigger
			WHERE tgrelid = $1::regclass AND tgname = 'catalogue' AND tgdeferrable AND tginitdeferred AND tgenabled = 'O'`, table).Scan(&kind)
		if err != nil || kind != rowInsertDeleteUpdate {
			t.Errorf("%s: the trigger is of type %d, %v", table, kind, err)
		}
	}
	mark := func() (m string) {
		if err := pool.QueryRow(t.Context(), "SELECT catalogue FROM site_counter").Scan(&m); err != nil {
			t.Fatal(err)
		}
		return m
	}
	for _, sql := range []string{
		"UPDATE tool SET home = 'drawer'", "UPDATE resource SET slug = slug", "DELETE FROM closure", "DELETE FROM preparation",
		"UPDATE technician SET skills = '{}'", "UPDATE bay SET features = '{}'", "UPDATE tool_type SET drive = ''", "DELETE FROM procedure",
	} {
		before := mark()
		if _, err := pool.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
		if mark() == before {
			t.Errorf("%s leaves the mark as it was", sql)
		}
	}
	before := mark()
	if _, err := pool.Exec(t.Context(), "UPDATE site SET display_name = 'Other'"); err != nil || mark() != before {
		t.Errorf("what is read with every question needs no mark: %v", err)
	}
}

// TestCataloguesAreBounded holds that the one that was not used for longest goes.
func TestCataloguesAreBounded(t *testing.T) {
	t.Parallel()
	k := newCatalogues(100)
	kept := func() (out []int64) {
		for id := range int64(6) {
			if k.bySite[id] != nil {
				out = append(out, id)
			}
		}
		return out
	}
	for id := range int64(3) {
		k.keep(id, &catalogue{bytes: 30})
	}
	k.of(0)
	k.keep(3, &catalogue{bytes: 40})
	if got := kept(); !slices.Equal(got, []int64{0, 2, 3}) {
		t.Errorf("kept %v", got)
	}
	k.keep(2, &catalogue{bytes: 10})
	k.keep(4, &catalogue{bytes: 101})
	if got := kept(); len(got) != 0 || k.bytes != 0 {
		t.Errorf("what is larger than all that may be kept leaves %v, %d bytes", got, k.bytes)
	}
	k.keep(5, &catalogue{bytes: 100})
	if got := kept(); !slices.Equal(got, []int64{5}) || k.bytes != 100 || k.order.Len() != 1 {
		t.Errorf("kept %v, %d bytes", got, k.bytes)
	}
}

// TestTheDatabaseJudges books without a look at what stands: the constraint
// refuses what overlaps all the same.
func TestTheDatabaseJudges(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	for n := range 2 {
		_, err := Act(t.Context(), s, request("book"), func(ctx context.Context, tx *Tx) (int, error) {
			_, _, err := tx.Book(ctx, site.Job{Reference: fmt.Sprint(n), State: site.Confirmed, Planned: everything.During}, false,
				[]site.Booking{claim(bay(1), noon, time.Hour)})
			return 0, err
		})
		if (n == 0) != (err == nil) {
			t.Errorf("booking %d: %v", n, err)
		}
	}
}
