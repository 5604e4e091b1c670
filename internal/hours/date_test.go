package hours

import (
	"testing"
	"time"
)

// TestNoonIsNoon asks for noon on every day to the year 2200, far beyond the
// tables of transitions that zones come with: no clock is changed at noon, so it
// must show twelve then. The end of a leap year there once took for ever.
func TestNoonIsNoon(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"UTC", "Europe/Lisbon", "Europe/Berlin", "America/New_York", "Australia/Sydney", "Asia/Kolkata", "Pacific/Chatham"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for d := (Date{Year: 2000, Month: 1, Day: 1}); d.Year <= 2200; d = d.AddDays(1) {
			if at := d.At(12*60, zone).In(zone); DateOf(at, zone) != d || at.Hour() != 12 || at.Minute() != 0 {
				t.Fatalf("noon of %v in %s is %v", d, name, at)
			}
		}
	}
}

// TestTimesThatAClockSkips goes by the tz database: in Lisbon 01:00 became 02:00
// on 30 March 2031, and Apia had no 30 December 2011.
func TestTimesThatAClockSkips(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		zone   string
		d      Date
		minute int
		want   string
	}{
		{"Europe/Lisbon", Date{2031, 3, 30}, 90, "2031-03-30T01:00:00Z"},
		{"Europe/Lisbon", Date{2031, 10, 26}, 90, "2031-10-26T00:30:00Z"}, // twice: the first
		{"Pacific/Apia", Date{2011, 12, 30}, 8 * 60, "2011-12-30T10:00:00Z"},
		{"Europe/Lisbon", Date{2040, 12, 31}, 8 * 60, "2040-12-31T08:00:00Z"},
	} {
		zone, err := time.LoadLocation(x.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := x.d.At(x.minute, zone).UTC().Format(time.RFC3339); got != x.want {
			t.Errorf("minute %d of %v in %s: %s, want %s", x.minute, x.d, x.zone, got, x.want)
		}
	}
}
