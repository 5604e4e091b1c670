package board

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"

	"bayhold/internal/site"
	"bayhold/internal/workshop"
)

// refresh is how often a calendar program is asked to look again (RFC 7986, 5.7).
const refresh = "PT15M"

// uids is the namespace of the identities of calendars and their events
// (RFC 7986, 5.3, wants UUIDs).
var uids = uuid.NewSHA1(uuid.NameSpaceOID, []byte("bayhold calendar"))

// uid is the identity of a thing of a site, the same whenever it is asked for.
func uid(site, thing string) string {
	return uuid.NewSHA1(uids, []byte(site+"/"+thing)).String()
}

// iCalendar writes a calendar in the words of RFC 5545. The same bookings give
// the same bytes: without a METHOD, DTSTAMP is when the entry was last revised
// (RFC 5545, 3.8.7.2).
func iCalendar(c workshop.Calendar) ([]byte, error) {
	zone := c.Zone
	if zone == nil {
		zone = time.UTC
	}
	w := writer{zone: zone}
	cal := ics.NewCalendar()
	cal.SetProductId("-//bayhold//bayhold//EN")
	cal.SetCalscale("GREGORIAN")
	cal.CalendarProperties = append(cal.CalendarProperties, ics.CalendarProperty{BaseProperty: ics.BaseProperty{
		IANAToken: string(ics.PropertyUid), Value: uid(c.Site.ID, "calendars/"+string(c.Ref.Kind)+"/"+c.Ref.ID),
	}})
	cal.SetName(clean(c.Name) + " (" + clean(c.Site.Name) + ")")
	cal.SetXWRTimezone(zone.String())
	cal.SetRefreshInterval(refresh, ics.WithValue("DURATION"))
	cal.SetXPublishedTTL(refresh)
	for _, e := range c.Entries {
		w.entry(cal, c, e)
	}
	if len(c.Entries) == 0 {
		universal(cal)
	}
	var out bytes.Buffer
	err := cal.SerializeTo(&out, ics.WithNewLine("\r\n"))
	return out.Bytes(), err
}

// universal gives a calendar without entries the one component that it must have
// (RFC 5545, 3.6): the zone that its times would be in.
func universal(cal *ics.Calendar) {
	utc := cal.AddTimezone("Etc/UTC").AddStandard()
	utc.SetProperty(ics.ComponentPropertyDtStart, "19700101T000000")
	utc.SetProperty("TZOFFSETFROM", "+0000")
	utc.SetProperty("TZOFFSETTO", "+0000")
}

// stands says a booking's standing in the words of RFC 5545, 3.8.1.11.
var stands = map[site.BookingState]ics.ObjectStatus{
	site.Tentative: ics.ObjectStatusTentative,
	site.Confirmed: ics.ObjectStatusConfirmed,
	site.Cancelled: ics.ObjectStatusCancelled,
}

func (w writer) entry(cal *ics.Calendar, c workshop.Calendar, b workshop.CalendarEntry) {
	e := cal.AddEvent(uid(c.Site.ID, fmt.Sprintf("bookings/%d", b.ID)))
	e.SetDtStampTime(b.Changed)
	e.SetModifiedAt(b.Changed)
	e.SetCreatedTime(b.Created)
	e.SetSequence(b.Changes)
	e.SetStartAt(b.During.Start)
	e.SetEndAt(b.During.End)
	e.SetStatus(stands[b.State])
	transparent := ics.TransparencyOpaque
	if b.State == site.Cancelled {
		transparent = ics.TransparencyTransparent
	}
	e.SetTimeTransparency(transparent)
	e.SetSummary(summary(c.Ref, b))
	if b.Bay != "" {
		e.SetLocation(clean(b.Bay))
	}
	e.SetDescription(strings.Join(w.details(b), "\n"))
}

// summary is what stands in the calendar's box.
func summary(ref workshop.Ref, b workshop.CalendarEntry) string {
	out := clean(b.Reference)
	if ref.Kind == site.KindTool {
		out = clean(ref.ID) + " for " + out
	}
	if note := clean(b.Note); note != "" {
		out += ": " + note
	}
	if b.State == site.Tentative {
		out += " (tentative)"
	}
	return out
}

// details are the lines that say the rest.
func (w writer) details(b workshop.CalendarEntry) []string {
	out := []string{fmt.Sprintf("Job %d, %s", b.Job, strings.ToLower(string(b.State)))}
	if b.State == site.Tentative {
		out[0] += ", lapses " + w.full(b.ExpiresAt)
	}
	if !b.Promise.IsZero() {
		out = append(out, "Promised "+w.full(b.Promise))
	}
	for _, t := range b.Titles {
		out = append(out, "- "+clean(t))
	}
	return append(out, "Times of "+w.zone.String()+".")
}

// calendar answers a calendar at its secret address. Who has it already is told
// so (RFC 9110, 13.1.2).
func (s *Site) calendar(w http.ResponseWriter, r *http.Request) {
	secret, ok := strings.CutSuffix(r.PathValue("file"), ".ics")
	if !ok {
		s.refuse(w, http.StatusNotFound)
		return
	}
	c, err := s.shop.Calendar(r.Context(), r.PathValue("site"), secret)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body, err := iCalendar(c)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sum := sha256.Sum256(body)
	h := w.Header()
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", c.Ref.ID+".ics"))
	h.Set("Cache-Control", "private, no-cache")
	h.Set("ETag", `"`+hex.EncodeToString(sum[:16])+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
}

// Path is where a link leads to on a server of boards.
func Path(site string, l workshop.MadeLink) string {
	if l.Calendar != nil {
		return "/calendar/" + site + "/" + l.Secret + ".ics"
	}
	return "/board/" + site + "/" + l.Secret + "/"
}
