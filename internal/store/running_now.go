package store

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// LockRecord takes a job's own row for this transaction, so that acts on its
// record follow one another, and reads the job. It leaves the resources of its
// bookings alone: whoever changes bookings takes LockJob.
func (t *Tx) LockRecord(ctx context.Context, id int64) (site.Job, error) {
	_, err := t.tx.Exec(ctx, "SELECT FROM job WHERE site_id = $1 AND job_id = $2 FOR NO KEY UPDATE", t.siteID, id)
	if err != nil {
		return site.Job{}, err
	}
	return t.Job(ctx, id, t.now)
}

// RunningStep is a step that somebody works on.
type RunningStep struct {
	Job        int64
	Step       string
	Technician string // who began it or went on with it
}

// RunningSteps reads which steps of open jobs run at this moment, those of one
// technician if one is named.
func (r Reader) RunningSteps(ctx context.Context, technician string) ([]RunningStep, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT l.job_id, l.step, COALESCE(x.slug, '')
		FROM (SELECT DISTINCT ON (e.job_id, e.step) e.job_id, e.step, e.kind, e.technician_id
			FROM step_event e
			WHERE e.site_id = $1
				AND NOT EXISTS (SELECT FROM job_closing c WHERE c.site_id = e.site_id AND c.job_id = e.job_id)
				AND NOT EXISTS (SELECT FROM step_waiver v WHERE v.site_id = e.site_id AND v.job_id = e.job_id AND v.step = e.step)
			ORDER BY e.job_id, e.step, e.step_event_id DESC) l
		JOIN job j ON j.site_id = $1 AND j.job_id = l.job_id AND j.state = 'CONFIRMED'
		LEFT JOIN resource x ON x.site_id = $1 AND x.resource_id = l.technician_id
		WHERE l.kind IN ('START', 'RESUME') AND ($2 = '' OR x.slug = $2)
		ORDER BY l.job_id, l.step`, r.siteID, technician)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[RunningStep])
}

// OpenJobs reads the ids of jobs that were begun and are neither closed nor
// cancelled, ascending.
func (r Reader) OpenJobs(ctx context.Context) ([]int64, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT j.job_id FROM job j
		WHERE j.site_id = $1 AND j.state = 'CONFIRMED'
			AND EXISTS (SELECT FROM step_event e WHERE e.site_id = j.site_id AND e.job_id = j.job_id)
			AND NOT EXISTS (SELECT FROM job_closing c WHERE c.site_id = j.site_id AND c.job_id = j.job_id)
		ORDER BY j.job_id`, r.siteID)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[int64])
}

// SetPlaces writes where the steps of a job stand in time, and its extent. The
// caller has locked the job.
func (t *Tx) SetPlaces(ctx context.Context, id int64, planned hours.Range, steps []site.JobStep) error {
	raw, err := json.Marshal(steps)
	if err != nil {
		return err
	}
	tag, err := t.tx.Exec(ctx, `UPDATE job SET planned = tstzrange($3::timestamptz, $4::timestamptz), steps = $5
		WHERE site_id = $1 AND job_id = $2`, t.siteID, id, planned.Start, planned.End, json.RawMessage(raw))
	if err == nil && tag.RowsAffected() != 1 {
		err = None("job", fmt.Sprint(id))
	}
	return err
}
