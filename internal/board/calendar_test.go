package board

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-ical"

	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

func sampleCalendar() workshop.Calendar {
	entry := func(id int64, state site.BookingState, note string) workshop.CalendarEntry {
		e := workshop.CalendarEntry{Note: note, Bay: "Bay 1", Titles: []string{"Lock; the cams, both"}, Created: at(-3, 9), Changed: at(-2, 10), Changes: 2}
		e.ID, e.Job, e.Reference, e.State, e.During = id, 5, "W-5", state, from(0, 8, 1, 12)
		return e
	}
	tentative := entry(2, site.Tentative, `A back\slash, a semi;colon and a line`+"\nthat ends; "+strings.Repeat("änd sö ön ", 20))
	tentative.ExpiresAt, tentative.Promise = at(1, 17), at(2, 12)
	return workshop.Calendar{
		Site: site.Site{ID: "quay", Name: "Quay, Engines"}, Zone: quayZone(), Ref: workshop.Ref{Kind: site.KindTool, ID: "LK-1"}, Name: "LK-1, locking set",
		Entries: []workshop.CalendarEntry{entry(1, site.Confirmed, "Renew the chain"), tentative, entry(3, site.Cancelled, "")},
	}
}

func written(t *testing.T, c workshop.Calendar) string {
	t.Helper()
	out, err := iCalendar(c)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// parsed reads a calendar with another library than the one that wrote it.
func parsed(t *testing.T, text string) *ical.Calendar {
	t.Helper()
	cal, err := ical.NewDecoder(strings.NewReader(text)).Decode()
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return cal
}

func TestCalendarIsReadByAnotherLibrary(t *testing.T) {
	t.Parallel()
	c := sampleCalendar()
	text := written(t, c)
	cal := parsed(t, text)
	for prop, want := range map[string]string{
		ical.PropVersion: "2.0", ical.PropCalendarScale: "GREGORIAN", "REFRESH-INTERVAL": "PT15M", "NAME": `LK-1\, locking set (Quay\, Engines)`,
	} {
		if got := cal.Props.Get(prop); got == nil || got.Value != want {
			t.Errorf("%s: %+v, want %s", prop, got, want)
		}
	}
	if v := cal.Props.Get("REFRESH-INTERVAL"); v == nil || v.ValueType() != ical.ValueDuration { // RFC 7986, 5.7 demands it
		t.Errorf("REFRESH-INTERVAL: %+v", v)
	}
	events := cal.Events()
	if len(events) != 3 {
		t.Fatalf("%d events", len(events))
	}
	for i, e := range events {
		b := c.Entries[i]
		start, err := e.DateTimeStart(time.UTC)
		if err != nil || !start.Equal(b.During.Start) {
			t.Errorf("start %v, %v", start, err)
		}
		if end, err := e.DateTimeEnd(time.UTC); err != nil || !end.Equal(b.During.End) {
			t.Errorf("end %v, %v", end, err)
		}
		if status, err := e.Status(); err != nil || string(status) != string(b.State) {
			t.Errorf("status %v, %v, want %v", status, err, b.State)
		}
		for _, prop := range []string{ical.PropDateTimeStamp, ical.PropLastModified} {
			if at, err := e.Props.DateTime(prop, time.UTC); err != nil || !at.Equal(b.Changed) {
				t.Errorf("%s %v, %v", prop, at, err)
			}
		}
		if n, err := e.Props.Get(ical.PropSequence).Int(); err != nil || n != 2 {
			t.Errorf("sequence %v, %v", n, err)
		}
		summary, err := e.Props.Text(ical.PropSummary)
		if err != nil || !strings.HasPrefix(summary, "LK-1 for W-5") {
			t.Errorf("summary %q, %v", summary, err)
		}
		if place, err := e.Props.Text(ical.PropLocation); err != nil || place != "Bay 1" {
			t.Errorf("location %q, %v", place, err)
		}
	}
	if summary, err := events[1].Props.Text(ical.PropSummary); err != nil || summary != summary2() {
		t.Errorf("summary\n%q, want\n%q: %v", summary, summary2(), err)
	}
	if text, err := events[1].Props.Text(ical.PropDescription); err != nil || !strings.Contains(text, "\n- Lock; the cams, both\n") || !strings.Contains(text, "lapses Tue 13 May 2031 17:00") {
		t.Errorf("description %q, %v", text, err)
	}
	// The library's own writer checks what each component must and must not have.
	if err := ical.NewEncoder(&bytes.Buffer{}).Encode(cal); err != nil {
		t.Error(err)
	}
}

func summary2() string {
	return `LK-1 for W-5: A back\slash, a semi;colon and a line that ends; ` + strings.TrimSpace(strings.Repeat("änd sö ön ", 20)) + " (tentative)"
}

// RFC 5545, 3.1: lines end with CRLF and are no longer than 75 octets without
// it; a sign of several octets is not parted, which section 3.1 warns of.
func TestLinesAreFolded(t *testing.T) {
	t.Parallel()
	text := written(t, sampleCalendar())
	folded := 0
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		if len(line) > 75 || strings.ContainsAny(line, "\r\n") {
			t.Errorf("%d octets: %q", len(line), line)
		}
		if strings.ToValidUTF8(line, "?") != line {
			t.Errorf("a sign is parted: %q", line)
		}
		if strings.HasPrefix(line, " ") {
			folded++
		}
	}
	if folded == 0 || strings.Contains(strings.ReplaceAll(text, "\r\n", ""), "\n") {
		t.Error("nothing is folded, or a line ends otherwise")
	}
}

// TestExamplesOfTheRFC: the texts of RFC 5545's own examples of folding (3.1) and
// of escaping (3.3.11), written by us and read by another library.
func TestExamplesOfTheRFC(t *testing.T) {
	t.Parallel()
	for _, title := range []string{
		"This is a long description that exists on a long line.",
		"Project XYZ Final Review\nConference Room - 3B\nCome Prepared.",
	} {
		c := sampleCalendar()
		c.Entries = c.Entries[:1]
		c.Entries[0].Titles = strings.Split(title, "\n")
		text := written(t, c)
		got, err := parsed(t, text).Events()[0].Props.Text(ical.PropDescription)
		if want := "- " + strings.ReplaceAll(title, "\n", "\n- "); err != nil || !strings.Contains(got, want) {
			t.Errorf("%q, want %q: %v", got, want, err)
		}
	}
	// 3.3.11: DESCRIPTION:Project XYZ Final Review\nConference Room - 3B\nCome Prepared.
	c := sampleCalendar()
	c.Entries = c.Entries[:1]
	c.Entries[0].Titles = []string{"Project XYZ Final Review", "Conference Room - 3B", "Come Prepared."}
	unfolded := strings.ReplaceAll(written(t, c), "\r\n ", "")
	if !strings.Contains(unfolded, `- Project XYZ Final Review\n- Conference Room - 3B\n- Come Prepared.`) {
		t.Error(unfolded)
	}
	if !strings.Contains(strings.ReplaceAll(written(t, sampleCalendar()), "\r\n ", ""), `A back\\slash\, a semi\;colon`) {
		t.Error("backslash, comma and semicolon are not escaped")
	}
}

func TestSameBookingsGiveTheSameBytes(t *testing.T) {
	t.Parallel()
	first := written(t, sampleCalendar())
	if again := written(t, sampleCalendar()); again != first {
		t.Error("two writings of one calendar differ")
	}
	empty := sampleCalendar()
	empty.Entries = nil
	if cal := parsed(t, written(t, empty)); len(cal.Children) != 1 || cal.Children[0].Name != ical.CompTimezone { // RFC 5545, 3.6: at least one component
		t.Errorf("%+v", cal)
	}
	other := sampleCalendar()
	other.Site.ID = "south"
	if parsed(t, written(t, other)).Events()[0].Props.Get(ical.PropUID).Value == parsed(t, written(t, sampleCalendar())).Events()[0].Props.Get(ical.PropUID).Value {
		t.Error("two sites give one identity")
	}
}
