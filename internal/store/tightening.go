package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/calibration"
	"bayhold/internal/running"
)

// TighteningRecord is a tightening as it was recorded. Its ID names where it
// lies: "tightenings/7".
type TighteningRecord struct {
	Tool       string // asset tag
	Source     string // its id where it was recorded; empty for one of this site's jobs
	Person     string // who tightened; empty if not recorded
	Tightening calibration.Tightening
}

// TighteningsBy reads what tools have tightened, by time: in jobs of this site,
// the newest reading of each stage, and what was taken in.
func (r Reader) TighteningsBy(ctx context.Context, tags []string) ([]TighteningRecord, error) {
	out, err := r.takenIn(ctx, tags)
	if err != nil {
		return nil, err
	}
	readings, err := r.JobReadings(ctx, ReadingFilter{Tools: tags, Tightenings: true})
	for _, v := range readings {
		out = append(out, v.tightening())
	}
	slices.SortStableFunc(out, func(a, b TighteningRecord) int { return a.Tightening.At.Compare(b.Tightening.At) })
	return out, err
}

// tightening is a reading as the rules of calibration see it. Where it was not
// recorded what the tool was set to, what it gave stands for it.
func (v JobReading) tightening() TighteningRecord {
	out := TighteningRecord{Tool: v.Tool, Person: v.Technician, Tightening: calibration.Tightening{
		ID: fmt.Sprintf("readings/%d", v.ID), At: v.At, Job: v.Reference, Step: v.Step, Joint: v.Joint,
		Fastener: strconv.Itoa(v.Fastener), Stage: v.Stage, Set: v.Set, Ratio: v.Ratio, Tolerance: v.Tolerance,
		Direction: calibration.Clockwise,
	}}
	wanted := v.Value
	if v.Wanted != nil {
		wanted = *v.Wanted
	}
	if v.Kind == running.Angle {
		out.Tightening.Angle = wanted
		return out
	}
	out.Tightening.Wanted = wanted
	if v.Set == 0 {
		out.Tightening.Set = v.Value / cmp.Or(v.Ratio, 1)
	}
	return out
}

// takenIn reads the tightenings of tools that were taken in.
func (r Reader) takenIn(ctx context.Context, tags []string) ([]TighteningRecord, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT t.tightening_id, x.slug, t.source, t.person, t.at, t.job, t.step, t.joint, t.fastener, t.stage,
			t.wanted_nm, t.angle_deg, t.set_nm, t.ratio, t.tolerance, t.direction
		FROM tightening t JOIN resource x ON x.site_id = t.site_id AND x.resource_id = t.resource_id
		WHERE t.site_id = $1 AND x.slug = ANY ($2)
		ORDER BY t.at, t.tightening_id`, r.siteID, tags)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (TighteningRecord, error) {
		var v TighteningRecord
		var id int64
		x := &v.Tightening
		err := row.Scan(&id, &v.Tool, &v.Source, &v.Person, &x.At, &x.Job, &x.Step, &x.Joint, &x.Fastener, &x.Stage,
			&x.Wanted, &x.Angle, &x.Set, &x.Ratio, &x.Tolerance, &x.Direction)
		x.ID, x.At = fmt.Sprintf("tightenings/%d", id), x.At.UTC()
		return v, err
	})
}

// AddTightenings takes in tightenings of tools that the caller has locked.
func (t *Tx) AddTightenings(ctx context.Context, list []TighteningRecord) error {
	ids := map[string]int64{}
	var batch pgx.Batch
	for _, v := range list {
		if _, known := ids[v.Tool]; !known {
			id, err := t.toolID(ctx, v.Tool)
			if err != nil {
				return err
			}
			ids[v.Tool] = id
		}
		x := v.Tightening
		batch.Queue(`
			INSERT INTO tightening (site_id, resource_id, source, person, at, job, step, joint, fastener, stage,
				wanted_nm, angle_deg, set_nm, ratio, tolerance, direction, taken_in_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)`,
			t.siteID, ids[v.Tool], v.Source, v.Person, x.At, x.Job, x.Step, x.Joint, x.Fastener, x.Stage,
			x.Wanted, x.Angle, x.Set, x.Ratio, x.Tolerance, x.Direction, t.now)
	}
	return t.tx.together(ctx, &batch)
}
