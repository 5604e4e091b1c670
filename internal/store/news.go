package store

import (
	"context"
	"math"
	"sync"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/site"
)

// news are sites whose logs have grown by acts of this process, until somebody
// takes them.
//
// An act does not notify in its own transaction: PostgreSQL lets transactions
// that notify commit only one after the other (async.c, PreCommit_Notify), and a
// commit waits for the disk, and for a synchronous standby. So one act would wait
// for the other, whatever their sites.
type news struct {
	mu   sync.Mutex
	keys map[int64]bool
	some chan struct{}
}

func newNews() *news { return &news{keys: map[int64]bool{}, some: make(chan struct{}, 1)} }

func (n *news) add(key int64) {
	n.mu.Lock()
	n.keys[key] = true
	n.mu.Unlock()
	select {
	case n.some <- struct{}{}:
	default:
	}
}

// News waits until acts of this process have logged something since it was asked
// last, and gives the keys of their sites. One may ask.
func (s *Store) News(ctx context.Context) ([]int64, error) {
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.news.some:
	}
	s.news.mu.Lock()
	defer s.news.mu.Unlock()
	var out []int64
	for key := range s.news.keys {
		out = append(out, key)
	}
	clear(s.news.keys)
	return out, nil
}

// Notify wakes those who listen for news of sites. It waits for no disk: what is
// lost with the database's memory is not missed by anybody.
func (s *Store) Notify(ctx context.Context, keys []int64) error {
	_, err := s.pool.Exec(ctx, `SELECT set_config('synchronous_commit', 'off', true),
		(SELECT count(pg_notify($1, key::text)) FROM unnest($2::bigint[]) key)`, Channel, keys)
	return asFault(ctx, err)
}

// Revisions reads how far the logs of sites have come, by their keys.
func (s *Store) Revisions(ctx context.Context, keys []int64) (map[int64]int64, error) {
	out := map[int64]int64{}
	err := s.retry(ctx, func() error {
		rows, err := s.pool.Query(ctx, "SELECT site_id, revision FROM site_counter WHERE site_id = ANY ($1)", keys)
		if err != nil {
			return err
		}
		var key, revision int64
		_, err = pgx.ForEachRow(rows, []any{&key, &revision}, func() error { out[key] = revision; return nil })
		return err
	})
	return out, asFault(ctx, err)
}

// LogAfter reads the events of a site after a revision that touch one of the
// names, or all without names, in order and at most so many; and the revision up
// to which the log has come. If there are fewer than that, they are all up to
// there. NotFound if there is no such site.
//
// It does without a transaction: since events are numbered from a row that is
// held until the commit, what is seen of the log has no gap, and what is seen
// after the counter was goes at least as far.
func (s *Store) LogAfter(ctx context.Context, slug string, after int64, touching []string, most int) (events []LoggedEvent, present int64, err error) {
	r := Reader{siteID: siteKey(slug)}
	err = s.retry(ctx, func() error {
		var batch pgx.Batch
		r.queueSite(&batch, func(found site.Site) error {
			if found.ID != slug {
				return noSite(slug)
			}
			present = found.Revision
			return nil
		})
		batch.Queue(`
			SELECT revision, at, actor, token, method, kind, subject, request_id, touched, details FROM event
			WHERE site_id = $1 AND revision > $2 AND ($3::text[] IS NULL OR touched && $3::text[])
			ORDER BY revision LIMIT $4`, r.siteID, after, touching, most).Query(func(rows pgx.Rows) (err error) {
			events, err = pgx.CollectRows(rows, loggedEvent)
			return err
		})
		return s.pool.SendBatch(ctx, &batch).Close()
	})
	if n := len(events); n > 0 {
		present = max(present, events[n-1].Revision)
	}
	return events, present, asFault(ctx, err)
}

// Revision reads how far the log of a site has come. NotFound if there is no such
// site.
func (s *Store) Revision(ctx context.Context, slug string) (int64, error) {
	_, present, err := s.LogAfter(ctx, slug, math.MaxInt64, nil, 0)
	return present, err
}
