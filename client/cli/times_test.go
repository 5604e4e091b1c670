package cli

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// testClock is the site's clock at testNow, a Wednesday at 09:12.
func testClock() clock { return clock{zone: berlin, now: testNow} }

// TestRead holds the reader of times. Changes of clocks are those of the IANA
// time zone database: Europe/Berlin on the last Sundays of March and October,
// Africa/Cairo at midnight of 25 April 2025, Pacific/Apia without 30 December
// 2011.
func TestRead(t *testing.T) {
	const utc = "2006-01-02T15:04:05Z"
	tests := []struct {
		text string
		edge edge
		want string // RFC 3339 in UTC
		note bool
	}{
		{"2026-11-25 08:00", dayStart, "2026-11-25T07:00:00Z", false},
		{"2026-11-25T08:00", dayStart, "2026-11-25T07:00:00Z", false},
		{"  2026-11-25   8:00 ", dayStart, "2026-11-25T07:00:00Z", false},
		{"2026-11-25", dayStart, "2026-11-24T23:00:00Z", false},
		{"2026-11-25", dayEnd, "2026-11-25T23:00:00Z", false},
		{"2026-07-01 08:00", dayStart, "2026-07-01T06:00:00Z", false},
		{"2026-11-25T08:00:00+01:00", dayStart, "2026-11-25T07:00:00Z", false},
		{"2026-11-25T07:00Z", dayEnd, "2026-11-25T07:00:00Z", false},
		{"tue 8:00", dayStart, "2026-12-01T07:00:00Z", true},
		{"Tuesday 08:00", dayStart, "2026-12-01T07:00:00Z", true},
		{"wed 8:00", dayStart, "2026-12-02T07:00:00Z", true},  // 8:00 is over today
		{"wed 10:00", dayStart, "2026-11-25T09:00:00Z", true}, // 10:00 is to come
		{"wed", dayStart, "2026-12-01T23:00:00Z", true},
		{"wed", dayEnd, "2026-11-25T23:00:00Z", true},
		{"Wed 25 Nov 08:00", dayStart, "2026-11-25T07:00:00Z", true},
		{"25 Nov 2026 08:00", dayStart, "2026-11-25T07:00:00Z", false},
		{"5 jan 8:00", dayStart, "2027-01-05T07:00:00Z", true},
		{"1 october", dayStart, "2026-09-30T22:00:00Z", true}, // less than two months ago
		{"today 14:00", dayStart, "2026-11-25T13:00:00Z", true},
		{"today", dayEnd, "2026-11-25T23:00:00Z", true},
		{"tomorrow 8:00", dayStart, "2026-11-26T07:00:00Z", true},
		{"yesterday", dayStart, "2026-11-23T23:00:00Z", true},
		{"now", dayStart, "2026-11-25T08:13:00Z", true}, // rounded up
		{"+3h", dayStart, "2026-11-25T11:13:00Z", true},
		{"+2d", dayStart, "2026-11-27T08:13:00Z", true},
		{"+1w2d3h4m", dayStart, "2026-12-04T11:17:00Z", true},
		{"+2d 8:00", dayStart, "2026-11-27T07:00:00Z", true},
		{"-2d", dayStart, "2026-11-23T08:13:00Z", true},
		// Over a change of clocks: two calendar days, same time of day.
		{"+130d", dayStart, "2027-04-04T07:13:00Z", true},
		// The minute that comes twice: the first, unless the abbreviation tells.
		{"2026-10-25 02:30", dayStart, "2026-10-25T00:30:00Z", true},
		{"2026-10-25 02:30 CET", dayStart, "2026-10-25T01:30:00Z", false},
		{"2026-10-25 02:30 CEST", dayStart, "2026-10-25T00:30:00Z", false},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			r, err := testClock().read(tt.text, tt.edge)
			if err != nil {
				t.Fatal(err)
			}
			if got := r.at.UTC().Format(utc); got != tt.want || (r.note != "") != tt.note {
				t.Errorf("%s, note %q; want %s, note %v", got, r.note, tt.want, tt.note)
			}
		})
	}
}

// TestReadSince holds that a weekday in the second of two times is the next
// after the first, and that all else counts from now.
func TestReadSince(t *testing.T) {
	next := time.Date(2026, 12, 3, 8, 0, 0, 0, berlin) // Thursday of next week
	for _, tt := range []struct {
		first time.Time
		text  string
		edge  edge
		want  string
	}{
		{next, "thu 16:00", dayStart, "2026-12-03T15:00:00Z"},
		{next, "thu 8:00", dayStart, "2026-12-10T07:00:00Z"},
		{next, "thu", dayEnd, "2026-12-03T23:00:00Z"},
		{next, "wed", dayEnd, "2026-12-09T23:00:00Z"},
		{next, "+9d", dayEnd, "2026-12-04T08:13:00Z"},
		{testNow.AddDate(0, 0, -7), "fri", dayEnd, "2026-11-27T23:00:00Z"},
	} {
		r, err := testClock().since(tt.first).read(tt.text, tt.edge)
		if err != nil || r.at.Format(time.RFC3339) != tt.want {
			t.Errorf("%s since %s: %s, %v; want %s", tt.text, tt.first, r.at, err, tt.want)
		}
	}
}

// TestReadRefuses holds what the reader refuses, and that it says why.
func TestReadRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":                          "no time given",
		"soon":                      "is no time",
		"8:00":                      "which day?",
		"2026-02-30":                "is no time",
		"2026-11-25 24:00":          "00:00 to 23:59",
		"2026-11-25 8":              "no time of day",
		"2026-11-25 08:00 nonsense": "too much",
		"tue 2026-11-25 8:00":       "2026-11-25 is a Wednesday",
		"2026-03-29 02:30":          "clocks go from 02:00 to 03:00",
		"2026-11-25 08:00 CEST":     "do not show CEST",
		"2026-11-25T08:00:30+01:00": "no whole minute",
		"+3":                        "no length of time",
		"+3h 8:00":                  "whole days only",
		"-99999d":                   "out of range",
		"-99999d 8:00":              "out of range",
		"0001-01-01":                "out of range",
		"0001-01-01T00:00:00Z":      "out of range",
		"9999-12-31":                "out of range",
	} {
		if r, err := testClock().read(text, dayStart); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, %v; want an error with %q", text, r.at, err, want)
		}
	}
}

// TestMidnight holds the start of days that begin late, or are not there.
func TestMidnight(t *testing.T) {
	for _, tt := range []struct {
		zone string
		day  date
		want string
	}{
		{"Europe/Berlin", date{2026, 3, 29}, "2026-03-28T23:00:00Z"},
		{"Africa/Cairo", date{2025, 4, 25}, "2025-04-24T22:00:00Z"}, // 01:00 is the first minute
		{"Asia/Kathmandu", date{2026, 1, 1}, "2025-12-31T18:15:00Z"},
		{"Pacific/Apia", date{2011, 12, 31}, "2011-12-30T10:00:00Z"},
	} {
		c := clock{zone: mustZone(tt.zone), now: testNow}
		if got := c.midnight(tt.day).Format(time.RFC3339); got != tt.want {
			t.Errorf("%s %s: %s, want %s", tt.zone, tt.day, got, tt.want)
		}
	}
}

// TestShowReadsBack holds that what is shown can be typed: from a month ago to
// nine months ahead, every quarter of an hour on Sundays, when clocks change.
func TestShowReadsBack(t *testing.T) {
	for _, zone := range []string{"Europe/Berlin", "Australia/Lord_Howe"} {
		c := clock{zone: mustZone(zone), now: testNow}
		from := testNow.Truncate(time.Hour).AddDate(0, -1, 0)
		for at := from; at.Before(testNow.AddDate(0, 9, 0)); at = at.Add(15 * time.Minute) {
			if at.In(c.zone).Weekday() != time.Sunday && at.Hour()%7 != 0 {
				continue
			}
			for _, text := range []string{c.show(at), c.typed(at)} {
				r, err := c.read(text, dayStart)
				if err != nil {
					t.Fatalf("%s: %q: %v", zone, text, err)
				}
				if !r.at.Equal(at) {
					t.Fatalf("%s: %s is shown as %q, which is read as %s", zone, at, text, r.at)
				}
			}
		}
	}
}

// TestSpan holds how ranges and lengths of time are shown.
func TestSpan(t *testing.T) {
	c := testClock()
	at := func(day, hour, minute int) time.Time { return time.Date(2026, nov, day, hour, minute, 0, 0, berlin) }
	for _, tt := range []struct{ got, want string }{
		{c.span(at(25, 8, 0), at(25, 12, 30)), "Wed 25 Nov 08:00-12:30"},
		{c.span(at(25, 8, 0), at(26, 0, 0)), "Wed 25 Nov 08:00 to Thu 26 Nov 00:00"},
		{c.show(at(25, 8, 0).AddDate(2, 0, 0)), "Sat 25 Nov 2028 08:00"},
		{hours(45 * time.Minute), "45 min"},
		{hours(2 * time.Hour), "2 h"},
		{hours(26*time.Hour + 5*time.Minute), "26 h 5 min"},
		{c.at(nil), ""},
		{c.rangeOf(nil), ""},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}

// FuzzRead holds that whatever is typed, the reader answers a whole minute
// that fits on the wire, or an error.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"2026-11-25 08:00", "tue 8:00", "+1w2d3h4m", "-99999d", "25 Nov 08:00", "2026-10-25 02:30 CET", "9998-12-31",
		"2026-11-25T08:00:00+01:00", "+9999999999999999999h", "today", "٣ nov", "29 feb",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, e := range []edge{dayStart, dayEnd} {
			r, err := testClock().read(text, e)
			if err != nil {
				continue
			}
			if !r.at.Equal(r.at.Truncate(time.Minute)) {
				t.Errorf("%q: %s is no whole minute", text, r.at)
			}
			if err := timestamppb.New(r.at).CheckValid(); err != nil {
				t.Errorf("%q: %v", text, err)
			}
		}
	})
}
