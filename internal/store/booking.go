package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// BookingFilter chooses bookings.
type BookingFilter struct {
	Now    time.Time   // by which a TENTATIVE booking may have lapsed
	During hours.Range // overlapping it; the zero range: any time
	Refs   []Ref       // only of these resources; nil: of all
	Job    int64       // only of this job; 0: of all
	ID     int64       // only this one; 0: all
	// All shows cancelled and lapsed bookings too.
	All bool
	// AfterStart and AfterID continue a list behind that booking.
	AfterStart time.Time
	AfterID    int64
	Limit      int // at the most; 0: all
}

// Bookings reads bookings by start.
func (r Reader) Bookings(ctx context.Context, f BookingFilter) ([]site.Booking, error) {
	return r.bookings(f).all(ctx, r.tx)
}

func (r Reader) bookings(f BookingFilter) ask[site.Booking] {
	kinds, slugs := namesOf(f.Refs)
	return asking(`
		SELECT b.booking_id, b.job_id, j.reference, x.kind, x.slug, lower(b.during), upper(b.during), b.state, b.expires_at, b.steps
		FROM booking b
		JOIN resource x ON x.site_id = b.site_id AND x.resource_id = b.resource_id
		JOIN job j ON j.site_id = b.site_id AND j.job_id = b.job_id
		WHERE b.site_id = $1
			AND ($2::timestamptz IS NULL OR b.during && tstzrange($2::timestamptz, $3::timestamptz))
			AND ($4::text[] IS NULL OR (x.kind, x.slug) IN (SELECT unnest($4::text[]), unnest($5::text[])))
			AND ($6::bigint = 0 OR b.job_id = $6::bigint)
			AND ($7::bigint = 0 OR b.booking_id = $7::bigint)
			AND ($8 OR (b.state <> 'CANCELLED' AND (b.expires_at IS NULL OR b.expires_at > $9)))
			AND ($10::timestamptz IS NULL OR (lower(b.during), b.booking_id) > ($10::timestamptz, $11::bigint))
		ORDER BY lower(b.during), b.booking_id LIMIT $12`,
		[]any{
			r.siteID, nullable(f.During.Start), nullable(f.During.End), kinds, slugs, f.Job, f.ID, f.All, f.Now,
			nullable(f.AfterStart), f.AfterID, Page{Limit: f.Limit}.limit(),
		}, func(row pgx.CollectableRow) (site.Booking, error) {
			var b site.Booking
			var start, end time.Time
			var expires *time.Time
			if err := row.Scan(&b.ID, &b.Job, &b.Reference, &b.Kind, &b.Resource, &start, &end, &b.State, &expires, &b.Steps); err != nil {
				return b, err
			}
			b.During, b.ExpiresAt = rangeOf(start, end), instant(expires)
			if b.State == site.Tentative && !b.ExpiresAt.After(f.Now) {
				b.State, b.ExpiresAt = site.Cancelled, time.Time{}
			}
			return b, nil
		})
}

// lapsing asks which TENTATIVE jobs have run out of time and stand in the way of
// resources, and takes them.
func (t *Tx) lapsing(refs []Ref) ask[int64] {
	kinds, slugs := namesOf(refs)
	return asking(`
		SELECT job_id FROM job
		WHERE site_id = $1 AND state = 'TENTATIVE' AND expires_at <= $2 AND job_id IN (
			SELECT b.job_id FROM booking b JOIN resource x ON x.site_id = b.site_id AND x.resource_id = b.resource_id
			WHERE b.site_id = $1 AND (x.kind, x.slug) IN (SELECT unnest($3::text[]), unnest($4::text[]))
				AND b.state = 'TENTATIVE' AND b.expires_at <= $2)
		ORDER BY job_id FOR NO KEY UPDATE`, []any{t.siteID, t.now, kinds, slugs}, pgx.RowTo[int64])
}

// Lapse takes resources and cancels every TENTATIVE job whose time has run out
// and that stands in their way.
func (t *Tx) Lapse(ctx context.Context, refs []Ref) error {
	_, err := t.LapseAndGather(ctx, refs, Question{})
	return err
}

// LapseAndGather does that, and answers a question meanwhile: as of when the
// resources were taken, and before anything lapsed.
func (t *Tx) LapseAndGather(ctx context.Context, refs []Ref, q Question) (Material, error) {
	var batch pgx.Batch
	var jobs []int64
	t.queueLock(&batch, refs)
	t.lapsing(refs).queue(&batch, &jobs)
	out := t.queueMaterial(&batch, q, t.now)
	if err := t.tx.together(ctx, &batch); err != nil {
		return Material{}, err
	}
	for _, id := range jobs {
		if err := t.SetJobState(ctx, id, site.Cancelled); err != nil {
			return Material{}, err
		}
		t.Log(Event{Kind: "job.lapsed", Subject: jobSubject(id), Details: struct{}{}})
	}
	return *out, nil
}

// Book writes a job and its bookings. LostRace, with the bookings in the way, if
// one of them is taken.
func (t *Tx) Book(ctx context.Context, job site.Job, imported bool, bookings []site.Booking) (site.Job, []site.Booking, error) {
	ids, err := t.lock(ctx, RefsOf(bookings))
	if err != nil {
		return job, nil, err
	}
	job.Created = t.now
	var batch pgx.Batch
	t.queueClaim(&batch, ids, bookings)
	if err := t.queueJob(&batch, job, imported, &job.ID); err != nil {
		return job, nil, err
	}
	out := t.queueBookings(&batch, job, ids, bookings)
	err = t.tx.together(ctx, &batch)
	return job, out, err
}

// queueClaim makes a batch fail if somebody holds what is to be booked.
func (t *Tx) queueClaim(b *pgx.Batch, ids map[Ref]int64, bookings []site.Booking) {
	t.inTheWay(ids, bookings).then(b, func(held []fault.Holding) error {
		if len(held) == 0 {
			return nil
		}
		return &fault.Error{
			Kind: fault.LostRace, Reason: "BOOKED", Held: held,
			Message: "another booking came first: find again and book what is free now",
		}
	})
}

// RefsOf names the resources of bookings, each once, in their order.
func RefsOf(bookings []site.Booking) []Ref {
	seen := make(map[Ref]bool, len(bookings))
	refs := make([]Ref, 0, len(bookings))
	for _, b := range bookings {
		ref := Ref{b.Kind, b.Resource}
		if !seen[ref] {
			seen[ref] = true
			refs = append(refs, ref)
		}
	}
	return refs
}

// inTheWay asks for the bookings that overlap those to be written.
func (t *Tx) inTheWay(ids map[Ref]int64, bookings []site.Booking) ask[fault.Holding] {
	resources, starts, ends := columns(ids, bookings)
	return asking(`
		SELECT DISTINCT b.booking_id, b.job_id, j.reference, x.kind, x.slug, lower(b.during) AS start, upper(b.during)
		FROM unnest($2::bigint[], $3::timestamptz[], $4::timestamptz[]) AS want (resource_id, start, stop)
		JOIN booking b ON b.site_id = $1 AND b.resource_id = want.resource_id
			AND b.during && tstzrange(want.start, want.stop) AND b.state <> 'CANCELLED'
		JOIN resource x ON x.site_id = b.site_id AND x.resource_id = b.resource_id
		JOIN job j ON j.site_id = b.site_id AND j.job_id = b.job_id
		ORDER BY x.kind, x.slug, start`, []any{t.siteID, resources, starts, ends},
		func(row pgx.CollectableRow) (fault.Holding, error) {
			var h fault.Holding
			var booking, job int64
			var kind site.Kind
			var slug string
			if err := row.Scan(&booking, &job, &h.Reference, &kind, &slug, &h.Start, &h.End); err != nil {
				return h, err
			}
			h.Booking, h.Job, h.Resource = bookingSubject(booking), jobSubject(job), ResourceSubject(kind, slug)
			h.Start, h.End = h.Start.UTC(), h.End.UTC()
			return h, nil
		})
}

// queueBookings adds the writing of a job's bookings to a batch. A job without
// id is the one that the same batch writes before.
func (t *Tx) queueBookings(batch *pgx.Batch, job site.Job, ids map[Ref]int64, bookings []site.Booking) []site.Booking {
	out := make([]site.Booking, len(bookings))
	for i, b := range bookings {
		out[i] = b
		batch.Queue(`
			INSERT INTO booking (site_id, job_id, resource_id, during, state, expires_at, steps)
			VALUES ($1, COALESCE(NULLIF($2::bigint, 0), currval(pg_get_serial_sequence('job', 'job_id'))), $3,
				tstzrange($4::timestamptz, $5::timestamptz), $6, $7, $8)
			RETURNING booking_id, job_id`,
			t.siteID, job.ID, ids[Ref{b.Kind, b.Resource}], b.During.Start, b.During.End, job.State, nullable(job.ExpiresAt), some(b.Steps),
		).QueryRow(func(row pgx.Row) error { return row.Scan(&out[i].ID, &out[i].Job) })
		out[i].Reference, out[i].State, out[i].ExpiresAt = job.Reference, job.State, job.ExpiresAt
	}
	return out
}

// columns turns bookings into arrays for unnest.
func columns(ids map[Ref]int64, bookings []site.Booking) (resources []int64, starts, ends []time.Time) {
	for _, b := range bookings {
		resources = append(resources, ids[Ref{b.Kind, b.Resource}])
		starts, ends = append(starts, b.During.Start), append(ends, b.During.End)
	}
	return resources, starts, ends
}

// namesOf turns resources into arrays for unnest; nil stays nil.
func namesOf(refs []Ref) (kinds, slugs []string) {
	if refs == nil {
		return nil, nil
	}
	kinds, slugs = make([]string, 0, len(refs)), make([]string, 0, len(refs))
	for _, r := range refs {
		kinds, slugs = append(kinds, string(r.Kind)), append(slugs, r.ID)
	}
	return kinds, slugs
}
