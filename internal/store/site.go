package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

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
	var batch pgx.Batch
	out := State{Now: now}
	r.queueState(&batch, &out, during, refs)
	return out, r.tx.together(ctx, &batch)
}

func (r Reader) queueState(b *pgx.Batch, out *State, during hours.Range, refs []Ref) {
	ids := idsOf(refs)
	r.queueSite(b, func(v site.Site) error { out.Site = v; return nil })
	r.bays(Page{}, ids[site.KindBay]).queue(b, &out.Bays)
	r.technicians(Page{}, ids[site.KindTechnician]).queue(b, &out.Technicians)
	r.toolTypes(Page{}, nil).queue(b, &out.ToolTypes)
	r.tools(Page{}, ids[site.KindTool]).queue(b, &out.Tools)
	r.issues(IssueFilter{Open: true, Tools: ids[site.KindTool]}).queue(b, &out.Issues)
	r.standing(refs, during, out.Now).queue(b, &out.Bookings)
}
