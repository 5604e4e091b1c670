package workshop

import (
	"cmp"
	"context"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// How far a calendar reaches back and ahead.
const (
	calendarBack  = 28 * 24 * time.Hour
	calendarAhead = 366 * 24 * time.Hour
)

// CalendarEntry is a booking as a calendar tells it.
type CalendarEntry = store.CalendarEntry

// Calendar is the bookings of a bay, technician or tool.
type Calendar struct {
	Site    site.Site
	Zone    *time.Location
	Ref     Ref
	Name    string // of the resource
	Entries []CalendarEntry
}

// Calendar reads the calendar that a secret opens. NotFound if it opens none.
func (w *Workshop) Calendar(ctx context.Context, slug, secret string) (Calendar, error) {
	link, err := w.OpenLink(ctx, slug, secret)
	if err == nil && link.Calendar == nil {
		err = fault.New(fault.NotFound, "NOT_FOUND", "this link is no calendar's")
	}
	if err != nil {
		return Calendar{}, err
	}
	return w.CalendarOf(ctx, slug, Ref{Kind: link.Calendar.Kind, ID: link.Calendar.ID})
}

// CalendarOf reads the calendar of a resource, from four weeks ago to a year
// ahead.
func (w *Workshop) CalendarOf(ctx context.Context, slug string, ref Ref) (Calendar, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (Calendar, error) {
		out := Calendar{Ref: ref}
		var err error
		if out.Site, err = r.Site(ctx); err != nil {
			return out, err
		}
		if out.Zone, err = zoneOf(ctx, r); err != nil {
			return out, err
		}
		if out.Name, err = nameOf(ctx, r, ref); err != nil {
			return out, err
		}
		now := w.Now()
		// From a midnight, so that the answer is the same all day unless something happens.
		from := hours.DateOf(now.Add(-calendarBack), out.Zone).At(0, out.Zone)
		out.Entries, err = r.Calendar(ctx, ref, hours.Range{Start: from, End: from.Add(calendarBack + calendarAhead)}, now)
		return out, err
	})
}

// nameOf is a resource's name for people.
func nameOf(ctx context.Context, r store.Reader, ref Ref) (string, error) {
	switch ref.Kind {
	case site.KindBay:
		v, err := r.Bay(ctx, ref.ID)
		return cmp.Or(v.Name, v.ID), err
	case site.KindTechnician:
		v, err := r.Technician(ctx, ref.ID)
		return cmp.Or(v.Name, v.ID), err
	}
	v, err := r.Tool(ctx, ref.ID)
	if err != nil {
		return "", err
	}
	kind, err := r.ToolType(ctx, v.Type)
	if kind.Name == "" {
		return v.Tag, err
	}
	return v.Tag + ", " + kind.Name, err
}
