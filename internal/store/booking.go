package store

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
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

// bookingColumns are what bookingRow reads.
const bookingColumns = "b.booking_id, b.job_id, j.reference, x.kind, x.slug, lower(b.during), upper(b.during), b.state, b.expires_at, b.steps"

// referenceOf looks up the job of each booking b of the site $1 by its key. A plain
// join may be planned as one with all jobs that the site ever had.
const referenceOf = "CROSS JOIN LATERAL (SELECT reference FROM job WHERE site_id = $1 AND job_id = b.job_id OFFSET 0) AS j"

func (r Reader) bookings(f BookingFilter) ask[site.Booking] {
	if f.Limit > 0 && !f.During.Empty() && f.Refs == nil && f.Job == 0 && f.ID == 0 {
		return r.bookingPage(f)
	}
	kinds, slugs := namesOf(f.Refs)
	return asking(`
		SELECT `+bookingColumns+`
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
		}, bookingRow(f.Now))
}

// bookingPage asks for so many of the bookings in a time, and reads no more: those
// that had begun before it, which are at most one for each resource, and from
// there on in the order of the index.
func (r Reader) bookingPage(f BookingFilter) ask[site.Booking] {
	begun, beyond := cursors(f.During, f.AfterStart, f.AfterID)
	return asking(`
		SELECT `+bookingColumns+`
		FROM (
			SELECT * FROM (
				(SELECT * FROM booking WHERE site_id = $1 AND during @> $2::timestamptz AND lower(during) < $2
					AND (lower(during), booking_id) > ($4, $5) AND ($6 OR (state <> 'CANCELLED' AND (expires_at IS NULL OR expires_at > $7))))
				UNION ALL
				(SELECT * FROM booking WHERE site_id = $1 AND (lower(during), booking_id) > ($9, $10) AND lower(during) < $3
					AND ($6 OR (state <> 'CANCELLED' AND (expires_at IS NULL OR expires_at > $7)))
				ORDER BY lower(during), booking_id LIMIT $8)) AS found
			ORDER BY lower(during), booking_id LIMIT $8) AS b
		JOIN resource x ON x.site_id = $1 AND x.resource_id = b.resource_id
		`+referenceOf+`
		ORDER BY lower(b.during), b.booking_id`,
		[]any{r.siteID, f.During.Start, f.During.End, begun.start, begun.id, f.All, f.Now, f.Limit, beyond.start, beyond.id}, bookingRow(f.Now))
}

// cursor is a place in a list by start.
type cursor struct {
	start time.Time
	id    int64
}

// cursors tell where a list of what overlaps a time goes on behind a place: among
// what had begun before the time, and from its start on.
func cursors(during hours.Range, start time.Time, id int64) (begun, beyond cursor) {
	begun = cursor{start, id}
	if start.Before(during.Start) {
		return begun, cursor{start: during.Start}
	}
	return begun, begun
}

// bookingRow reads a booking; a TENTATIVE one whose time has run out by now holds
// nothing.
func bookingRow(now time.Time) pgx.RowToFunc[site.Booking] {
	return func(row pgx.CollectableRow) (site.Booking, error) {
		var b site.Booking
		var start, end time.Time
		var expires *time.Time
		if err := row.Scan(&b.ID, &b.Job, &b.Reference, &b.Kind, &b.Resource, &start, &end, &b.State, &expires, &b.Steps); err != nil {
			return b, err
		}
		b.During, b.ExpiresAt = rangeOf(start, end), instant(expires)
		if b.State == site.Tentative && !b.ExpiresAt.After(now) {
			b.State, b.ExpiresAt = site.Cancelled, time.Time{}
		}
		return b, nil
	}
}

// standing asks for the bookings that hold something during a time, by start;
// with refs only of these resources, each of which is looked up for itself.
func (r Reader) standing(refs []Ref, during hours.Range, now time.Time) ask[site.Booking] {
	if refs == nil {
		return asking(`
			SELECT `+bookingColumns+`
			FROM (
				SELECT * FROM booking o
				WHERE o.site_id = $1 AND o.during && tstzrange($2::timestamptz, $3::timestamptz)
					AND o.state <> 'CANCELLED' AND (o.expires_at IS NULL OR o.expires_at > $4)) b
			JOIN resource x ON x.site_id = $1 AND x.resource_id = b.resource_id
			`+referenceOf+`
			ORDER BY lower(b.during), b.booking_id`,
			[]any{r.siteID, during.Start, during.End, now}, bookingRow(now))
	}
	kinds, slugs := namesOf(refs)
	return asking(`
		SELECT `+bookingColumns+`
		FROM unnest($2::text[], $3::text[]) AS want (kind, slug)
		JOIN resource x ON x.site_id = $1 AND x.kind = want.kind AND x.slug = want.slug
		CROSS JOIN LATERAL (
			SELECT * FROM booking o
			WHERE o.site_id = $1 AND o.resource_id = x.resource_id AND o.during && tstzrange($4::timestamptz, $5::timestamptz)
				AND o.state <> 'CANCELLED' AND (o.expires_at IS NULL OR o.expires_at > $6)
			OFFSET 0) b
		`+referenceOf+`
		ORDER BY lower(b.during), b.booking_id`,
		[]any{r.siteID, kinds, slugs, during.Start, during.End, now}, bookingRow(now))
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
	if q.Bookings > 0 {
		t.queueIDs(&batch, q.Bookings)
	}
	out, err := t.gather(ctx, &batch, q)
	if err != nil {
		return Material{}, err
	}
	for _, id := range jobs {
		if err := t.SetJobState(ctx, id, site.Cancelled); err != nil {
			return Material{}, err
		}
		t.Log(Event{Kind: "job.lapsed", Subject: jobSubject(id), Details: map[string]any{"from": site.Tentative, "to": site.Cancelled}})
	}
	return out, nil
}

// ids are numbers of rows that are yet to be written.
type ids struct {
	job      int64 // 0: none
	bookings []int64
}

// queueIDs draws the id of a job and ids of bookings as part of a batch, so that
// what is told of the rows need not wait for them to be written.
func (t *Tx) queueIDs(b *pgx.Batch, bookings int) {
	b.Queue(`SELECT nextval('job_job_id_seq'), ARRAY(SELECT nextval('booking_booking_id_seq') FROM generate_series(1, $1))`, bookings).
		QueryRow(func(row pgx.Row) error { return row.Scan(&t.drawn.job, &t.drawn.bookings) })
}

// draw gives ids for a job and its bookings, those that were drawn already if
// they are enough.
func (t *Tx) draw(ctx context.Context, bookings int) (ids, error) {
	if t.drawn.job == 0 || len(t.drawn.bookings) < bookings {
		var batch pgx.Batch
		t.queueIDs(&batch, bookings)
		if err := t.tx.together(ctx, &batch); err != nil {
			return ids{}, err
		}
	}
	out := t.drawn
	t.drawn = ids{}
	return out, nil
}

// Book writes a job and its bookings, with the next thing that is asked of the
// transaction. The caller has made sure that nobody is InTheWay, or asks Claim;
// the database refuses what overlaps in any case.
func (t *Tx) Book(ctx context.Context, job site.Job, imported bool, bookings []site.Booking) (site.Job, []site.Booking, error) {
	resources, err := t.lock(ctx, RefsOf(bookings))
	if err != nil {
		return job, nil, err
	}
	drawn, err := t.draw(ctx, len(bookings))
	if err != nil {
		return job, nil, err
	}
	job.ID, job.Created = drawn.job, t.now
	if err := t.queueJob(t.tx.later(), job, imported); err != nil {
		return job, nil, err
	}
	out, err := t.queueBookings(t.tx.later(), job, resources, drawn.bookings, bookings)
	return job, out, err
}

// Claim takes the resources of bookings that are to be written. LostRace, with
// the bookings in the way, if somebody holds one of them at its time.
func (t *Tx) Claim(ctx context.Context, bookings []site.Booking) error {
	if len(bookings) == 0 {
		return nil
	}
	var batch pgx.Batch
	refs, during := RefsOf(bookings), bookings[0].During
	for _, b := range bookings {
		if b.During.Start.Before(during.Start) {
			during.Start = b.During.Start
		}
		if b.During.End.After(during.End) {
			during.End = b.During.End
		}
	}
	var held []site.Booking
	t.queueLock(&batch, refs)
	t.standing(refs, during, t.now).queue(&batch, &held)
	if err := t.tx.together(ctx, &batch); err != nil {
		return err
	}
	return InTheWay(bookings, held)
}

// InTheWay is LostRace with those of the standing bookings that overlap wanted
// ones; nil if there are none.
func InTheWay(wanted, standing []site.Booking) error {
	var held []fault.Holding
	for _, b := range standing {
		if slices.ContainsFunc(wanted, func(w site.Booking) bool {
			return w.Kind == b.Kind && w.Resource == b.Resource && w.During.Start.Before(b.During.End) && b.During.Start.Before(w.During.End)
		}) {
			held = append(held, fault.Holding{
				Booking: bookingSubject(b.ID), Job: jobSubject(b.Job), Reference: b.Reference,
				Resource: ResourceSubject(b.Kind, b.Resource), Start: b.During.Start, End: b.During.End,
			})
		}
	}
	if len(held) == 0 {
		return nil
	}
	slices.SortStableFunc(held, func(a, b fault.Holding) int { return strings.Compare(a.Resource, b.Resource) })
	return &fault.Error{
		Kind: fault.LostRace, Reason: "BOOKED", Held: held,
		Message: "another booking came first: find again and book what is free now",
	}
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

// queueBookings adds the writing of a job's bookings to a batch, under ids that
// were drawn for them.
func (t *Tx) queueBookings(batch *pgx.Batch, job site.Job, resources map[Ref]int64, ids []int64, bookings []site.Booking) ([]site.Booking, error) {
	out := slices.Clone(bookings)
	of, starts, ends, steps := make([]int64, len(out)), make([]time.Time, len(out)), make([]time.Time, len(out)), make([]json.RawMessage, len(out))
	for i := range out {
		b := &out[i]
		b.ID, b.Job, b.Reference, b.State, b.ExpiresAt = ids[i], job.ID, job.Reference, job.State, job.ExpiresAt
		of[i], starts[i], ends[i] = resources[Ref{b.Kind, b.Resource}], b.During.Start, b.During.End
		var err error
		if steps[i], err = json.Marshal(some(b.Steps)); err != nil {
			return nil, err
		}
	}
	batch.Queue(`
		INSERT INTO booking (site_id, booking_id, job_id, resource_id, during, state, expires_at, steps) OVERRIDING SYSTEM VALUE
		SELECT $1, w.id, $2, w.resource_id, tstzrange(w.start, w.stop), $3, $4, ARRAY(SELECT jsonb_array_elements_text(w.steps))
		FROM unnest($5::bigint[], $6::bigint[], $7::timestamptz[], $8::timestamptz[], $9::jsonb[]) AS w (id, resource_id, start, stop, steps)`,
		t.siteID, job.ID, job.State, nullable(job.ExpiresAt), ids[:len(out)], of, starts, ends, steps)
	return out, nil
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
