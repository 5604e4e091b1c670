package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// Question says what a plan is made of or judged by.
type Question struct {
	Procedures []site.ProcedureRef // with version 0 where any will do
	During     hours.Range
	Refs       []Ref // only these resources; nil: all
	Job        int64 // a job to be read besides; 0: none
	// Bookings is how many are likely to be written, so that their ids can be
	// drawn meanwhile.
	Bookings int
}

// Material is what a question is answered from. Others may read the same values
// at the same time: what is in them must not be changed.
type Material struct {
	State
	Versions     []procedure.Procedure // that may be meant, by id and version
	Preparations []procedure.Preparation
	Job          *site.Job // nil if none was asked for, or there is none
}

// Gather reads the material of a question: in one round trip, unless the site's
// catalogue was changed since it was read last.
func (s *Store) Gather(ctx context.Context, slug string, q Question, now time.Time) (Material, error) {
	read := func(known *catalogue) (*answer, error) {
		var out *answer
		err := s.viewing(ctx, slug, func(ctx context.Context, r Reader, batch *pgx.Batch) error {
			out = r.queueQuestion(batch, q, now, known)
			batch.Queue("COMMIT")
			return r.tx.together(ctx, batch)
		})
		return out, err
	}
	key := siteKey(slug)
	out, err := read(s.catalogues.of(key))
	if err == nil && out.stale() {
		out, err = read(nil)
	}
	if err != nil {
		return Material{}, err
	}
	s.catalogues.keep(key, out.catalogue)
	return out.material(), nil
}

// Gather reads what procedures are merged from.
func (r Reader) Gather(ctx context.Context, procedures []site.ProcedureRef) (Material, error) {
	var out Material
	var batch pgx.Batch
	r.versionsOf(procedures).queue(&batch, &out.Versions)
	r.toolTypes(Page{}, nil).queue(&batch, &out.ToolTypes)
	r.preparations(Page{}, "", nil).queue(&batch, &out.Preparations)
	return out, r.tx.together(ctx, &batch)
}

// gather reads the material of a question in a transaction that books, together
// with what waits in a batch.
func (t *Tx) gather(ctx context.Context, b *pgx.Batch, q Question) (Material, error) {
	key, first := t.siteID, !t.tx.spoke
	var known *catalogue
	if first { // later on, the transaction itself may have changed what the site has
		known = t.catalogues.of(key)
	}
	out := t.queueQuestion(b, q, t.now, known)
	err := t.tx.together(ctx, b)
	if err == nil && out.stale() {
		var again pgx.Batch
		out = t.queueQuestion(&again, q, t.now, nil)
		err = t.tx.together(ctx, &again)
	}
	if err != nil {
		return Material{}, err
	}
	if first && !out.stale() {
		t.catalogues.keep(key, out.catalogue)
	}
	return out.material(), nil
}

// answer is a question's material while it comes in.
type answer struct {
	Material
	question  Question
	catalogue *catalogue // that is known, or is being read
	mark      mark       // that the site has now
}

// queueQuestion asks a question as part of a batch. Of the catalogue it asks only
// whether the one that is known still holds, or all of it with nil.
func (r Reader) queueQuestion(b *pgx.Batch, q Question, now time.Time, known *catalogue) *answer {
	out := &answer{Material: Material{State: State{Now: now}}, question: q, catalogue: known}
	r.queueMarkedSite(b, func(v site.Site, m mark) error { out.Site, out.mark = v, m; return nil })
	if !known.has(q.Procedures) {
		r.versionsOf(q.Procedures).queue(b, &out.Versions)
	}
	if known == nil {
		out.catalogue = r.queueCatalogue(b)
	}
	if !q.During.Empty() {
		r.issues(IssueFilter{Open: true, Tools: idsOf(q.Refs)[site.KindTool]}).queue(b, &out.Issues)
		r.standing(q.Refs, q.During, now).queue(b, &out.Bookings)
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

// stale tells that the catalogue was changed since it became known.
func (a *answer) stale() bool { return a.catalogue.mark != a.mark }

// material is the answer once all of it has come in.
func (a *answer) material() Material {
	out, c, ids := a.Material, a.catalogue, idsOf(a.question.Refs)
	out.Bays = chosen(c.bays, ids[site.KindBay], func(v site.Bay) string { return v.ID })
	out.Technicians = chosen(c.technicians, ids[site.KindTechnician], func(v site.Technician) string { return v.ID })
	out.Tools = chosen(c.tools, ids[site.KindTool], func(v site.Tool) string { return v.Tag })
	out.ToolTypes, out.Preparations = c.toolTypes, c.preparations
	if out.Versions == nil {
		out.Versions = c.procedures
	}
	return out
}
