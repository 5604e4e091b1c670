package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// EditSite changes a site by the function given.
func (w *Workshop) EditSite(ctx context.Context, act Act, edit func(*site.Site)) (site.Site, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Site, error) {
		before, err := tx.Site(ctx)
		if err != nil {
			return before, err
		}
		after := before
		edit(&after)
		var fs fault.Fields
		checkSite(&fs, after)
		if err := fs.Err("SITE", "the site cannot be kept"); err != nil {
			return after, err
		}
		tx.Log(changed("site.changed", "", before, after))
		return after, tx.PutSite(ctx, after)
	})
}

func checkSite(fs *fault.Fields, v site.Site) {
	checkText(fs, "display_name", v.Name, true)
	if _, err := time.LoadLocation(v.TimeZone); err != nil || v.TimeZone == "" || v.TimeZone == "Local" {
		fs.Add("time_zone", "%q is no IANA time zone: give one such as Europe/Lisbon", v.TimeZone)
	}
}

// EditBay changes a bay by the function given.
func (w *Workshop) EditBay(ctx context.Context, act Act, id string, edit func(*site.Bay)) (site.Bay, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Bay, error) {
		// The row is locked as a booking locks it, so that no plan is judged
		// against what is just being changed.
		if err := tx.Lock(ctx, []Ref{{Kind: site.KindBay, ID: id}}); err != nil {
			return site.Bay{}, err
		}
		before, err := tx.Bay(ctx, id)
		if err != nil {
			return before, err
		}
		after := before
		edit(&after)
		slices.Sort(after.Features)
		var fs fault.Fields
		checkText(&fs, "display_name", after.Name, true)
		checkClosures(&fs, "closures", after.Closures)
		if err := fs.Err("BAY", "the bay cannot be kept"); err != nil {
			return after, err
		}
		tx.Log(changed("bay.changed", "bays/"+id, before, after))
		return after, tx.PutBay(ctx, after)
	})
}

// EditTechnician changes a technician by the function given.
func (w *Workshop) EditTechnician(ctx context.Context, act Act, id string, edit func(*site.Technician)) (site.Technician, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Technician, error) {
		if err := tx.Lock(ctx, []Ref{{Kind: site.KindTechnician, ID: id}}); err != nil {
			return site.Technician{}, err
		}
		before, err := tx.Technician(ctx, id)
		if err != nil {
			return before, err
		}
		after := before
		edit(&after)
		slices.Sort(after.Skills)
		var fs fault.Fields
		checkText(&fs, "display_name", after.Name, true)
		checkClosures(&fs, "absences", after.Absences)
		if err := after.Shifts.Validate(); err != nil {
			fs.Add("shifts", "%v", err)
		}
		if err := fs.Err("TECHNICIAN", "the technician cannot be kept"); err != nil {
			return after, err
		}
		tx.Log(changed("technician.changed", "technicians/"+id, before, after))
		return after, tx.PutTechnician(ctx, after)
	})
}

// EditedTool is a tool as it stands after an edit, and what the edit breaks.
type EditedTool struct {
	Tool     site.Tool
	Affected []site.Booking // standing bookings that the tool can no longer serve
}

// EditTool changes a tool by the function given.
func (w *Workshop) EditTool(ctx context.Context, act Act, tag string, edit func(*site.Tool)) (EditedTool, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (EditedTool, error) {
		ref := Ref{Kind: site.KindTool, ID: tag}
		if err := tx.Lock(ctx, []Ref{ref}); err != nil {
			return EditedTool{}, err
		}
		before, err := tx.Tool(ctx, tag)
		if err != nil {
			return EditedTool{}, err
		}
		kind, err := tx.ToolType(ctx, before.Type)
		if err != nil {
			return EditedTool{}, err
		}
		out := EditedTool{Tool: before}
		edit(&out.Tool)
		if err := checkTool(out.Tool); err != nil {
			return out, err
		}
		if !out.Tool.CalibratedUntil.Equal(before.CalibratedUntil) {
			if err := uncertified(ctx, tx.Reader, tag); err != nil {
				return out, err
			}
		}
		tx.Log(changed("tool.changed", "tools/"+tag, before, out.Tool))
		if err := tx.PutTool(ctx, out.Tool); err != nil {
			return out, err
		}
		out.Affected, err = unserved(ctx, tx.Reader, tx.Now(), out.Tool, kind)
		return out, err
	})
}

// unserved reads the standing bookings of a tool that it, as it is, cannot serve.
func unserved(ctx context.Context, r store.Reader, now time.Time, t site.Tool, kind site.ToolType) ([]site.Booking, error) {
	standing, err := r.Bookings(ctx, store.BookingFilter{
		Now: now, Refs: []Ref{{Kind: site.KindTool, ID: t.Tag}}, During: hours.Range{Start: now, End: now.Add(maxRange)},
	})
	return slices.DeleteFunc(standing, func(b site.Booking) bool { return serves(t, kind, b.During) }), err
}

// serves tells whether a tool may be held for a time, other bookings aside: it
// is fit for work, or expected to be by then, and in calibration to the end.
func serves(t site.Tool, kind site.ToolType, during hours.Range) bool {
	if kind.Calibrated && during.End.After(t.CalibratedUntil) {
		return false
	}
	switch t.Condition {
	case site.Serviceable:
		return true
	case site.Quarantined, site.Away:
		return !t.ConditionUntil.IsZero() && !during.Start.Before(t.ConditionUntil)
	}
	return false
}

func checkTool(t site.Tool) error {
	var fs fault.Fields
	checkText(&fs, "condition_note", t.ConditionNote, false)
	checkText(&fs, "home", t.Home, false)
	if !slices.Contains(site.Conditions(), t.Condition) {
		fs.Add("condition", "must be one of %v", site.Conditions())
	}
	if !t.CalibratedUntil.IsZero() {
		checkTime(&fs, "calibrated_until", t.CalibratedUntil)
	}
	if !t.ConditionUntil.IsZero() {
		checkTime(&fs, "condition_until", t.ConditionUntil)
		if t.Condition != site.Quarantined && t.Condition != site.Away {
			fs.Add("condition_until", "goes with QUARANTINED and AWAY only: leave it out")
		}
	}
	return fs.Err("TOOL", "the tool cannot be kept")
}

func checkClosures(fs *fault.Fields, path string, closures []site.Closure) {
	if len(closures) > 1000 {
		fs.Add(path, "must not be more than 1000")
	}
	for _, c := range closures {
		checkRange(fs, path, c.During.Start, c.During.End)
		checkText(fs, path, c.Reason, true)
	}
}

func changed(kind, subject string, before, after any) store.Event {
	return store.Event{Kind: kind, Subject: subject, Details: map[string]any{"before": before, "after": after}}
}
