package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/site"
)

// ToolTypes reads tool types by id; with ids only those.
func (r Reader) ToolTypes(ctx context.Context, page Page, ids ...string) ([]site.ToolType, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT slug, display_name, purpose, families, torque_min_nm, torque_max_nm, resolution_nm, drive, calibrated, pieces, length_mm, ratio,
			iso_type, iso_class, permissible
		FROM tool_type
		WHERE site_id = $1 AND slug > $2 AND ($3::text[] IS NULL OR slug = ANY ($3))
		ORDER BY slug LIMIT $4`, r.siteID, page.After, ids, page.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.ToolType, error) {
		var v site.ToolType
		var pieces []byte
		if err := row.Scan(&v.ID, &v.Name, &v.Purpose, &v.Families, &v.TorqueMin, &v.TorqueMax,
			&v.Resolution, &v.Drive, &v.Calibrated, &pieces, &v.Length, &v.Ratio,
			&v.ISOType, &v.ISOClass, &v.Permissible); err != nil {
			return v, err
		}
		return v, json.Unmarshal(pieces, &v.Pieces)
	})
}

// ToolType reads one tool type.
func (r Reader) ToolType(ctx context.Context, id string) (site.ToolType, error) {
	list, err := r.ToolTypes(ctx, Page{}, id)
	return only(list, err, "tool type", id)
}

// PutToolType writes a tool type, new or not.
func (t *Tx) PutToolType(ctx context.Context, v site.ToolType) error {
	pieces, err := json.Marshal(v.Pieces)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO tool_type (site_id, slug, display_name, purpose, families, torque_min_nm, torque_max_nm, resolution_nm, drive, calibrated, pieces, length_mm, ratio,
			iso_type, iso_class, permissible)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)
		ON CONFLICT (site_id, slug) DO UPDATE SET display_name = $3, purpose = $4, families = $5, torque_min_nm = $6,
			torque_max_nm = $7, resolution_nm = $8, drive = $9, calibrated = $10, pieces = $11,
			length_mm = $12, ratio = $13, iso_type = $14, iso_class = $15, permissible = $16`,
		t.siteID, v.ID, v.Name, v.Purpose, texts(v.Families), v.TorqueMin, v.TorqueMax, v.Resolution, v.Drive, v.Calibrated,
		json.RawMessage(pieces), v.Length, v.Ratio, v.ISOType, v.ISOClass, v.Permissible)
	return err
}

// Tools reads tools by asset tag; with tags only those.
func (r Reader) Tools(ctx context.Context, page Page, tags ...string) ([]site.Tool, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT x.slug, t.tool_type, t.condition, t.condition_until, t.condition_note, t.calibrated_until, t.home
		FROM resource x JOIN tool t ON t.site_id = x.site_id AND t.resource_id = x.resource_id
		WHERE x.site_id = $1 AND x.kind = 'TOOL' AND x.slug > $2 AND ($3::text[] IS NULL OR x.slug = ANY ($3))
		ORDER BY x.slug LIMIT $4`, r.siteID, page.After, tags, page.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.Tool, error) {
		var v site.Tool
		var until, calibrated *time.Time
		if err := row.Scan(&v.Tag, &v.Type, &v.Condition, &until, &v.ConditionNote, &calibrated, &v.Home); err != nil {
			return v, err
		}
		v.ConditionUntil, v.CalibratedUntil = instant(until), instant(calibrated)
		return v, nil
	})
}

// Tool reads one tool.
func (r Reader) Tool(ctx context.Context, tag string) (site.Tool, error) {
	list, err := r.Tools(ctx, Page{}, tag)
	return only(list, err, "tool", tag)
}

// PutTool writes a tool, new or not.
func (t *Tx) PutTool(ctx context.Context, v site.Tool) error {
	id, err := t.ensureResource(ctx, site.KindTool, v.Tag)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO tool (site_id, resource_id, tool_type, condition, condition_until, condition_note, calibrated_until, home)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
		ON CONFLICT (site_id, resource_id) DO UPDATE SET tool_type = $3, condition = $4, condition_until = $5,
			condition_note = $6, calibrated_until = $7, home = $8`,
		t.siteID, id, v.Type, v.Condition, nullable(v.ConditionUntil), v.ConditionNote, nullable(v.CalibratedUntil), v.Home)
	return err
}
