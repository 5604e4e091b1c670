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

// Channel is where the keys of sites are notified whose logs have grown. The log
// is the truth; a notification only wakes its readers.
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
	Actor     string // name of the user
	Token     string // name of the token that they showed; empty for none
	Method    string // the call
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

// logEvents queues the events of the transaction. The counter row comes last,
// since every other act of the site waits for it: the database takes it as it
// numbers and seals an event.
func (t *Tx) logEvents(batch *pgx.Batch, req Request) error {
	for _, e := range t.events {
		details, err := json.Marshal(e.Details)
		if err != nil {
			return err
		}
		batch.Queue(`
			INSERT INTO event (site_id, at, actor, token, method, kind, subject, touched, request_id, details)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			t.siteID, t.now, req.Actor, req.Token, req.Method, e.Kind, e.Subject, e.touched(), req.ID, json.RawMessage(details))
	}
	return nil
}

// SiteKey is the key under which a site's rows lie, as notifications carry it.
func SiteKey(slug string) int64 { return siteKey(slug) }

// Connect opens a connection of its own to the database, for somebody who
// listens on it for long.
func (s *Store) Connect(ctx context.Context) (*pgx.Conn, error) {
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig.Copy())
	if err != nil {
		return nil, asFault(ctx, err)
	}
	return conn, nil
}
