package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/fault"
	"bayhold/internal/running"
	"bayhold/internal/site"
)

// Who and when of a line of a record: what every table of it has.
const entryColumns = `e.step, COALESCE(x.slug, ''), e.at, e.recorded_at, e.actor`

func entryOf(e *running.Entry) []any {
	return []any{&e.Step, &e.Technician, &e.At, &e.RecordedAt, &e.Actor}
}

func utc(e *running.Entry) { e.At, e.RecordedAt = e.At.UTC(), e.RecordedAt.UTC() }

// technicianOf joins the technician of a record's line.
const technicianOf = ` LEFT JOIN resource x ON x.site_id = e.site_id AND x.resource_id = e.technician_id `

// Record reads all that was recorded of a job.
func (r Reader) Record(ctx context.Context, job int64) (running.Record, error) {
	var out running.Record
	var err error
	if out.Events, err = r.StepEvents(ctx, []int64{job}); err != nil {
		return out, err
	}
	if out.SignOffs, err = r.signOffs(ctx, job); err != nil {
		return out, err
	}
	if out.Readings, err = r.Readings(ctx, ReadingFilter{Job: job}); err != nil {
		return out, err
	}
	if out.Parts, err = r.partsUsed(ctx, job); err != nil {
		return out, err
	}
	if out.Overrides, err = r.overrides(ctx, job); err != nil {
		return out, err
	}
	if out.Waivers, err = r.waivers(ctx, job); err != nil {
		return out, err
	}
	if out.Delays, err = r.delays(ctx, job); err != nil {
		return out, err
	}
	out.Closing, err = r.closing(ctx, job)
	return out, err
}

// JobEvent is an event of a step with the job that it belongs to.
type JobEvent struct {
	Job int64
	running.Event
}

// StepEvents reads the course of the steps of jobs, in the order in which it
// was recorded.
func (r Reader) StepEvents(ctx context.Context, jobs []int64) ([]running.Event, error) {
	list, err := r.jobEvents(ctx, "e.job_id = ANY ($2)", jobs)
	out := make([]running.Event, 0, len(list))
	for _, e := range list {
		out = append(out, e.Event)
	}
	return out, err
}

// EventsOfJobs reads the course of the steps of many jobs, by job.
func (r Reader) EventsOfJobs(ctx context.Context, jobs []int64) (map[int64][]running.Event, error) {
	list, err := r.jobEvents(ctx, "e.job_id = ANY ($2)", jobs)
	out := map[int64][]running.Event{}
	for _, e := range list {
		out[e.Job] = append(out[e.Job], e.Event)
	}
	return out, err
}

// EventsOfStep reads the course of a step over all jobs that have it: what
// actual working minutes are told from. Only runs that began in the time given
// and are finished count.
func (r Reader) EventsOfStep(ctx context.Context, step string, from, until time.Time) ([]JobEvent, error) {
	return r.jobEvents(ctx, `e.step = $2 AND EXISTS (SELECT FROM step_event b WHERE b.site_id = e.site_id AND b.job_id = e.job_id
			AND b.step = e.step AND b.run = e.run AND b.kind = 'START' AND b.at >= $3 AND b.at < $4)
		AND EXISTS (SELECT FROM step_event f WHERE f.site_id = e.site_id AND f.job_id = e.job_id
			AND f.step = e.step AND f.run = e.run AND f.kind = 'FINISH')`, step, from, until)
}

// EventsOfTechnician reads what a technician recorded of steps since a time.
func (r Reader) EventsOfTechnician(ctx context.Context, technician string, since time.Time) ([]JobEvent, error) {
	return r.jobEvents(ctx, "x.slug = $2 AND x.kind = 'TECHNICIAN' AND e.at >= $3", technician, since)
}

func (r Reader) jobEvents(ctx context.Context, where string, args ...any) ([]JobEvent, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.job_id, e.step_event_id, e.run, e.kind, lower(e.planned), upper(e.planned), e.note, `+entryColumns+`
		FROM step_event e `+technicianOf+`
		WHERE e.site_id = $1 AND `+where+` ORDER BY e.step_event_id`, append([]any{r.siteID}, args...)...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (JobEvent, error) {
		var v JobEvent
		err := row.Scan(append([]any{&v.Job, &v.ID, &v.Run, &v.Act, &v.PlannedStart, &v.PlannedEnd, &v.Note}, entryOf(&v.Entry)...)...)
		utc(&v.Entry)
		v.PlannedStart, v.PlannedEnd = v.PlannedStart.UTC(), v.PlannedEnd.UTC()
		return v, err
	})
}

func (r Reader) signOffs(ctx context.Context, job int64) ([]running.SignOff, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.sign_off_id, e.run, e.seen, e.note, `+entryColumns+`
		FROM sign_off e `+technicianOf+` WHERE e.site_id = $1 AND e.job_id = $2 ORDER BY e.sign_off_id`, r.siteID, job)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (running.SignOff, error) {
		var v running.SignOff
		err := row.Scan(append([]any{&v.ID, &v.Run, &v.Seen, &v.Note}, entryOf(&v.Entry)...)...)
		utc(&v.Entry)
		return v, err
	})
}

// ReadingFilter chooses readings.
type ReadingFilter struct {
	Job  int64  // only of this job; 0: of all
	Tool string // only by this tool; empty: by all
	// Tools are those by which it was measured; nil: by any, or by none.
	Tools []string
	ID    int64 // only this one; 0: all
	// From and Until bound their own times, Until left out; zero: no bound.
	From, Until time.Time
	// Tightenings leaves out checks, and readings that were corrected since.
	Tightenings bool
}

// JobReading is a reading with the job that it belongs to.
type JobReading struct {
	Job       int64
	Reference string // of the job
	running.Reading
}

// Readings reads what was measured, in the order in which it was recorded.
func (r Reader) Readings(ctx context.Context, f ReadingFilter) ([]running.Reading, error) {
	list, err := r.JobReadings(ctx, f)
	out := make([]running.Reading, 0, len(list))
	for _, v := range list {
		out = append(out, v.Reading)
	}
	return out, err
}

// Tightenings reads what a tool tightened in a time, the newest reading of each
// stage only: what a reverse trace goes through.
func (r Reader) Tightenings(ctx context.Context, tag string, from, until time.Time) ([]JobReading, error) {
	return r.JobReadings(ctx, ReadingFilter{Tool: tag, From: from, Until: until, Tightenings: true})
}

// JobReadings reads what was measured on any job, in the order in which it was
// recorded.
func (r Reader) JobReadings(ctx context.Context, f ReadingFilter) ([]JobReading, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.job_id, j.reference, e.reading_id, e.run, e.kind, e.fastener, e.stage, e.attempt, e.check_id, e.unit, e.value, e.wanted,
			e.low, e.high, e.tolerance, e.set_nm, e.ratio, e.joint, COALESCE(t.slug, ''), e.certificate, e.calibrated_until, COALESCE(e.corrects, 0), e.note, `+entryColumns+`
		FROM reading e `+technicianOf+`
		JOIN job j ON j.site_id = e.site_id AND j.job_id = e.job_id
		LEFT JOIN resource t ON t.site_id = e.site_id AND t.resource_id = e.tool_id
		WHERE e.site_id = $1
			AND ($2::bigint = 0 OR e.job_id = $2::bigint)
			AND ($3 = '' OR t.slug = $3)
			AND ($4::bigint = 0 OR e.reading_id = $4::bigint)
			AND ($5::timestamptz IS NULL OR e.at >= $5::timestamptz)
			AND ($6::timestamptz IS NULL OR e.at < $6::timestamptz)
			AND (NOT $7 OR (e.kind <> 'CHECK'
				AND NOT EXISTS (SELECT FROM reading c WHERE c.site_id = e.site_id AND c.corrects = e.reading_id)))
			AND ($8::text[] IS NULL OR t.slug = ANY ($8::text[]))
		ORDER BY e.reading_id`,
		r.siteID, f.Job, f.Tool, f.ID, nullable(f.From), nullable(f.Until), f.Tightenings, f.Tools)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (JobReading, error) {
		var v JobReading
		var until *time.Time
		err := row.Scan(append([]any{
			&v.Job, &v.Reference, &v.ID, &v.Run, &v.Kind, &v.Fastener, &v.Stage, &v.Attempt, &v.CheckID, &v.Unit, &v.Value, &v.Wanted,
			&v.Low, &v.High, &v.Tolerance, &v.Set, &v.Ratio, &v.Joint, &v.Tool, &v.Certificate, &until, &v.Corrects, &v.Note,
		}, entryOf(&v.Entry)...)...)
		utc(&v.Entry)
		v.CalibratedUntil = instant(until)
		return v, err
	})
}

func (r Reader) partsUsed(ctx context.Context, job int64) ([]running.PartUsed, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.part_used_id, e.run, e.part, e.quantity, e.fasteners, e.lot, `+entryColumns+`
		FROM part_used e `+technicianOf+` WHERE e.site_id = $1 AND e.job_id = $2 ORDER BY e.part_used_id`, r.siteID, job)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (running.PartUsed, error) {
		var v running.PartUsed
		err := row.Scan(append([]any{&v.ID, &v.Run, &v.Part, &v.Quantity, &v.Fasteners, &v.Lot}, entryOf(&v.Entry)...)...)
		utc(&v.Entry)
		return v, err
	})
}

func (r Reader) overrides(ctx context.Context, job int64) ([]running.Override, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.override_id, e.run, e.act, e.against, e.reason, e.step, '', e.at, e.recorded_at, e.actor
		FROM step_override e WHERE e.site_id = $1 AND e.job_id = $2 ORDER BY e.override_id`, r.siteID, job)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (running.Override, error) {
		var v running.Override
		var against []byte
		if err := row.Scan(append([]any{&v.ID, &v.Run, &v.Act, &against, &v.Note}, entryOf(&v.Entry)...)...); err != nil {
			return v, err
		}
		utc(&v.Entry)
		return v, json.Unmarshal(against, &v.Against)
	})
}

func (r Reader) waivers(ctx context.Context, job int64) ([]running.Waiver, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.waiver_id, e.reason, e.step, '', e.at, e.recorded_at, e.actor
		FROM step_waiver e WHERE e.site_id = $1 AND e.job_id = $2 ORDER BY e.waiver_id`, r.siteID, job)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (running.Waiver, error) {
		var v running.Waiver
		err := row.Scan(append([]any{&v.ID, &v.Note}, entryOf(&v.Entry)...)...)
		utc(&v.Entry)
		return v, err
	})
}

func (r Reader) delays(ctx context.Context, job int64) ([]running.Delay, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT e.delay_id, e.minutes, e.reason, `+entryColumns+`
		FROM step_delay e `+technicianOf+` WHERE e.site_id = $1 AND e.job_id = $2 ORDER BY e.delay_id`, r.siteID, job)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (running.Delay, error) {
		var v running.Delay
		err := row.Scan(append([]any{&v.ID, &v.Minutes, &v.Note}, entryOf(&v.Entry)...)...)
		utc(&v.Entry)
		return v, err
	})
}

func (r Reader) closing(ctx context.Context, job int64) (*running.Closing, error) {
	var v running.Closing
	err := r.tx.QueryRow(ctx, `SELECT note, at, recorded_at, actor FROM job_closing WHERE site_id = $1 AND job_id = $2`,
		r.siteID, job).Scan(&v.Note, &v.At, &v.RecordedAt, &v.Actor)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	utc(&v.Entry)
	return &v, err
}

// JobsClosed tells which of these jobs are closed.
func (r Reader) JobsClosed(ctx context.Context, jobs []int64) (map[int64]bool, error) {
	rows, err := r.tx.Query(ctx, "SELECT job_id FROM job_closing WHERE site_id = $1 AND job_id = ANY ($2)", r.siteID, jobs)
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

// resourceID is a subquery for the id of a resource that is named by the
// parameter of that number; NULL if its name is empty.
func resourceID(kind site.Kind, parameter int) string {
	return fmt.Sprintf("(SELECT resource_id FROM resource WHERE site_id = $1 AND kind = '%s' AND slug = $%d)", kind, parameter)
}

// AddStepEvent records an event of a job that the caller has locked.
func (t *Tx) AddStepEvent(ctx context.Context, job int64, e running.Event) (running.Event, error) {
	e.RecordedAt = t.now
	err := t.tx.QueryRow(ctx, `
		INSERT INTO step_event (site_id, job_id, step, run, kind, technician_id, at, recorded_at, actor, planned, note)
		VALUES ($1, $2, $3, $4, $5, `+resourceID(site.KindTechnician, 6)+`, $7, $8, $9, tstzrange($10::timestamptz, $11::timestamptz), $12)
		RETURNING step_event_id`,
		t.siteID, job, e.Step, e.Run, e.Act, e.Technician, e.At, t.now, e.Actor, e.PlannedStart, e.PlannedEnd, e.Note).Scan(&e.ID)
	return e, err
}

// AddSignOff records a signature of a job that the caller has locked.
func (t *Tx) AddSignOff(ctx context.Context, job int64, s running.SignOff) (running.SignOff, error) {
	s.RecordedAt = t.now
	err := t.tx.QueryRow(ctx, `
		INSERT INTO sign_off (site_id, job_id, step, run, technician_id, seen, at, recorded_at, actor, note)
		VALUES ($1, $2, $3, $4, `+resourceID(site.KindTechnician, 5)+`, $6, $7, $8, $9, $10) RETURNING sign_off_id`,
		t.siteID, job, s.Step, s.Run, s.Technician, s.Seen, s.At, t.now, s.Actor, s.Note).Scan(&s.ID)
	return s, err
}

// AddReadings records readings of a job that the caller has locked. Exists if
// one of them corrects a reading that was corrected already.
func (t *Tx) AddReadings(ctx context.Context, job int64, list []running.Reading) ([]running.Reading, error) {
	out := make([]running.Reading, len(list))
	var batch pgx.Batch
	for i, v := range list {
		v.RecordedAt = t.now
		out[i] = v
		batch.Queue(`
			INSERT INTO reading (site_id, job_id, step, run, kind, fastener, stage, attempt, check_id, unit, value, wanted, low, high,
				tolerance, set_nm, ratio, joint, tool_id, technician_id, at, recorded_at, actor, corrects, note,
				certificate, calibrated_until)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18,
				`+resourceID(site.KindTool, 19)+`, `+resourceID(site.KindTechnician, 20)+`, $21, $22, $23, NULLIF($24::bigint, 0), $25, $26, $27)
			RETURNING reading_id`,
			t.siteID, job, v.Step, v.Run, v.Kind, v.Fastener, v.Stage, v.Attempt, v.CheckID, v.Unit, v.Value, v.Wanted, v.Low, v.High,
			v.Tolerance, v.Set, v.Ratio, v.Joint, v.Tool, v.Technician, v.At, t.now, v.Actor, v.Corrects, v.Note,
			v.Certificate, nullable(v.CalibratedUntil),
		).QueryRow(func(row pgx.Row) error { return row.Scan(&out[i].ID) })
	}
	err := t.tx.together(ctx, &batch)
	if sqlstate(err) == "23505" {
		return nil, fault.New(fault.Exists, "CORRECTED", "that reading has been corrected already: correct its correction")
	}
	return out, err
}

// AddPart records a part of a job that the caller has locked.
func (t *Tx) AddPart(ctx context.Context, job int64, p running.PartUsed) (running.PartUsed, error) {
	p.RecordedAt = t.now
	fasteners := make([]int32, 0, len(p.Fasteners))
	for _, f := range p.Fasteners {
		fasteners = append(fasteners, int32(f))
	}
	err := t.tx.QueryRow(ctx, `
		INSERT INTO part_used (site_id, job_id, step, run, part, quantity, fasteners, lot, technician_id, at, recorded_at, actor)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, `+resourceID(site.KindTechnician, 9)+`, $10, $11, $12) RETURNING part_used_id`,
		t.siteID, job, p.Step, p.Run, p.Part, p.Quantity, fasteners, p.Lot, p.Technician, p.At, t.now, p.Actor).Scan(&p.ID)
	return p, err
}

// AddOverride records what a manager let pass.
func (t *Tx) AddOverride(ctx context.Context, job int64, o running.Override) error {
	against, err := json.Marshal(o.Against)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `
		INSERT INTO step_override (site_id, job_id, step, run, act, against, reason, at, recorded_at, actor)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		t.siteID, job, o.Step, o.Run, o.Act, json.RawMessage(against), o.Note, o.At, t.now, o.Actor)
	return err
}

// AddWaiver records a step that is not done.
func (t *Tx) AddWaiver(ctx context.Context, job int64, v running.Waiver) error {
	_, err := t.tx.Exec(ctx, `
		INSERT INTO step_waiver (site_id, job_id, step, reason, at, recorded_at, actor) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		t.siteID, job, v.Step, v.Note, v.At, t.now, v.Actor)
	return err
}

// AddDelay records what takes longer.
func (t *Tx) AddDelay(ctx context.Context, job int64, d running.Delay) error {
	_, err := t.tx.Exec(ctx, `
		INSERT INTO step_delay (site_id, job_id, step, minutes, reason, technician_id, at, recorded_at, actor)
		VALUES ($1, $2, $3, $4, $5, `+resourceID(site.KindTechnician, 6)+`, $7, $8, $9)`,
		t.siteID, job, d.Step, d.Minutes, d.Note, d.Technician, d.At, t.now, d.Actor)
	return err
}

// AddClosing closes a job's record.
func (t *Tx) AddClosing(ctx context.Context, job int64, c running.Closing) error {
	_, err := t.tx.Exec(ctx, `
		INSERT INTO job_closing (site_id, job_id, note, at, recorded_at, actor) VALUES ($1, $2, $3, $4, $5, $6)`,
		t.siteID, job, c.Note, c.At, t.now, c.Actor)
	return err
}
