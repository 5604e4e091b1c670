package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/site"
)

// closuresOf gathers the closures of the resource row x as JSON, by start.
const closuresOf = `
	COALESCE((SELECT jsonb_agg(jsonb_build_object('start', lower(c.during), 'end', upper(c.during), 'reason', c.reason) ORDER BY c.during)
		FROM closure c WHERE c.site_id = x.site_id AND c.resource_id = x.resource_id), '[]')`

type closureJSON struct {
	Start  time.Time `json:"start"`
	End    time.Time `json:"end"`
	Reason string    `json:"reason"`
}

func decodeClosures(raw []byte) ([]site.Closure, error) {
	var rows []closureJSON
	if err := json.Unmarshal(raw, &rows); err != nil {
		return nil, err
	}
	out := make([]site.Closure, 0, len(rows))
	for _, c := range rows {
		out = append(out, site.Closure{During: rangeOf(c.Start, c.End), Reason: c.Reason})
	}
	return out, nil
}

// ensureResource gives the id of a resource, making its row if there is none.
func (t *Tx) ensureResource(ctx context.Context, kind site.Kind, slug string) (int64, error) {
	var id int64
	err := t.tx.QueryRow(ctx, `
		WITH made AS (
			INSERT INTO resource (site_id, kind, slug) VALUES ($1, $2, $3)
			ON CONFLICT (site_id, kind, slug) DO NOTHING RETURNING resource_id)
		SELECT resource_id FROM made
		UNION ALL
		SELECT resource_id FROM resource WHERE site_id = $1 AND kind = $2 AND slug = $3
		LIMIT 1`, t.siteID, kind, slug).Scan(&id)
	return id, err
}

// Ref names a resource within a site.
type Ref struct {
	Kind site.Kind
	ID   string
}

// Lock takes the rows of resources for this transaction, in id order, so that
// acts on the same resources follow one another and never deadlock. NotFound
// names the first that the site does not have.
func (t *Tx) Lock(ctx context.Context, refs []Ref) error {
	_, err := t.lock(ctx, refs)
	return err
}

// lock takes the rows that the transaction has not taken yet.
func (t *Tx) lock(ctx context.Context, refs []Ref) (map[Ref]int64, error) {
	var batch pgx.Batch
	if t.queueLock(&batch, refs) {
		if err := t.tx.together(ctx, &batch); err != nil {
			return nil, err
		}
	}
	ids := make(map[Ref]int64, len(refs))
	for _, r := range refs {
		ids[r] = t.locked[r]
	}
	return ids, nil
}

// queueLock adds the taking of rows to a batch, unless all of them are taken.
func (t *Tx) queueLock(b *pgx.Batch, refs []Ref) bool {
	var kinds, slugs []string
	for _, r := range refs {
		if _, has := t.locked[r]; !has {
			kinds, slugs = append(kinds, string(r.Kind)), append(slugs, r.ID)
		}
	}
	if len(slugs) == 0 {
		return false
	}
	b.Queue(`
		SELECT resource_id, kind, slug FROM resource
		WHERE site_id = $1 AND (kind, slug) IN (SELECT unnest($2::text[]), unnest($3::text[]))
		ORDER BY resource_id FOR NO KEY UPDATE`, t.siteID, kinds, slugs).Query(func(rows pgx.Rows) error {
		var id int64
		var kind, slug string
		_, err := pgx.ForEachRow(rows, []any{&id, &kind, &slug}, func() error {
			t.locked[Ref{site.Kind(kind), slug}] = id
			return nil
		})
		for _, r := range refs {
			if _, has := t.locked[r]; !has && err == nil {
				err = None(kindWord(r.Kind), r.ID)
			}
		}
		return err
	})
	return true
}

func kindWord(k site.Kind) string {
	switch k {
	case site.KindBay:
		return "bay"
	case site.KindTechnician:
		return "technician"
	default:
		return "tool"
	}
}

func (t *Tx) putClosures(ctx context.Context, id int64, closures []site.Closure) error {
	var batch pgx.Batch
	batch.Queue("DELETE FROM closure WHERE site_id = $1 AND resource_id = $2", t.siteID, id)
	for _, c := range closures {
		batch.Queue(`INSERT INTO closure (site_id, resource_id, during, reason)
			VALUES ($1, $2, tstzrange($3::timestamptz, $4::timestamptz), $5)`,
			t.siteID, id, c.During.Start, c.During.End, c.Reason)
	}
	return t.tx.together(ctx, &batch)
}

// Bays reads bays by id; with ids only those.
func (r Reader) Bays(ctx context.Context, page Page, ids ...string) ([]site.Bay, error) {
	return r.bays(page, ids).all(ctx, r.tx)
}

func (r Reader) bays(page Page, ids []string) ask[site.Bay] {
	return asking(`
		SELECT x.slug, b.display_name, b.features, `+closuresOf+`
		FROM resource x JOIN bay b ON b.site_id = x.site_id AND b.resource_id = x.resource_id
		WHERE x.site_id = $1 AND x.kind = 'BAY' AND x.slug > $2 AND ($3::text[] IS NULL OR x.slug = ANY ($3))
		ORDER BY x.slug LIMIT $4`, []any{r.siteID, page.After, ids, page.limit()}, func(row pgx.CollectableRow) (site.Bay, error) {
		var v site.Bay
		var closures []byte
		if err := row.Scan(&v.ID, &v.Name, &v.Features, &closures); err != nil {
			return v, err
		}
		var err error
		v.Closures, err = decodeClosures(closures)
		return v, err
	})
}

// Bay reads one bay.
func (r Reader) Bay(ctx context.Context, id string) (site.Bay, error) {
	list, err := r.Bays(ctx, Page{}, id)
	return only(list, err, "bay", id)
}

// PutBay writes a bay, new or not.
func (t *Tx) PutBay(ctx context.Context, b site.Bay) error {
	id, err := t.ensureResource(ctx, site.KindBay, b.ID)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO bay (site_id, resource_id, display_name, features) VALUES ($1, $2, $3, $4)
		ON CONFLICT (site_id, resource_id) DO UPDATE SET display_name = $3, features = $4`,
		t.siteID, id, b.Name, some(b.Features))
	if err != nil {
		return err
	}
	return t.putClosures(ctx, id, b.Closures)
}

// Technicians reads technicians by id; with ids only those.
func (r Reader) Technicians(ctx context.Context, page Page, ids ...string) ([]site.Technician, error) {
	return r.technicians(page, ids).all(ctx, r.tx)
}

func (r Reader) technicians(page Page, ids []string) ask[site.Technician] {
	return asking(`
		SELECT x.slug, t.display_name, t.skills, t.shifts, `+closuresOf+`
		FROM resource x JOIN technician t ON t.site_id = x.site_id AND t.resource_id = x.resource_id
		WHERE x.site_id = $1 AND x.kind = 'TECHNICIAN' AND x.slug > $2 AND ($3::text[] IS NULL OR x.slug = ANY ($3))
		ORDER BY x.slug LIMIT $4`, []any{r.siteID, page.After, ids, page.limit()}, func(row pgx.CollectableRow) (site.Technician, error) {
		var v site.Technician
		var shifts, absences []byte
		if err := row.Scan(&v.ID, &v.Name, &v.Skills, &shifts, &absences); err != nil {
			return v, err
		}
		if err := json.Unmarshal(shifts, &v.Shifts); err != nil {
			return v, err
		}
		var err error
		v.Absences, err = decodeClosures(absences)
		return v, err
	})
}

// Technician reads one technician.
func (r Reader) Technician(ctx context.Context, id string) (site.Technician, error) {
	list, err := r.Technicians(ctx, Page{}, id)
	return only(list, err, "technician", id)
}

// PutTechnician writes a technician, new or not.
func (t *Tx) PutTechnician(ctx context.Context, v site.Technician) error {
	id, err := t.ensureResource(ctx, site.KindTechnician, v.ID)
	if err != nil {
		return err
	}
	shifts, err := json.Marshal(v.Shifts)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO technician (site_id, resource_id, display_name, skills, shifts) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (site_id, resource_id) DO UPDATE SET display_name = $3, skills = $4, shifts = $5`,
		t.siteID, id, v.Name, some(v.Skills), json.RawMessage(shifts))
	if err != nil {
		return err
	}
	return t.putClosures(ctx, id, v.Absences)
}
