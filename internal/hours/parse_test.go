package hours_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
)

func TestParseStretches(t *testing.T) {
	for _, tc := range []struct {
		in   string
		want []hours.Stretch
	}{
		{"off", nil},
		{"08:00-12:30", []hours.Stretch{{480, 750}}},
		{" 8:00 - 12:30 ", []hours.Stretch{{480, 750}}},
		{"08:00-12:00, 13:00-17:00", []hours.Stretch{{480, 720}, {780, 1020}}},
		{"08:00-12:00,12:00-17:00", []hours.Stretch{{480, 720}, {720, 1020}}},
		{"00:00-24:00", []hours.Stretch{{0, 1440}}},
		{"22:00-06:00", []hours.Stretch{{1320, 1800}}},
		{"06:00-10:00, 22:00-06:00", []hours.Stretch{{360, 600}, {1320, 1800}}},
		{"08:00-10:00+1", []hours.Stretch{{480, 2040}}},
		{"00:00-24:00+1", []hours.Stretch{{0, 2880}}},
	} {
		got, err := hours.ParseStretches(tc.in)
		if err != nil {
			t.Errorf("%q: %v", tc.in, err)
		}
		if diff := cmp.Diff(tc.want, got); diff != "" {
			t.Errorf("%q: -want +got:\n%s", tc.in, diff)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, tc := range []struct{ in, reason, says string }{
		{"", "BAD_STRETCH", "write it like 08:00-12:30"},
		{"08:00", "BAD_STRETCH", "write it like 08:00-12:30"},
		{"08:00-08:00", "BAD_STRETCH", "00:00-24:00"},
		{"24:00-02:00", "BAD_STRETCH", "on the next day"},
		{"08:00-12", "BAD_CLOCK", `"12" is no time of day`},
		{"08:60-12:00", "BAD_CLOCK", `"08:60" is no time of day`},
		{"24:01-02:00", "BAD_CLOCK", "at most 24:00"},
		{"08:0-12:00", "BAD_CLOCK", "write it like 08:00"},
		{"+8:00-12:00", "BAD_CLOCK", "write it like 08:00"},
		{"08:00-12:00,", "BAD_STRETCH", "write it like 08:00-12:30"},
		{"08:00-12:00, 11:00-13:00", "STRETCHES_OVERLAP", "11:00-13:00 begins before 08:00-12:00 has ended"},
		{"13:00-14:00, 08:00-12:00", "STRETCHES_OVERLAP", "in order"},
		{"00:00-01:00" + strings.Repeat(", 00:00-01:00", 12), "TOO_MANY_STRETCHES", "at most 12"},
		{strings.Repeat("8", 5000), "BAD_STRETCH", "…"},
	} {
		_, err := hours.ParseStretches(tc.in)
		f := fault.Fault(err)
		if f == nil || f.Kind != fault.Invalid || f.Reason != tc.reason || !strings.Contains(f.Message, tc.says) || len(f.Message) > 300 {
			t.Errorf("%.40q: got %v, want %s with %q", tc.in, err, tc.reason, tc.says)
		}
	}
	for _, in := range []string{"", "2026-02-29", "2026-1-1", "26-01-01", "0000-01-01", "2026-01-01T00:00:00Z"} {
		if d, err := hours.ParseDate(in); err == nil {
			t.Errorf("%q is the day %v", in, d)
		}
	}
}

func TestParseWeekdays(t *testing.T) {
	for in, want := range map[string][]time.Weekday{
		"mon":          {time.Monday},
		"Mon-Wed":      {time.Monday, time.Tuesday, time.Wednesday},
		"sat, mon":     {time.Saturday, time.Monday},
		"fri-mon":      {time.Friday, time.Saturday, time.Sunday, time.Monday},
		"mon-mon":      {time.Monday},
		"":             nil,
		"mon-fri, wed": nil,
		"monday":       nil,
		"mon-":         nil,
		"-mon":         nil,
	} {
		got, err := hours.ParseWeekdays(in)
		if diff := cmp.Diff(want, got); diff != "" || (err == nil) != (want != nil) {
			t.Errorf("%q: %v, -want +got:\n%s", in, err, diff)
		}
	}
}

func TestPatternString(t *testing.T) {
	var p hours.Pattern
	if got := p.String(); got != "off" {
		t.Errorf("empty pattern is %q", got)
	}
	for d := time.Monday; d <= time.Thursday; d++ {
		p.Week[d] = stretches(t, "08:00-12:00, 13:00-17:00")
	}
	p.Week[time.Friday] = stretches(t, "08:00-12:00")
	p.Week[time.Sunday] = stretches(t, "22:00-06:00")
	want := "mon-thu 08:00-12:00, 13:00-17:00; fri 08:00-12:00; sun 22:00-06:00"
	if got := p.String(); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestStretchesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := rapid.IntRange(0, 1439).Draw(t, "start")
		s := hours.Stretch{Start: start, End: rapid.IntRange(start+1, 2880).Draw(t, "end")}
		if got, err := hours.ParseStretch(s.String()); err != nil || got != s {
			t.Fatalf("%+v is written %q and read %+v, %v", s, s, got, err)
		}
	})
}

func TestValidate(t *testing.T) {
	night := daily(t, "22:00-06:00")
	overlap := daily(t, "22:00-06:00")
	overlap.Week[time.Monday] = stretches(t, "05:00-07:00")
	odd := hours.Pattern{}
	odd.Week[time.Sunday] = []hours.Stretch{{-1, 10}}
	odd.Week[time.Tuesday] = []hours.Stretch{{600, 600}}
	odd.Week[time.Thursday] = []hours.Stretch{{600, 2881}}
	late := daily(t, "04:00-08:00")
	late.Exceptions = map[hours.Date][]hours.Stretch{
		date(t, "2026-11-25"):              stretches(t, "22:00-05:00"),
		{Year: 2026, Month: 2, Day: 30}:    nil,
		date(t, "2026-12-01"):              nil,
		date(t, "2026-12-02"):              stretches(t, "20:00-02:00"),
		date(t, "2026-12-03"):              stretches(t, "01:00-03:00"),
		{Year: 2026, Month: 12, Day: 9}:    {{100, 90}},
		{Year: 2026, Month: 12, Day: 2000}: nil,
	}
	for name, tc := range map[string]struct {
		pattern hours.Pattern
		paths   []string
	}{
		"nothing":                    {hours.Pattern{}, nil},
		"nights":                     {night, nil},
		"into the next day":          {overlap, []string{"mon"}},
		"out of bounds":              {odd, []string{"sun", "tue", "thu"}},
		"exceptions with neighbours": {late, []string{"2026-02-30", "2026-11-26", "2026-12-03", "2026-12-09", "2026-12-2000"}},
	} {
		t.Run(name, func(t *testing.T) {
			var paths []string
			if err := tc.pattern.Validate(); err != nil {
				for _, f := range fault.Fault(err).Fields {
					paths = append(paths, f.Path)
				}
			}
			if diff := cmp.Diff(tc.paths, paths); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"off", "08:00-12:00, 13:00-17:00", "22:00-06:00", "00:00-24:00+1", "mon-fri", "2026-11-25", "8:00-\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if day, err := hours.ParseStretches(s); err == nil {
			again, err := hours.ParseStretches(hours.FormatStretches(day))
			if diff := cmp.Diff(day, again); err != nil || diff != "" {
				t.Errorf("%q: %v, -want +got:\n%s", s, err, diff)
			}
			if err := (hours.Pattern{Exceptions: map[hours.Date][]hours.Stretch{{Year: 2026, Month: 1, Day: 1}: day}}).Validate(); err != nil {
				t.Errorf("%q is read but not sound: %v", s, err)
			}
		} else if fault.KindOf(err) != fault.Invalid {
			t.Errorf("%q: %v is no fault of the input", s, err)
		}
		if d, err := hours.ParseDate(s); err == nil && d.String() != s {
			t.Errorf("%q is written %q", s, d)
		}
		if days, err := hours.ParseWeekdays(s); err == nil && (len(days) == 0 || len(days) > 7) {
			t.Errorf("%q: %d weekdays", s, len(days))
		}
	})
}
