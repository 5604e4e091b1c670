package store

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// Reader reads one site within a transaction.
type Reader struct {
	tx     *wire
	siteID int64
}

// Page is a piece of a list in the order of its ids.
type Page struct {
	After string // the last id of the page before; empty: from the start
	Limit int    // at the most; 0: all
}

func (p Page) limit() *int {
	if p.Limit == 0 {
		return nil
	}
	return &p.Limit
}

// View runs fn on one unchanging picture of a site. NotFound if there is no
// such site.
func (s *Store) View(ctx context.Context, slug string, fn func(context.Context, Reader) error) error {
	return s.viewing(ctx, slug, func(ctx context.Context, r Reader, begin *pgx.Batch) error {
		if err := r.tx.together(ctx, begin); err != nil {
			return err
		}
		return fn(ctx, r)
	})
}

// viewing gives fn the batch that begins a picture of a site, for it to send.
func (s *Store) viewing(ctx context.Context, slug string, fn func(context.Context, Reader, *pgx.Batch) error) error {
	err := s.retry(ctx, func() error {
		conn, err := s.pool.Acquire(ctx)
		if err != nil {
			return err
		}
		defer release(ctx, conn)
		r := Reader{tx: &wire{conn: conn}, siteID: siteKey(slug)}
		var batch pgx.Batch
		batch.Queue("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
		r.queueSite(&batch, func(found site.Site) error {
			if found.ID != slug {
				return noSite(slug)
			}
			return nil
		})
		return fn(ctx, r, &batch)
	})
	return asFault(ctx, err)
}

// Site reads the site itself; the zero Site if there is none.
func (r Reader) Site(ctx context.Context) (site.Site, error) {
	var out site.Site
	var batch pgx.Batch
	r.queueSite(&batch, func(v site.Site) error { out = v; return nil })
	return out, r.tx.together(ctx, &batch)
}

func (r Reader) queueSite(b *pgx.Batch, is func(site.Site) error) {
	r.queueMarkedSite(b, func(v site.Site, _ mark) error { return is(v) })
}

// queueMarkedSite reads the site and the mark of its catalogue.
func (r Reader) queueMarkedSite(b *pgx.Batch, is func(site.Site, mark) error) {
	b.Queue(`
		SELECT s.slug, s.display_name, s.time_zone, c.revision, c.catalogue
		FROM site s JOIN site_counter c ON c.site_id = s.site_id
		WHERE s.site_id = $1`, r.siteID).QueryRow(func(row pgx.Row) error {
		var v site.Site
		var m uuid.UUID
		if err := row.Scan(&v.ID, &v.Name, &v.TimeZone, &v.Revision, &m); err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		return is(v, mark(m))
	})
}

// Sites lists the sites of the database by id.
func (s *Store) Sites(ctx context.Context, page Page) ([]site.Site, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT s.slug, s.display_name, s.time_zone, c.revision
		FROM site s JOIN site_counter c ON c.site_id = s.site_id
		WHERE s.slug > $1 ORDER BY s.slug LIMIT $2`, page.After, page.limit())
	if err != nil {
		return nil, asFault(ctx, err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.Site, error) {
		var v site.Site
		return v, row.Scan(&v.ID, &v.Name, &v.TimeZone, &v.Revision)
	})
	return out, asFault(ctx, err)
}

// None is the fault for a thing of the site that does not exist.
func None(what, id string) error {
	return fault.New(fault.NotFound, "NOT_FOUND", "the site has no %s %q: ask for the list to see what there is", what, id)
}

// only gives the single element of a list that was read by id.
func only[T any](list []T, err error, what, id string) (T, error) {
	var zero T
	if err != nil {
		return zero, err
	}
	if len(list) == 0 {
		return zero, None(what, id)
	}
	return list[0], nil
}

// rangeOf makes a range of two instants, in UTC as everything inside is.
func rangeOf(start, end time.Time) hours.Range {
	return hours.Range{Start: start.UTC(), End: end.UTC()}
}

// instant reads a nullable instant; NULL is the zero time.
func instant(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

// nullable writes an instant; the zero time is NULL.
func nullable(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
