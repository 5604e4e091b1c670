package hours_test

import (
	"testing"
	"time"
	_ "time/tzdata" // the days below must come out alike on every machine

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/hours"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func instant(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func stretches(t testing.TB, s string) []hours.Stretch {
	t.Helper()
	day, err := hours.ParseStretches(s)
	if err != nil {
		t.Fatal(err)
	}
	return day
}

// daily is the pattern with the same stretches every day.
func daily(t testing.TB, s string) hours.Pattern {
	var p hours.Pattern
	for i := range p.Week {
		p.Week[i] = stretches(t, s)
	}
	return p
}

func date(t testing.TB, s string) hours.Date {
	t.Helper()
	d, err := hours.ParseDate(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// The days of change are those of the IANA zone database: in 2026 Europe/Berlin
// turns on 29 March and 25 October at 01:00 UTC, America/New_York on 8 March at
// 07:00 and 1 November at 06:00 UTC, Australia/Lord_Howe by half an hour on
// 4 April at 15:00 and 3 October at 15:30 UTC. Asia/Tokyo does not turn.
func TestExpandOnDaysOfChange(t *testing.T) {
	for name, tc := range map[string]struct {
		zone, day, shift, start, end string
		length                       time.Duration
	}{
		"Berlin, whole day of 23 hours":            {"Europe/Berlin", "2026-03-29", "00:00-24:00", "2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z", 23 * time.Hour},
		"Berlin, whole day of 25 hours":            {"Europe/Berlin", "2026-10-25", "00:00-24:00", "2026-10-24T22:00:00Z", "2026-10-25T23:00:00Z", 25 * time.Hour},
		"Berlin, day shift on a day of 23 hours":   {"Europe/Berlin", "2026-03-29", "08:00-12:00", "2026-03-29T06:00:00Z", "2026-03-29T10:00:00Z", 4 * time.Hour},
		"Berlin, night shift an hour shorter":      {"Europe/Berlin", "2026-03-28", "22:00-06:00", "2026-03-28T21:00:00Z", "2026-03-29T04:00:00Z", 7 * time.Hour},
		"Berlin, night shift an hour longer":       {"Europe/Berlin", "2026-10-24", "22:00-06:00", "2026-10-24T20:00:00Z", "2026-10-25T05:00:00Z", 9 * time.Hour},
		"Berlin, start skipped: from the change":   {"Europe/Berlin", "2026-03-29", "02:30-04:00", "2026-03-29T01:00:00Z", "2026-03-29T02:00:00Z", time.Hour},
		"Berlin, end skipped: to the change":       {"Europe/Berlin", "2026-03-29", "01:00-02:30", "2026-03-29T00:00:00Z", "2026-03-29T01:00:00Z", time.Hour},
		"Berlin, start twice: from the first":      {"Europe/Berlin", "2026-10-25", "02:30-04:00", "2026-10-25T00:30:00Z", "2026-10-25T03:00:00Z", 150 * time.Minute},
		"Berlin, end twice: to the first":          {"Europe/Berlin", "2026-10-25", "01:00-02:30", "2026-10-24T23:00:00Z", "2026-10-25T00:30:00Z", 90 * time.Minute},
		"New York, whole day of 23 hours":          {"America/New_York", "2026-03-08", "00:00-24:00", "2026-03-08T05:00:00Z", "2026-03-09T04:00:00Z", 23 * time.Hour},
		"New York, whole day of 25 hours":          {"America/New_York", "2026-11-01", "00:00-24:00", "2026-11-01T04:00:00Z", "2026-11-02T05:00:00Z", 25 * time.Hour},
		"New York, night shift an hour longer":     {"America/New_York", "2026-10-31", "22:00-06:00", "2026-11-01T02:00:00Z", "2026-11-01T11:00:00Z", 9 * time.Hour},
		"Lord Howe, whole day of 24.5 hours":       {"Australia/Lord_Howe", "2026-04-05", "00:00-24:00", "2026-04-04T13:00:00Z", "2026-04-05T13:30:00Z", 24*time.Hour + 30*time.Minute},
		"Lord Howe, whole day of 23.5 hours":       {"Australia/Lord_Howe", "2026-10-04", "00:00-24:00", "2026-10-03T13:30:00Z", "2026-10-04T13:00:00Z", 23*time.Hour + 30*time.Minute},
		"Lord Howe, start skipped by half an hour": {"Australia/Lord_Howe", "2026-10-04", "02:15-03:00", "2026-10-03T15:30:00Z", "2026-10-03T16:00:00Z", 30 * time.Minute},
		"Tokyo, whole day of 24 hours":             {"Asia/Tokyo", "2026-03-29", "00:00-24:00", "2026-03-28T15:00:00Z", "2026-03-29T15:00:00Z", 24 * time.Hour},
	} {
		t.Run(name, func(t *testing.T) {
			z, d := zone(t, tc.zone), date(t, tc.day)
			p := hours.Pattern{Exceptions: map[hours.Date][]hours.Stretch{d: stretches(t, tc.shift)}}
			got := p.Expand(z, d.At(-1440, z), d.At(2*1440, z))
			want := []hours.Range{{Start: instant(t, tc.start), End: instant(t, tc.end)}}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Fatalf("-want +got:\n%s", diff)
			}
			if got[0].Length() != tc.length {
				t.Errorf("length %v, want %v", got[0].Length(), tc.length)
			}
		})
	}
}

// A stretch cut at a skipped or doubled time is the whole when put together.
func TestStretchesThatTouchLeaveNoGap(t *testing.T) {
	for _, tc := range []struct{ zone, day string }{
		{"Europe/Berlin", "2026-03-29"}, {"Europe/Berlin", "2026-10-25"},
		{"America/New_York", "2026-03-08"}, {"America/New_York", "2026-11-01"},
		{"Australia/Lord_Howe", "2026-04-05"}, {"Australia/Lord_Howe", "2026-10-04"},
	} {
		z, d := zone(t, tc.zone), date(t, tc.day)
		whole := daily(t, "00:00-24:00").Expand(z, d.At(0, z), d.At(1440, z))
		cut := daily(t, "00:00-01:40, 01:40-02:20, 02:20-24:00").Expand(z, d.At(0, z), d.At(1440, z))
		if diff := cmp.Diff(whole, cut); diff != "" {
			t.Errorf("%s %s: -whole +cut:\n%s", tc.zone, tc.day, diff)
		}
	}
}

// Samoa had no 30 December 2011: it moved across the date line (IANA zone
// database, Pacific/Apia).
func TestExpandOverADayThatNeverWas(t *testing.T) {
	z := zone(t, "Pacific/Apia")
	d := date(t, "2011-12-30")
	got := daily(t, "08:00-16:00").Expand(z, d.AddDays(-1).At(0, z), d.AddDays(2).At(0, z))
	want := []hours.Range{
		{Start: instant(t, "2011-12-29T18:00:00Z"), End: instant(t, "2011-12-30T02:00:00Z")},
		{Start: instant(t, "2011-12-30T18:00:00Z"), End: instant(t, "2011-12-31T02:00:00Z")},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestExpand(t *testing.T) {
	z := time.FixedZone("", 0)
	week := hours.Pattern{}
	week.Week[time.Monday] = stretches(t, "08:00-12:00, 13:00-17:00")
	week.Week[time.Tuesday] = stretches(t, "22:00-06:00")
	week.Week[time.Wednesday] = stretches(t, "06:00-08:00")
	with := func(day, s string) hours.Pattern {
		p := week
		p.Exceptions = map[hours.Date][]hours.Stretch{date(t, day): stretches(t, s)}
		return p
	}
	// 2026-11-23 is a Monday.
	for name, tc := range map[string]struct {
		pattern  hours.Pattern
		from, to string
		want     []string // pairs of start and end, in November 2026
	}{
		"two stretches a day":             {week, "23T00:00", "24T00:00", []string{"23T08:00", "23T12:00", "23T13:00", "23T17:00"}},
		"clipped at both ends":            {week, "23T09:00", "23T14:30", []string{"23T09:00", "23T12:00", "23T13:00", "23T14:30"}},
		"night shift joins the next day":  {week, "24T00:00", "26T00:00", []string{"24T22:00", "25T08:00"}},
		"night shift of the day before":   {week, "25T01:00", "25T02:00", []string{"25T01:00", "25T02:00"}},
		"nothing between":                 {week, "26T00:00", "30T00:00", nil},
		"empty time":                      {week, "23T09:00", "23T09:00", nil},
		"time that ends before it begins": {week, "23T10:00", "23T09:00", nil},
		"exception: a day off":            {with("2026-11-23", "off"), "23T00:00", "24T00:00", nil},
		"exception: other hours":          {with("2026-11-26", "10:00-11:00"), "26T00:00", "27T00:00", []string{"26T10:00", "26T11:00"}},
		"exception leaves the night before": {
			with("2026-11-25", "off"), "25T00:00", "26T00:00", []string{"25T00:00", "25T06:00"},
		},
		"two days long": {
			with("2026-11-26", "00:00-24:00+1"), "27T23:00", "29T00:00", []string{"27T23:00", "28T00:00"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			at := func(s string) time.Time { return instant(t, "2026-11-"+s+":00Z") }
			var want []hours.Range
			for i := 0; i < len(tc.want); i += 2 {
				want = append(want, hours.Range{Start: at(tc.want[i]), End: at(tc.want[i+1])})
			}
			if diff := cmp.Diff(want, tc.pattern.Expand(z, at(tc.from), at(tc.to))); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func TestDates(t *testing.T) {
	d := date(t, "2026-12-31")
	if got := d.AddDays(1).String(); got != "2027-01-01" {
		t.Errorf("day after %s is %s", d, got)
	}
	if got := d.Weekday(); got != time.Thursday { // ISO 8601: 2026-W53-4
		t.Errorf("%s is a %s", d, got)
	}
	if got := hours.DateOf(instant(t, "2026-12-31T23:30:00Z"), zone(t, "Europe/Berlin")).String(); got != "2027-01-01" {
		t.Errorf("half past midnight in Berlin is on %s", got)
	}
	for _, bad := range []hours.Date{{}, {Year: 2026, Month: 2, Day: 29}, {Year: 2026, Month: 13, Day: 1}, {Year: 10000, Month: 1, Day: 1}} {
		if bad.Valid() {
			t.Errorf("%v is valid", bad)
		}
	}
}
