package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// JobFilter chooses jobs.
type JobFilter struct {
	Now        time.Time   // by which a TENTATIVE job may have lapsed
	During     hours.Range // overlapping it; the zero range: any time
	ID         int64       // only this one; 0: all
	Imported   string      // only the imported one of this reference; empty: all
	All        bool        // cancelled and lapsed jobs too
	AfterStart time.Time   // continue behind the job with this start ...
	AfterID    int64       // ... and id
	Limit      int         // at the most; 0: all
}

// Jobs reads jobs by start.
func (r Reader) Jobs(ctx context.Context, f JobFilter) ([]site.Job, error) {
	return r.jobs(f).all(ctx, r.tx)
}

// jobColumns are what scanJob reads.
const jobColumns = `job_id, reference, engine_family, procedures, state, lower(planned), upper(planned), promise,
	COALESCE(promise_confidence, 0), expires_at, steps, parts, note, created_at, reserved_by`

func (r Reader) jobs(f JobFilter) ask[site.Job] {
	read := func(row pgx.CollectableRow) (site.Job, error) { return scanJob(row, f.Now) }
	if f.Limit > 0 && !f.During.Empty() && f.ID == 0 && f.Imported == "" {
		return r.jobPage(f, read)
	}
	return asking(`
		SELECT `+jobColumns+`
		FROM job
		WHERE site_id = $1
			AND ($2::timestamptz IS NULL OR planned && tstzrange($2::timestamptz, $3::timestamptz))
			AND ($4::bigint = 0 OR job_id = $4::bigint)
			AND ($5 = '' OR (imported AND reference = $5))
			AND ($6 OR (state <> 'CANCELLED' AND (expires_at IS NULL OR expires_at > $7)))
			AND ($8::timestamptz IS NULL OR (lower(planned), job_id) > ($8::timestamptz, $9::bigint))
		ORDER BY lower(planned), job_id LIMIT $10`,
		[]any{
			r.siteID, nullable(f.During.Start), nullable(f.During.End), f.ID, f.Imported, f.All, f.Now,
			nullable(f.AfterStart), f.AfterID, Page{Limit: f.Limit}.limit(),
		}, read)
}

// jobPage asks for so many of the jobs in a time, and reads no more: those that
// had begun before it, and from there on in the order of the index.
func (r Reader) jobPage(f JobFilter, read pgx.RowToFunc[site.Job]) ask[site.Job] {
	begun, beyond := cursors(f.During, f.AfterStart, f.AfterID)
	return asking(`
		SELECT `+jobColumns+`
		FROM (
			(SELECT * FROM job WHERE site_id = $1 AND planned @> $2::timestamptz AND lower(planned) < $2
				AND (lower(planned), job_id) > ($4, $5) AND ($6 OR (state <> 'CANCELLED' AND (expires_at IS NULL OR expires_at > $7))))
			UNION ALL
			(SELECT * FROM job WHERE site_id = $1 AND (lower(planned), job_id) > ($9, $10) AND lower(planned) < $3
				AND ($6 OR (state <> 'CANCELLED' AND (expires_at IS NULL OR expires_at > $7)))
			ORDER BY lower(planned), job_id LIMIT $8)) AS found
		ORDER BY lower(planned), job_id LIMIT $8`,
		[]any{r.siteID, f.During.Start, f.During.End, begun.start, begun.id, f.All, f.Now, f.Limit, beyond.start, beyond.id}, read)
}

func scanJob(row pgx.CollectableRow, now time.Time) (site.Job, error) {
	var j site.Job
	var start, end time.Time
	var promise, expires *time.Time
	var procedures, steps, parts []byte
	if err := row.Scan(&j.ID, &j.Reference, &j.EngineFamily, &procedures, &j.State, &start, &end,
		&promise, &j.Confidence, &expires, &steps, &parts, &j.Note, &j.Created, &j.ReservedBy); err != nil {
		return j, err
	}
	j.Planned, j.Promise, j.ExpiresAt, j.Created = rangeOf(start, end), instant(promise), instant(expires), j.Created.UTC()
	if j.State == site.Tentative && !j.ExpiresAt.After(now) {
		j.State, j.ExpiresAt = site.Cancelled, time.Time{}
	}
	if err := json.Unmarshal(procedures, &j.Procedures); err != nil {
		return j, err
	}
	if err := json.Unmarshal(parts, &j.Parts); err != nil {
		return j, err
	}
	return j, json.Unmarshal(steps, &j.Steps)
}

// Job reads one job, whatever its standing.
func (r Reader) Job(ctx context.Context, id int64, now time.Time) (site.Job, error) {
	list, err := r.Jobs(ctx, JobFilter{ID: id, Now: now, All: true})
	return only(list, err, "job", fmt.Sprint(id))
}

// LockJob takes a job and the resources of its bookings for this transaction,
// in the order that every act keeps, and reads the job.
func (t *Tx) LockJob(ctx context.Context, id int64) (site.Job, error) {
	jobs, err := t.LockJobs(ctx, []int64{id}, nil)
	if err != nil {
		return site.Job{}, err
	}
	return jobs[0], nil
}

// LockJobs takes jobs, the resources of their bookings and further ones, and
// reads the jobs in the order of ids.
func (t *Tx) LockJobs(ctx context.Context, ids []int64, more []Ref) ([]site.Job, error) {
	refs := more
	for _, id := range ids {
		bookings, err := t.Bookings(ctx, BookingFilter{Job: id, Now: t.now, All: true})
		if err != nil {
			return nil, err
		}
		refs = append(refs, RefsOf(bookings)...)
	}
	if err := t.Lock(ctx, refs); err != nil {
		return nil, err
	}
	_, err := t.tx.Exec(ctx, "SELECT FROM job WHERE site_id = $1 AND job_id = ANY ($2) ORDER BY job_id FOR NO KEY UPDATE", t.siteID, ids)
	if err != nil {
		return nil, err
	}
	out := make([]site.Job, 0, len(ids))
	for _, id := range ids {
		job, err := t.Job(ctx, id, t.now)
		if err != nil {
			return nil, err
		}
		out = append(out, job)
	}
	return out, nil
}

// SetJobState gives a job and its bookings another standing, CONFIRMED or
// CANCELLED. The caller has locked the job.
func (t *Tx) SetJobState(ctx context.Context, id int64, state site.BookingState) error {
	var batch pgx.Batch
	batch.Queue("UPDATE job SET state = $3, expires_at = NULL WHERE site_id = $1 AND job_id = $2", t.siteID, id, state)
	batch.Queue(`UPDATE booking SET state = $3, expires_at = NULL
		WHERE site_id = $1 AND job_id = $2 AND state <> 'CANCELLED'`, t.siteID, id, state)
	return t.tx.together(ctx, &batch)
}

// queueJob adds the writing of a job to a batch, under the id that it has.
func (t *Tx) queueJob(b *pgx.Batch, j site.Job, imported bool) error {
	procedures, err := json.Marshal(j.Procedures)
	if err != nil {
		return err
	}
	steps, err := json.Marshal(j.Steps)
	if err != nil {
		return err
	}
	parts, err := json.Marshal(j.Parts)
	if err != nil {
		return err
	}
	b.Queue(`
		INSERT INTO job (site_id, reference, engine_family, procedures, state, planned, promise, expires_at, steps, parts, note, imported, created_at,
			promise_confidence, first_promise, first_confidence, job_id, reserved_by) OVERRIDING SYSTEM VALUE
		VALUES ($1, $2, $3, $4, $5, tstzrange($6::timestamptz, $7::timestamptz), $8, $9, $10, $11, $12, $13, $14,
			NULLIF($15::double precision, 0), $8, NULLIF($15::double precision, 0), $16, $17)`,
		t.siteID, j.Reference, j.EngineFamily, json.RawMessage(procedures), j.State, j.Planned.Start, j.Planned.End,
		nullable(j.Promise), nullable(j.ExpiresAt), json.RawMessage(steps), json.RawMessage(parts), j.Note, imported, t.now, j.Confidence, j.ID,
		j.ReservedBy)
	return nil
}

// jobSubject names a job within its site, as events and conflicts do.
func jobSubject(id int64) string { return fmt.Sprintf("jobs/%d", id) }

func bookingSubject(id int64) string { return fmt.Sprintf("bookings/%d", id) }

// ResourceSubject names a resource within its site.
func ResourceSubject(kind site.Kind, id string) string {
	switch kind {
	case site.KindBay:
		return "bays/" + id
	case site.KindTechnician:
		return "technicians/" + id
	default:
		return "tools/" + id
	}
}

// Vacate cancels single bookings of jobs that keep their standing. The caller
// has locked the jobs.
func (t *Tx) Vacate(ctx context.Context, bookings []site.Booking) error {
	ids := make([]int64, 0, len(bookings))
	for _, b := range bookings {
		ids = append(ids, b.ID)
	}
	_, err := t.tx.Exec(ctx, `UPDATE booking SET state = 'CANCELLED', expires_at = NULL
		WHERE site_id = $1 AND booking_id = ANY ($2)`, t.siteID, ids)
	return err
}

// Move writes further bookings and new places of steps for a job. LostRace as
// Claim.
func (t *Tx) Move(ctx context.Context, job site.Job, bookings []site.Booking) ([]site.Booking, error) {
	if err := t.Claim(ctx, bookings); err != nil {
		return nil, err
	}
	resources, err := t.lock(ctx, RefsOf(bookings))
	if err != nil {
		return nil, err
	}
	drawn, err := t.draw(ctx, len(bookings))
	if err != nil {
		return nil, err
	}
	steps, err := json.Marshal(job.Steps)
	if err != nil {
		return nil, err
	}
	t.tx.later().Queue(`UPDATE job SET planned = tstzrange($3::timestamptz, $4::timestamptz), steps = $5, promise = $6,
			promise_confidence = NULLIF($7, 0::float8),
			first_promise = COALESCE(first_promise, $6),
			first_confidence = CASE WHEN first_promise IS NULL THEN NULLIF($7, 0::float8) ELSE first_confidence END
		WHERE site_id = $1 AND job_id = $2`,
		t.siteID, job.ID, job.Planned.Start, job.Planned.End, json.RawMessage(steps), nullable(job.Promise), job.Confidence)
	out, err := t.queueBookings(t.tx.later(), job, resources, drawn.bookings, bookings)
	if err != nil {
		return nil, err
	}
	return out, t.followBookings(ctx, job.ID)
}

// JobsPlannedWith gives the jobs that stand, have not ended and were planned
// with a version of a procedure, by id.
func (r Reader) JobsPlannedWith(ctx context.Context, ref site.ProcedureRef, now time.Time) ([]int64, error) {
	want, err := json.Marshal([]site.ProcedureRef{ref})
	if err != nil {
		return nil, err
	}
	rows, err := r.tx.Query(ctx, `
		SELECT job_id FROM job
		WHERE site_id = $1 AND procedures @> $2::jsonb AND upper(planned) > $3
			AND state <> 'CANCELLED' AND (expires_at IS NULL OR expires_at > $3)
		ORDER BY job_id`, r.siteID, json.RawMessage(want), now)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[int64])
}

// SetJobParts writes where the parts of a job stand. The caller has locked it.
func (t *Tx) SetJobParts(ctx context.Context, id int64, parts []site.JobPart) error {
	raw, err := json.Marshal(parts)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, "UPDATE job SET parts = $3 WHERE site_id = $1 AND job_id = $2", t.siteID, id, json.RawMessage(raw))
	return err
}

// PutWork keeps the network that a job was planned with. It is written with the
// next thing that is asked of the transaction.
func (t *Tx) PutWork(id int64, net procedure.Network) error {
	raw, err := json.Marshal(net)
	if err != nil {
		return err
	}
	t.tx.later().Queue(`INSERT INTO job_work (site_id, job_id, network) VALUES ($1, $2, $3)
		ON CONFLICT (site_id, job_id) DO UPDATE SET network = $3`, t.siteID, id, json.RawMessage(raw))
	return nil
}

// Work reads the network that a job was planned with; one without steps if it
// was planned without procedures.
func (r Reader) Work(ctx context.Context, id int64) (procedure.Network, error) {
	rows, err := r.tx.Query(ctx, "SELECT network FROM job_work WHERE site_id = $1 AND job_id = $2", r.siteID, id)
	if err != nil {
		return procedure.Network{}, err
	}
	list, err := pgx.CollectRows(rows, body[procedure.Network])
	if err != nil || len(list) == 0 {
		return procedure.Network{}, err
	}
	return list[0], nil
}
