package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// EventsOfSteps reads the course of many steps over all jobs that have them: of
// runs that began since a time and are finished.
func (r Reader) EventsOfSteps(ctx context.Context, steps []string, since time.Time) ([]JobEvent, error) {
	return r.jobEvents(ctx, `e.step = ANY ($2) AND EXISTS (SELECT FROM step_event b WHERE b.site_id = e.site_id AND b.job_id = e.job_id
			AND b.step = e.step AND b.run = e.run AND b.kind = 'START' AND b.at >= $3)
		AND EXISTS (SELECT FROM step_event f WHERE f.site_id = e.site_id AND f.job_id = e.job_id
			AND f.step = e.step AND f.run = e.run AND f.kind = 'FINISH')`, steps, since)
}

// Promised is a job's first promise, and when the job was handed back.
type Promised struct {
	Job        int64
	Reference  string
	Promise    time.Time
	Confidence float64   // 0 if it was not known
	HandedBack time.Time // zero if that was not recorded
}

// Promises reads the first promises that fell due in a time, of jobs that were
// not given up. A closed job was handed back with the last of
// its steps.
func (r Reader) Promises(ctx context.Context, from, until time.Time) ([]Promised, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT j.job_id, j.reference, j.first_promise, COALESCE(j.first_confidence, 0),
			CASE WHEN c.at IS NOT NULL THEN COALESCE((SELECT max(e.at) FROM step_event e
				WHERE e.site_id = j.site_id AND e.job_id = j.job_id AND e.kind = 'FINISH'), c.at) END
		FROM job j
		LEFT JOIN job_closing c ON c.site_id = j.site_id AND c.job_id = j.job_id
		WHERE j.site_id = $1 AND j.first_promise >= $2 AND j.first_promise < $3 AND j.state <> 'CANCELLED'
		ORDER BY j.first_promise, j.job_id`, r.siteID, from, until)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (Promised, error) {
		var p Promised
		var at *time.Time
		err := row.Scan(&p.Job, &p.Reference, &p.Promise, &p.Confidence, &at)
		p.Promise, p.HandedBack = p.Promise.UTC(), instant(at)
		return p, err
	})
}
