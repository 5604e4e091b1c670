package store

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/site"
)

// Channel is where every act that logs an event notifies the site's key. The
// log is the truth; a notification only wakes its readers.
const Channel = "bayhold_events"

// Event is a line of the site's log.
type Event struct {
	Kind    string   // "job.booked"
	Subject string   // what it is about: "jobs/12"; empty for the site itself
	Touched []string // everything that it touches besides, as Subject
	Details any      // as JSON
}

// LoggedEvent is an event as it stands in the log.
type LoggedEvent struct {
	Revision  int64
	At        time.Time
	Actor     string
	Kind      string
	Subject   string
	RequestID uuid.UUID
	Touched   []string // Subject included, unless it is the site
	Details   json.RawMessage
}

// Log notes an event; it is written last, under the site's next revision.
func (t *Tx) Log(e Event) { t.events = append(t.events, e) }

// Touching names a job and the resources of its bookings, each once.
func Touching(job int64, bookings ...site.Booking) []string {
	out := []string{jobSubject(job)}
	for _, b := range bookings {
		if name := ResourceSubject(b.Kind, b.Resource); !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// touched is all that an event touches.
func (e Event) touched() []string {
	out := []string{}
	if e.Subject != "" {
		out = append(out, e.Subject)
	}
	for _, name := range e.Touched {
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// logEvents queues the events of the transaction, and wakes those who read the
// log. The counter row comes last but for that, since every other act of the
// site waits for it.
func (t *Tx) logEvents(batch *pgx.Batch, req Request) error {
	for _, e := range t.events {
		details, err := json.Marshal(e.Details)
		if err != nil {
			return err
		}
		batch.Queue(`
			WITH next AS (
				UPDATE site_counter SET revision = revision + 1 WHERE site_id = $1 RETURNING revision)
			INSERT INTO event (site_id, revision, at, actor, kind, subject, touched, request_id, details)
			SELECT $1, revision, $2, $3, $4, $5, $6, $7, $8 FROM next`,
			t.siteID, t.now, req.Actor, e.Kind, e.Subject, e.touched(), req.ID, json.RawMessage(details))
	}
	if len(t.events) > 0 {
		batch.Queue("SELECT pg_notify($1, $2::bigint::text)", Channel, t.siteID)
	}
	return nil
}

// SiteKey is the key under which a site's rows lie, as notifications carry it.
func SiteKey(slug string) int64 { return siteKey(slug) }

// Events reads the events of a site after a revision, in order, at most limit of
// them. With touching only those that touch one of these.
func (r Reader) Events(ctx context.Context, after int64, limit int, touching []string) ([]LoggedEvent, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT revision, at, actor, kind, subject, request_id, touched, details FROM event
		WHERE site_id = $1 AND revision > $2 AND ($3::text[] IS NULL OR touched && $3::text[])
		ORDER BY revision LIMIT $4`, r.siteID, after, touching, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (LoggedEvent, error) {
		var e LoggedEvent
		err := row.Scan(&e.Revision, &e.At, &e.Actor, &e.Kind, &e.Subject, &e.RequestID, &e.Touched, &e.Details)
		e.At = e.At.UTC()
		return e, err
	})
}

// Connect opens a connection of its own to the database, for somebody who
// listens on it for long.
func (s *Store) Connect(ctx context.Context) (*pgx.Conn, error) {
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig.Copy())
	if err != nil {
		return nil, asFault(ctx, err)
	}
	return conn, nil
}
