package workshop

import (
	"testing"
	"time"

	"bayhold/internal/site"
)

// TestWeekendsOnWhichTheClockChanges begins the chain an hour before the end of
// a Friday's shift. It goes on at eight by the local clock on Monday, whether
// the weekend had 47, 48 or 49 hours, and is done at noon.
//
// The days of change are those of the zone database: in Lisbon the last Sundays
// of March and October, in New York the second Sunday of March and the first of
// November.
func TestWeekendsOnWhichTheClockChanges(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		zone   string
		friday time.Time     // of the year 2031, at 16:00 by the local clock
		length time.Duration // from then to Monday noon
	}{
		"Lisbon, spring":        {"Europe/Lisbon", time.Date(2031, 3, 28, 16, 0, 0, 0, time.UTC), 67 * time.Hour},
		"Lisbon, an even week":  {"Europe/Lisbon", time.Date(2031, 4, 4, 15, 0, 0, 0, time.UTC), 68 * time.Hour},
		"Lisbon, autumn":        {"Europe/Lisbon", time.Date(2031, 10, 24, 15, 0, 0, 0, time.UTC), 69 * time.Hour},
		"New York, spring":      {"America/New_York", time.Date(2031, 3, 7, 21, 0, 0, 0, time.UTC), 67 * time.Hour},
		"New York, autumn":      {"America/New_York", time.Date(2031, 10, 31, 20, 0, 0, 0, time.UTC), 69 * time.Hour},
		"Lord Howe, half hours": {"Australia/Lord_Howe", time.Date(2031, 4, 4, 5, 0, 0, 0, time.UTC), 68*time.Hour + 30*time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := small(t)
			w.now = func() time.Time { return time.Date(2031, 3, 1, 0, 0, 0, 0, time.UTC) }
			if _, err := w.EditSite(t.Context(), act("zone"), func(v *site.Site) { v.TimeZone = c.zone }); err != nil {
				t.Fatal(err)
			}
			answer, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: []string{"chain"}, Start: c.friday})
			if err != nil || !answer.Possible {
				t.Fatalf("%+v, %v", answer.Blockers, err)
			}
			if got := answer.Plan.During.Length(); got != c.length {
				t.Errorf("in the bay for %v, want %v", got, c.length)
			}
			booked, err := book(t, w, "W-800", *answer.Plan)
			if err != nil {
				t.Fatal(err)
			}
			for _, b := range booked.Bookings {
				if b.Kind == site.KindBay && b.During.Length() != c.length {
					t.Errorf("the bay is booked for %v, want %v", b.During.Length(), c.length)
				}
			}
		})
	}
}
