package store

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// EngineFamilies reads engine families by id.
func (r Reader) EngineFamilies(ctx context.Context, page Page) ([]site.EngineFamily, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT slug, display_name FROM engine_family
		WHERE site_id = $1 AND slug > $2 ORDER BY slug LIMIT $3`, r.siteID, page.After, page.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.EngineFamily, error) {
		var v site.EngineFamily
		return v, row.Scan(&v.ID, &v.Name)
	})
}

// PutEngineFamily writes an engine family, new or not.
func (t *Tx) PutEngineFamily(ctx context.Context, v site.EngineFamily) error {
	_, err := t.tx.Exec(ctx, `
		INSERT INTO engine_family (site_id, slug, display_name) VALUES ($1, $2, $3)
		ON CONFLICT (site_id, slug) DO UPDATE SET display_name = $3`, t.siteID, v.ID, v.Name)
	return err
}

// Preparations reads preparations by id, of one engine family or, with an empty
// one, of all; with ids only those.
func (r Reader) Preparations(ctx context.Context, page Page, family string, ids ...string) ([]procedure.Preparation, error) {
	return r.preparations(page, family, ids).all(ctx, r.tx)
}

func (r Reader) preparations(page Page, family string, ids []string) ask[procedure.Preparation] {
	return asking(`
		SELECT body FROM preparation
		WHERE site_id = $1 AND slug > $2 AND ($3 = '' OR family = $3) AND ($4::text[] IS NULL OR slug = ANY ($4))
		ORDER BY slug LIMIT $5`, []any{r.siteID, page.After, family, ids, page.limit()}, body[procedure.Preparation])
}

// Preparation reads one preparation.
func (r Reader) Preparation(ctx context.Context, id string) (procedure.Preparation, error) {
	list, err := r.Preparations(ctx, Page{}, "", id)
	return only(list, err, "preparation", id)
}

// PutPreparation writes a preparation, new or not.
func (t *Tx) PutPreparation(ctx context.Context, v procedure.Preparation) error {
	raw, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO preparation (site_id, slug, family, body) VALUES ($1, $2, NULLIF($3, ''), $4)
		ON CONFLICT (site_id, slug) DO UPDATE SET family = NULLIF($3, ''), body = $4`,
		t.siteID, v.ID, v.Family, json.RawMessage(raw))
	return err
}

// Procedures reads the newest version of procedures by id, of one engine family
// or, with an empty one, of all; with ids only those.
func (r Reader) Procedures(ctx context.Context, page Page, family string, ids ...string) ([]procedure.Procedure, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT DISTINCT ON (slug) body FROM procedure
		WHERE site_id = $1 AND slug > $2 AND ($3 = '' OR family = $3) AND ($4::text[] IS NULL OR slug = ANY ($4))
		ORDER BY slug, version DESC LIMIT $5`, r.siteID, page.After, family, ids, page.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, body[procedure.Procedure])
}

// Procedure reads one version of a procedure; version 0 is the newest.
func (r Reader) Procedure(ctx context.Context, id string, version int) (procedure.Procedure, error) {
	if version == 0 {
		list, err := r.Procedures(ctx, Page{}, "", id)
		return only(list, err, "procedure", id)
	}
	rows, err := r.tx.Query(ctx, `SELECT body FROM procedure WHERE site_id = $1 AND slug = $2 AND version = $3`,
		r.siteID, id, version)
	if err != nil {
		return procedure.Procedure{}, err
	}
	list, err := pgx.CollectRows(rows, body[procedure.Procedure])
	return only(list, err, fmt.Sprintf("version %d of procedure", version), id)
}

// versionsOf asks for what may be meant by procedures that are named with or
// without a version: those versions, the newest that is ISSUED, the newest. With
// nil it asks for these two of every procedure.
func (r Reader) versionsOf(refs []site.ProcedureRef) ask[procedure.Procedure] {
	var ids []string
	var versions []int
	for _, ref := range refs {
		ids, versions = append(ids, ref.ID), append(versions, ref.Version)
	}
	return asking(`
		SELECT body FROM (
			SELECT body, slug, version,
				max(version) OVER (PARTITION BY slug) AS newest,
				max(version) FILTER (WHERE state = 'ISSUED') OVER (PARTITION BY slug) AS issued
			FROM procedure WHERE site_id = $1 AND ($2::text[] IS NULL OR slug = ANY ($2))) AS p
		WHERE version IN (newest, issued) OR (slug, version) IN (SELECT unnest($2::text[]), unnest($3::int[]))
		ORDER BY slug, version`, []any{r.siteID, ids, versions}, body[procedure.Procedure])
}

// IssuedProcedure reads the newest version of a procedure that is ISSUED.
func (r Reader) IssuedProcedure(ctx context.Context, id string) (procedure.Procedure, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT body FROM procedure
		WHERE site_id = $1 AND slug = $2 AND state = 'ISSUED'
		ORDER BY version DESC LIMIT 1`, r.siteID, id)
	if err != nil {
		return procedure.Procedure{}, err
	}
	list, err := pgx.CollectRows(rows, body[procedure.Procedure])
	return only(list, err, "issued procedure", id)
}

// IssuedProcedures reads the newest issued version of every procedure.
func (r Reader) IssuedProcedures(ctx context.Context) ([]procedure.Procedure, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT DISTINCT ON (slug) body FROM procedure
		WHERE site_id = $1 AND state = 'ISSUED' ORDER BY slug, version DESC`, r.siteID)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, body[procedure.Procedure])
}

// PutProcedure writes a version of a procedure, new or not.
func (t *Tx) PutProcedure(ctx context.Context, v procedure.Procedure) error {
	raw, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO procedure (site_id, slug, version, state, family, body) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (site_id, slug, version) DO UPDATE SET state = $4, family = $5, body = $6`,
		t.siteID, v.ID, v.Version, v.State, v.Family, json.RawMessage(raw))
	return err
}

func body[T any](row pgx.CollectableRow) (T, error) {
	var v T
	var raw []byte
	if err := row.Scan(&raw); err != nil {
		return v, err
	}
	return v, json.Unmarshal(raw, &v)
}
