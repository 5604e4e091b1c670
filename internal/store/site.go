package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
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
	ids := map[site.Kind][]string{}
	if refs != nil {
		ids = map[site.Kind][]string{site.KindBay: {}, site.KindTechnician: {}, site.KindTool: {}}
	}
	for _, ref := range refs {
		ids[ref.Kind] = append(ids[ref.Kind], ref.ID)
	}
	r.queueSite(b, func(v site.Site) error { out.Site = v; return nil })
	r.bays(Page{}, ids[site.KindBay]).queue(b, &out.Bays)
	r.technicians(Page{}, ids[site.KindTechnician]).queue(b, &out.Technicians)
	r.toolTypes(Page{}, nil).queue(b, &out.ToolTypes)
	r.tools(Page{}, ids[site.KindTool]).queue(b, &out.Tools)
	r.issues(IssueFilter{Open: true, Tools: ids[site.KindTool]}).queue(b, &out.Issues)
	r.bookings(BookingFilter{Now: out.Now, During: during, Refs: refs}).queue(b, &out.Bookings)
}

// Question says what a plan is made of or judged by.
type Question struct {
	Procedures []site.ProcedureRef // with version 0 where any will do
	During     hours.Range
	Refs       []Ref // only these resources; nil: all
	Job        int64 // a job to be read besides; 0: none
}

// Material is what a question is answered from.
type Material struct {
	State
	Versions     []procedure.Procedure // that may be meant, by id and version
	Preparations []procedure.Preparation
	Job          *site.Job // nil if none was asked for, or there is none
}

// Gather reads the material of a question in one round trip.
func (s *Store) Gather(ctx context.Context, slug string, q Question, now time.Time) (Material, error) {
	var out *Material
	err := s.viewing(ctx, slug, func(ctx context.Context, r Reader, batch *pgx.Batch) error {
		out = r.queueMaterial(batch, q, now)
		queueCommit(batch)
		return r.tx.together(ctx, batch)
	})
	if err != nil {
		return Material{}, err
	}
	return *out, nil
}

// Gather reads the material of a question.
func (r Reader) Gather(ctx context.Context, q Question, now time.Time) (Material, error) {
	var batch pgx.Batch
	out := r.queueMaterial(&batch, q, now)
	err := r.tx.together(ctx, &batch)
	return *out, err
}

func (r Reader) queueMaterial(b *pgx.Batch, q Question, now time.Time) *Material {
	out := &Material{State: State{Now: now}}
	if !q.During.Empty() {
		r.queueState(b, &out.State, q.During, q.Refs)
	}
	if len(q.Procedures) > 0 {
		r.versionsOf(q.Procedures).queue(b, &out.Versions)
		if q.During.Empty() {
			r.toolTypes(Page{}, nil).queue(b, &out.ToolTypes)
		}
		r.preparations(Page{}, "", nil).queue(b, &out.Preparations)
	}
	if q.Job != 0 {
		r.jobs(JobFilter{ID: q.Job, Now: now, All: true}).then(b, func(list []site.Job) error {
			if len(list) > 0 {
				out.Job = &list[0]
			}
			return nil
		})
	}
	return out
}
