package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/calibration"
)

// DecisionRecord is what was decided about a line of a reverse trace.
type DecisionRecord struct {
	Tool     string // asset tag
	Finding  string // "certificates/12" or "checks/3"
	Decision calibration.Decision
}

// Decisions reads what was decided about lines of tools, by time.
func (r Reader) Decisions(ctx context.Context, tags []string) ([]DecisionRecord, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT x.slug, d.finding, d.line, d.answer, d.note, d.person, d.decided_at
		FROM trace_decision d JOIN resource x ON x.site_id = d.site_id AND x.resource_id = d.resource_id
		WHERE d.site_id = $1 AND x.slug = ANY ($2)
		ORDER BY d.decided_at, d.decision_id`, r.siteID, tags)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (DecisionRecord, error) {
		var v DecisionRecord
		d := &v.Decision
		err := row.Scan(&v.Tool, &v.Finding, &d.Line, &d.Answer, &d.Note, &d.Person, &d.At)
		d.At = d.At.UTC()
		return v, err
	})
}

// AddDecisions keeps decisions about lines of a tool that the caller has locked.
func (t *Tx) AddDecisions(ctx context.Context, tag, finding string, list []calibration.Decision) error {
	id, err := t.toolID(ctx, tag)
	if err != nil {
		return err
	}
	var batch pgx.Batch
	for _, d := range list {
		batch.Queue(`
			INSERT INTO trace_decision (site_id, resource_id, finding, line, answer, note, person, decided_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`, t.siteID, id, finding, d.Line, d.Answer, d.Note, d.Person, d.At)
	}
	return t.tx.together(ctx, &batch)
}

// LeaveJobs reads the jobs by which tools are away for calibration.
func (r Reader) LeaveJobs(ctx context.Context) (map[int64]bool, error) {
	rows, err := r.tx.Query(ctx, "SELECT job_id FROM calibration_leave WHERE site_id = $1", r.siteID)
	if err != nil {
		return nil, err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	out := make(map[int64]bool, len(ids))
	for _, id := range ids {
		out[id] = true
	}
	return out, err
}

// AddLeave marks a job of this transaction as the leave of a tool.
func (t *Tx) AddLeave(ctx context.Context, job int64, tag string) error {
	id, err := t.toolID(ctx, tag)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, "INSERT INTO calibration_leave (site_id, job_id, resource_id) VALUES ($1, $2, $3)", t.siteID, job, id)
	return err
}
