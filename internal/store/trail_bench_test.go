package store

import (
	"context"
	"testing"
	"time"

	"bayhold/internal/pgtest"
	"bayhold/internal/site"
)

// BenchmarkSeal books, and notes a hundred events in one act, with the seal and,
// for the ratio, with a trigger that numbers an event and does not seal it.
func BenchmarkSeal(b *testing.B) {
	for name, prepare := range map[string]string{
		"sealed": "",
		"bare": `CREATE OR REPLACE FUNCTION seal_event() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER AS $$ BEGIN
			UPDATE site_counter SET revision = revision + 1 WHERE site_id = NEW.site_id RETURNING revision INTO NEW.revision;
			NEW.seal := decode(repeat('00', 32), 'hex');
			RETURN NEW; END $$`,
	} {
		b.Run("booking/"+name, func(b *testing.B) {
			s := sealing(b, prepare)
			n := 0
			for b.Loop() {
				n++
				c := claim(bay(1), noon.Add(time.Duration(n)*time.Hour), time.Hour)
				if _, err := book(b.Context(), s, request("book"), site.Job{Reference: "W", State: site.Confirmed}, c); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run("hundred/"+name, func(b *testing.B) {
			s := sealing(b, prepare)
			tool := site.Tool{Tag: "TW-1", Type: "wrench-200", Condition: site.Serviceable, Home: "Cabinet A3", ConditionNote: "as good as new"}
			for b.Loop() {
				_, err := Act(b.Context(), s, request("import"), func(_ context.Context, tx *Tx) (int, error) {
					for range 100 {
						tx.Log(Event{Kind: "tool.changed", Subject: "tools/TW-1", Details: map[string]any{"before": tool, "after": tool}})
					}
					return 0, nil
				})
				if err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// sealing opens a site with one bay, in a database that was prepared so.
func sealing(b *testing.B, prepare string) *Store {
	b.Helper()
	db := pgtest.New(b)
	if _, err := db.Pool(b).Exec(b.Context(), prepare); err != nil {
		b.Fatal(err)
	}
	s, err := Open(b.Context(), db.URL)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.Close)
	first := request("make")
	first.NewSite = true
	_, err = Act(b.Context(), s, first, func(ctx context.Context, tx *Tx) (int, error) {
		if err := tx.PutSite(ctx, site.Site{ID: "north", Name: "North", TimeZone: "Europe/Lisbon"}); err != nil {
			return 0, err
		}
		return 0, tx.PutBay(ctx, site.Bay{ID: "bay-1", Name: "Bay 1"})
	})
	if err != nil {
		b.Fatal(err)
	}
	return s
}
