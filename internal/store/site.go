package store

import (
	"context"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// PutSite writes the site itself, new or not.
func (t *Tx) PutSite(ctx context.Context, v site.Site) error {
	_, err := t.tx.Exec(ctx, `
		INSERT INTO site (site_id, slug, display_name, time_zone) VALUES ($1, $2, $3, $4)
		ON CONFLICT (site_id) DO UPDATE SET display_name = $3, time_zone = $4`,
		t.siteID, v.ID, v.Name, v.TimeZone)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, "INSERT INTO site_counter (site_id) VALUES ($1) ON CONFLICT DO NOTHING", t.siteID)
	return err
}

// State is what planning needs to know of a site, as of one revision.
type State struct {
	Now         time.Time
	Site        site.Site
	Bays        []site.Bay
	Technicians []site.Technician
	ToolTypes   []site.ToolType
	Tools       []site.Tool
	Bookings    []site.Booking // that hold something during the time asked for
	Issues      []site.Issue   // of tools that are out
}

// State reads it for a time; with refs only those resources and their bookings.
func (r Reader) State(ctx context.Context, now time.Time, during hours.Range, refs []Ref) (State, error) {
	out := State{Now: now}
	var err error
	ids := map[site.Kind][]string{}
	if refs != nil {
		ids = map[site.Kind][]string{site.KindBay: {}, site.KindTechnician: {}, site.KindTool: {}}
	}
	for _, ref := range refs {
		ids[ref.Kind] = append(ids[ref.Kind], ref.ID)
	}
	if out.Site, err = r.Site(ctx); err != nil {
		return out, err
	}
	if out.Bays, err = r.Bays(ctx, Page{}, ids[site.KindBay]...); err != nil {
		return out, err
	}
	if out.Technicians, err = r.Technicians(ctx, Page{}, ids[site.KindTechnician]...); err != nil {
		return out, err
	}
	if out.ToolTypes, err = r.ToolTypes(ctx, Page{}); err != nil {
		return out, err
	}
	if out.Tools, err = r.Tools(ctx, Page{}, ids[site.KindTool]...); err != nil {
		return out, err
	}
	if out.Issues, err = r.Issues(ctx, IssueFilter{Open: true, Tools: ids[site.KindTool]}); err != nil {
		return out, err
	}
	out.Bookings, err = r.Bookings(ctx, BookingFilter{Now: now, During: during, Refs: refs})
	return out, err
}
