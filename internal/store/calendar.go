package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// CalendarEntry is a booking as a calendar tells it, cancelled ones too.
type CalendarEntry struct {
	site.Booking
	Note    string // of the job
	Promise time.Time
	Bay     string // name of the bay that the job holds; empty if none
	// Steps are the titles of the steps that it serves.
	Titles  []string
	Created time.Time
	// Changes counts what happened to the job since it was written, and Changed
	// is when that last was.
	Changes int
	Changed time.Time
}

// Calendar reads the bookings of a resource that touch a time, by start. One
// whose time ran out by now counts as changed then.
func (r Reader) Calendar(ctx context.Context, ref Ref, during hours.Range, now time.Time) ([]CalendarEntry, error) {
	rows, err := r.tx.Query(ctx, `
		WITH held AS (
			SELECT b.booking_id, b.job_id, j.reference, lower(b.during) AS start, upper(b.during) AS stop, b.state, b.expires_at, b.steps,
				j.note, j.promise, j.created_at, 'jobs/' || b.job_id AS subject,
				COALESCE((
					SELECT max(y.display_name) FROM booking o JOIN bay y ON y.site_id = o.site_id AND y.resource_id = o.resource_id
					WHERE o.site_id = b.site_id AND o.job_id = b.job_id AND (o.state <> 'CANCELLED' OR j.state = 'CANCELLED')), '') AS bay,
				ARRAY(SELECT s->>'Title' FROM jsonb_array_elements(CASE jsonb_typeof(j.steps) WHEN 'array' THEN j.steps ELSE '[]' END) s
					WHERE s->>'ID' = ANY (b.steps)) AS titles
			FROM booking b
			JOIN resource x ON x.site_id = b.site_id AND x.resource_id = b.resource_id
			JOIN job j ON j.site_id = b.site_id AND j.job_id = b.job_id
			WHERE b.site_id = $1 AND x.kind = $2 AND x.slug = $3 AND b.during && tstzrange($4::timestamptz, $5::timestamptz)
		), told AS (
			SELECT t AS subject, count(*) AS times, max(e.at) AS last
			FROM event e CROSS JOIN unnest(e.touched) t
			WHERE e.site_id = $1 AND e.touched && ARRAY(SELECT DISTINCT subject FROM held) AND t IN (SELECT subject FROM held)
			GROUP BY t
		)
		SELECT h.booking_id, h.job_id, h.reference, h.start, h.stop, h.state, h.expires_at, h.steps, h.note, h.promise, h.bay, h.titles,
			h.created_at, GREATEST(COALESCE(t.times, 1) - 1, 0), GREATEST(COALESCE(t.last, h.created_at), h.created_at)
		FROM held h LEFT JOIN told t ON t.subject = h.subject
		ORDER BY h.start, h.booking_id`, r.siteID, ref.Kind, ref.ID, during.Start, during.End)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (CalendarEntry, error) {
		v := CalendarEntry{}
		v.Kind, v.Resource = ref.Kind, ref.ID
		var start, end time.Time
		var expires, promise *time.Time
		if err := row.Scan(&v.ID, &v.Job, &v.Reference, &start, &end, &v.State, &expires, &v.Booking.Steps, &v.Note, &promise, &v.Bay, &v.Titles,
			&v.Created, &v.Changes, &v.Changed); err != nil {
			return v, err
		}
		v.During, v.Promise, v.ExpiresAt = rangeOf(start, end), instant(promise), instant(expires)
		v.Created, v.Changed = v.Created.UTC(), v.Changed.UTC()
		if v.State == site.Tentative && !v.ExpiresAt.After(now) {
			v.State, v.Changed, v.ExpiresAt = site.Cancelled, v.ExpiresAt, time.Time{}
			v.Changes++ // the log says so once somebody is in its way
		}
		return v, nil
	})
}
