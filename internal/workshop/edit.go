package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
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
