package store

import (
	"context"
	"encoding/binary"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/trail"
)

// EventFilter says which events of a site to read.
type EventFilter struct {
	After    int64     // only those after this revision
	Before   int64     // only those before this revision; 0: all
	Touching []string  // only those that touch one of these; nil: all
	Actor    string    // only those of this user; empty: all
	From     time.Time // not before; zero: from the beginning
	Until    time.Time // before; zero: to the end
	Newest   bool      // the newest first
	Limit    int
}

// Events reads events of a site in order.
func (r Reader) Events(ctx context.Context, f EventFilter) ([]LoggedEvent, error) {
	order := ""
	if f.Newest {
		order = "DESC"
	}
	rows, err := r.tx.Query(ctx, `
		SELECT revision, at, actor, token, method, kind, subject, request_id, touched, details FROM event
		WHERE site_id = $1 AND revision > $2 AND ($3 = 0 OR revision < $3)
			AND ($4::text[] IS NULL OR touched && $4::text[]) AND ($5 = '' OR actor = $5)
			AND ($6::timestamptz IS NULL OR at >= $6) AND ($7::timestamptz IS NULL OR at < $7)
		ORDER BY revision `+order+` LIMIT $8`,
		r.siteID, f.After, f.Before, f.Touching, f.Actor, nullable(f.From), nullable(f.Until), f.Limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, loggedEvent)
}

func loggedEvent(row pgx.CollectableRow) (LoggedEvent, error) {
	var e LoggedEvent
	err := row.Scan(&e.Revision, &e.At, &e.Actor, &e.Token, &e.Method, &e.Kind, &e.Subject, &e.RequestID, &e.Touched, &e.Details)
	e.At = e.At.UTC()
	return e, err
}

// Head is where a site's counter says that its chain ends.
type Head struct {
	trail.Checkpoint
	// SealedLater is the last event that is older than its seal; 0 if none is.
	SealedLater int64
}

// Head reads the site's counter.
func (r Reader) Head(ctx context.Context) (Head, error) {
	var h Head
	var seal []byte
	err := r.tx.QueryRow(ctx, "SELECT revision, head, sealed_later FROM site_counter WHERE site_id = $1", r.siteID).
		Scan(&h.Revision, &seal, &h.SealedLater)
	copy(h.Seal[:], seal)
	return h, err
}

// Trail reads events of a site as they are sealed, in order, after a revision,
// at most limit of them; after 0 also those that have no business there.
// Whatever somebody has put into the rows can be read.
func (r Reader) Trail(ctx context.Context, after int64, limit int) ([]trail.Row, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT site_id, revision, coalesce(timestamptz_send(at), ''), coalesce(actor, ''), coalesce(token, ''),
			coalesce(method, ''), coalesce(kind, ''), coalesce(subject, ''),
			ARRAY(SELECT coalesce(t, '') FROM unnest(touched) WITH ORDINALITY AS u (t, n) ORDER BY n),
			coalesce(uuid_send(request_id), ''), coalesce(details::text, ''), coalesce(seal, ''),
			num_nulls(at, actor, token, method, kind, subject, touched, request_id, details, seal) > 0
				OR octet_length(seal) <> 32
				OR coalesce(array_ndims(touched) > 1 OR array_lower(touched, 1) <> 1, false)
				OR EXISTS (SELECT FROM unnest(touched) AS u (t) WHERE t IS NULL)
		FROM event WHERE site_id = $1 AND (revision > $2 OR $2 = 0) ORDER BY revision LIMIT $3`,
		r.siteID, after, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (trail.Row, error) {
		var v trail.Row
		var at, request, seal []byte
		err := row.Scan(&v.Site, &v.Revision, &at, &v.Actor, &v.Token, &v.Method, &v.Kind, &v.Subject,
			&v.Touched, &request, &v.Details, &seal, &v.Odd)
		if len(at) == 8 {
			v.At = int64(binary.BigEndian.Uint64(at))
		}
		copy(v.Request[:], request)
		copy(v.Seal[:], seal)
		return v, err
	})
}
