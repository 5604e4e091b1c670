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
	return r.toolTypes(page, ids).all(ctx, r.tx)
}

func (r Reader) toolTypes(page Page, ids []string) ask[site.ToolType] {
	return asking(`
		SELECT slug, display_name, purpose, families, torque_min_nm, torque_max_nm, resolution_nm, drive, calibrated, pieces, length_mm, ratio,
			iso_type, iso_class, permissible, calibration_months, calibration_cycles
		FROM tool_type
		WHERE site_id = $1 AND slug > $2 AND ($3::text[] IS NULL OR slug = ANY ($3))
		ORDER BY slug LIMIT $4`, []any{r.siteID, page.After, ids, page.limit()}, func(row pgx.CollectableRow) (site.ToolType, error) {
		var v site.ToolType
		var pieces []byte
		if err := row.Scan(&v.ID, &v.Name, &v.Purpose, &v.Families, &v.TorqueMin, &v.TorqueMax,
			&v.Resolution, &v.Drive, &v.Calibrated, &pieces, &v.Length, &v.Ratio,
			&v.ISOType, &v.ISOClass, &v.Permissible, &v.CalibrationMonths, &v.CalibrationCycles); err != nil {
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
			iso_type, iso_class, permissible, calibration_months, calibration_cycles)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)
		ON CONFLICT (site_id, slug) DO UPDATE SET display_name = $3, purpose = $4, families = $5, torque_min_nm = $6,
			torque_max_nm = $7, resolution_nm = $8, drive = $9, calibrated = $10, pieces = $11,
			length_mm = $12, ratio = $13, iso_type = $14, iso_class = $15, permissible = $16,
			calibration_months = $17, calibration_cycles = $18`,
		t.siteID, v.ID, v.Name, v.Purpose, some(v.Families), v.TorqueMin, v.TorqueMax, v.Resolution, v.Drive, v.Calibrated,
		json.RawMessage(pieces), v.Length, v.Ratio, v.ISOType, v.ISOClass, v.Permissible,
		v.CalibrationMonths, v.CalibrationCycles)
	return err
}

// Tools reads tools by asset tag; with tags only those.
func (r Reader) Tools(ctx context.Context, page Page, tags ...string) ([]site.Tool, error) {
	return r.tools(page, tags).all(ctx, r.tx)
}

func (r Reader) tools(page Page, tags []string) ask[site.Tool] {
	return asking(`
		SELECT x.slug, t.tool_type, t.condition, t.condition_until, t.condition_note, t.calibrated_until, t.home,
			t.photo_url, t.missing, t.damaged
		FROM resource x JOIN tool t ON t.site_id = x.site_id AND t.resource_id = x.resource_id
		WHERE x.site_id = $1 AND x.kind = 'TOOL' AND x.slug > $2 AND ($3::text[] IS NULL OR x.slug = ANY ($3))
		ORDER BY x.slug LIMIT $4`, []any{r.siteID, page.After, tags, page.limit()}, func(row pgx.CollectableRow) (site.Tool, error) {
		var v site.Tool
		var until, calibrated *time.Time
		var missing, damaged []byte
		if err := row.Scan(&v.Tag, &v.Type, &v.Condition, &until, &v.ConditionNote, &calibrated, &v.Home,
			&v.PhotoURL, &missing, &damaged); err != nil {
			return v, err
		}
		v.ConditionUntil, v.CalibratedUntil = instant(until), instant(calibrated)
		var err error
		if v.Missing, err = listOf[site.Piece](missing); err != nil {
			return v, err
		}
		v.Damaged, err = listOf[site.Piece](damaged)
		return v, err
	})
}

// Tool reads one tool.
func (r Reader) Tool(ctx context.Context, tag string) (site.Tool, error) {
	list, err := r.Tools(ctx, Page{}, tag)
	return only(list, err, "tool", tag)
}

// PutTool writes a tool, new or not. A condition that it was not in before, or
// that has another end or reason now, goes into its history.
func (t *Tx) PutTool(ctx context.Context, v site.Tool) error {
	id, err := t.ensureResource(ctx, site.KindTool, v.Tag)
	if err != nil {
		return err
	}
	missing, damaged, err := twoJSON(some(v.Missing), some(v.Damaged))
	if err != nil {
		return err
	}
	var batch pgx.Batch
	batch.Queue(`
		INSERT INTO tool (site_id, resource_id, tool_type, condition, condition_until, condition_note, calibrated_until, home,
			photo_url, missing, damaged)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)
		ON CONFLICT (site_id, resource_id) DO UPDATE SET tool_type = $3, condition = $4, condition_until = $5,
			condition_note = $6, calibrated_until = $7, home = $8, photo_url = $9, missing = $10, damaged = $11`,
		t.siteID, id, v.Type, v.Condition, nullable(v.ConditionUntil), v.ConditionNote, nullable(v.CalibratedUntil), v.Home,
		v.PhotoURL, missing, damaged)
	batch.Queue(`
		INSERT INTO tool_condition (site_id, resource_id, condition, since, until, reason, actor)
		SELECT $1, $2, $3, $4, $5::timestamptz, $6, $7
		WHERE NOT EXISTS (
			SELECT FROM (
				SELECT condition, until, reason FROM tool_condition
				WHERE site_id = $1 AND resource_id = $2 ORDER BY since DESC, condition_id DESC LIMIT 1) AS last
			WHERE last.condition = $3 AND last.until IS NOT DISTINCT FROM $5::timestamptz AND last.reason = $6)`,
		t.siteID, id, v.Condition, t.now, nullable(v.ConditionUntil), v.ConditionNote, t.actor)
	return t.tx.together(ctx, &batch)
}

// some makes a list that is never null in the database.
func some[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// listOf reads a list; an empty one is nil, as one that was never filled.
func listOf[T any](raw []byte) ([]T, error) {
	var out []T
	if err := json.Unmarshal(raw, &out); err != nil || len(out) == 0 {
		return nil, err
	}
	return out, nil
}

// Conditions reads the conditions that a tool was in, the latest first.
func (r Reader) Conditions(ctx context.Context, tag string, limit int) ([]site.ToolCondition, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT c.condition, c.since, c.until, c.reason, c.actor
		FROM tool_condition c JOIN resource x ON x.site_id = c.site_id AND x.resource_id = c.resource_id
		WHERE c.site_id = $1 AND x.kind = 'TOOL' AND x.slug = $2
		ORDER BY c.since DESC, c.condition_id DESC LIMIT $3`, r.siteID, tag, Page{Limit: limit}.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.ToolCondition, error) {
		v := site.ToolCondition{Tool: tag}
		var until *time.Time
		err := row.Scan(&v.Condition, &v.Since, &until, &v.Reason, &v.Actor)
		v.Since, v.Until = v.Since.UTC(), instant(until)
		return v, err
	})
}
