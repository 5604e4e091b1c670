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
	var kinds, slugs []string
	if f.Refs != nil {
		kinds, slugs = make([]string, 0, len(f.Refs)), make([]string, 0, len(f.Refs))
	}
	for _, ref := range f.Refs {
		kinds, slugs = append(kinds, string(ref.Kind)), append(slugs, ref.ID)
	}
	rows, err := r.tx.Query(ctx, `
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
		r.siteID, nullable(f.During.Start), nullable(f.During.End), kinds, slugs, f.Job, f.ID, f.All, f.Now,
		nullable(f.AfterStart), f.AfterID, Page{Limit: f.Limit}.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.Booking, error) {
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

// Lapse cancels every TENTATIVE job whose time has run out and that stands in
// the way of the given resources, which the caller has locked.
func (t *Tx) Lapse(ctx context.Context, refs []Ref) error {
	ids, err := t.lock(ctx, refs)
	if err != nil {
		return err
	}
	rows, err := t.tx.Query(ctx, `
		SELECT job_id FROM job
		WHERE site_id = $1 AND state = 'TENTATIVE' AND expires_at <= $2 AND job_id IN (
			SELECT job_id FROM booking
			WHERE site_id = $1 AND resource_id = ANY ($3) AND state = 'TENTATIVE' AND expires_at <= $2)
		ORDER BY job_id FOR NO KEY UPDATE`, t.siteID, t.now, values(ids))
	if err != nil {
		return err
	}
	jobs, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	if err != nil {
		return err
	}
	for _, id := range jobs {
		if err := t.SetJobState(ctx, id, site.Cancelled); err != nil {
			return err
		}
		t.Log(Event{Kind: "job.lapsed", Subject: jobSubject(id), Details: struct{}{}})
	}
	return nil
}

// Book writes a job and its bookings, whose resources the caller has locked.
// LostRace, with the bookings in the way, if one of them is taken.
func (t *Tx) Book(ctx context.Context, job site.Job, imported bool, bookings []site.Booking) (site.Job, []site.Booking, error) {
	ids, err := t.claim(ctx, bookings)
	if err != nil {
		return job, nil, err
	}
	if job.ID, err = t.insertJob(ctx, job, imported); err != nil {
		return job, nil, err
	}
	job.Created = t.now
	booked, err := t.insertBookings(ctx, job, ids, bookings)
	return job, booked, err
}

// claim locks the resources of bookings to be written and makes sure that
// nobody holds them then.
func (t *Tx) claim(ctx context.Context, bookings []site.Booking) (map[Ref]int64, error) {
	ids, err := t.lock(ctx, RefsOf(bookings))
	if err != nil {
		return nil, err
	}
	held, err := t.inTheWay(ctx, ids, bookings)
	if err == nil && len(held) > 0 {
		err = &fault.Error{
			Kind: fault.LostRace, Reason: "BOOKED", Held: held,
			Message: "another booking came first: find again and book what is free now",
		}
	}
	return ids, err
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

// inTheWay reads the bookings that overlap those to be written.
func (t *Tx) inTheWay(ctx context.Context, ids map[Ref]int64, bookings []site.Booking) ([]fault.Holding, error) {
	resources, starts, ends := columns(ids, bookings)
	rows, err := t.tx.Query(ctx, `
		SELECT DISTINCT b.booking_id, b.job_id, j.reference, x.kind, x.slug, lower(b.during) AS start, upper(b.during)
		FROM unnest($2::bigint[], $3::timestamptz[], $4::timestamptz[]) AS want (resource_id, start, stop)
		JOIN booking b ON b.site_id = $1 AND b.resource_id = want.resource_id
			AND b.during && tstzrange(want.start, want.stop) AND b.state <> 'CANCELLED'
		JOIN resource x ON x.site_id = b.site_id AND x.resource_id = b.resource_id
		JOIN job j ON j.site_id = b.site_id AND j.job_id = b.job_id
		ORDER BY x.kind, x.slug, start`, t.siteID, resources, starts, ends)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (fault.Holding, error) {
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

func (t *Tx) insertBookings(ctx context.Context, job site.Job, ids map[Ref]int64, bookings []site.Booking) ([]site.Booking, error) {
	var batch pgx.Batch
	out := make([]site.Booking, len(bookings))
	for i, b := range bookings {
		b.Job, b.Reference, b.State, b.ExpiresAt = job.ID, job.Reference, job.State, job.ExpiresAt
		out[i] = b
		batch.Queue(`
			INSERT INTO booking (site_id, job_id, resource_id, during, state, expires_at, steps)
			VALUES ($1, $2, $3, tstzrange($4::timestamptz, $5::timestamptz), $6, $7, $8) RETURNING booking_id`,
			t.siteID, job.ID, ids[Ref{b.Kind, b.Resource}], b.During.Start, b.During.End, b.State, nullable(b.ExpiresAt), some(b.Steps),
		).QueryRow(func(row pgx.Row) error { return row.Scan(&out[i].ID) })
	}
	return out, t.tx.SendBatch(ctx, &batch).Close()
}

// columns turns bookings into arrays for unnest.
func columns(ids map[Ref]int64, bookings []site.Booking) (resources []int64, starts, ends []time.Time) {
	for _, b := range bookings {
		resources = append(resources, ids[Ref{b.Kind, b.Resource}])
		starts, ends = append(starts, b.During.Start), append(ends, b.During.End)
	}
	return resources, starts, ends
}

func values(ids map[Ref]int64) []int64 {
	out := make([]int64, 0, len(ids))
	for _, id := range ids {
		out = append(out, id)
	}
	return out
}
