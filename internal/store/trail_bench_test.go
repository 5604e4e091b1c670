package store

import (
	"context"
	"testing"
	"time"

	"bayhold/internal/pgtest"
	"bayhold/internal/site"
)

// BenchmarkBook books with the seal and, for the ratio, with a trigger that
// numbers the event and does not seal it.
func BenchmarkBook(b *testing.B) {
	for name, prepare := range map[string]string{
		"sealed": "",
		"bare": `CREATE OR REPLACE FUNCTION seal_event() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER AS $$ BEGIN
			UPDATE site_counter SET revision = revision + 1 WHERE site_id = NEW.site_id RETURNING revision INTO NEW.revision;
			NEW.seal := decode(repeat('00', 32), 'hex');
			RETURN NEW; END $$`,
	} {
		b.Run(name, func(b *testing.B) {
			db := pgtest.New(b)
			pool := db.Pool(b)
			if _, err := pool.Exec(b.Context(), prepare); err != nil {
				b.Fatal(err)
			}
			s, err := Open(b.Context(), db.URL)
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			first := request("make")
			first.NewSite = true
			if _, err := Act(b.Context(), s, first, func(ctx context.Context, tx *Tx) (int, error) {
				if err := tx.PutSite(ctx, site.Site{ID: "north", Name: "North", TimeZone: "Europe/Lisbon"}); err != nil {
					return 0, err
				}
				return 0, tx.PutBay(ctx, site.Bay{ID: "bay-1", Name: "Bay 1"})
			}); err != nil {
				b.Fatal(err)
			}
			n := 0
			for b.Loop() {
				n++
				c := claim(bay(1), noon.Add(time.Duration(n)*time.Hour), time.Hour)
				if _, err := book(b.Context(), s, request("book"), site.Job{Reference: "W", State: site.Confirmed}, c); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
