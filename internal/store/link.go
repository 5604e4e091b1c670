package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/site"
)

const linkColumns = `l.link_id, l.title, x.kind, x.slug, l.made_at, l.made_by, l.revoked_at
	FROM link l LEFT JOIN resource x ON x.site_id = l.site_id AND x.resource_id = l.resource_id`

func scanLink(row pgx.CollectableRow) (site.Link, error) {
	var v site.Link
	var kind *site.Kind
	var slug *string
	var revoked *time.Time
	if err := row.Scan(&v.ID, &v.Title, &kind, &slug, &v.MadeAt, &v.MadeBy, &revoked); err != nil {
		return v, err
	}
	v.MadeAt, v.RevokedAt = v.MadeAt.UTC(), instant(revoked)
	if kind != nil {
		v.Calendar = &site.LinkTarget{Kind: *kind, ID: *slug}
	}
	return v, nil
}

// Links reads the links of a site, the newest first.
func (r Reader) Links(ctx context.Context) ([]site.Link, error) {
	rows, err := r.tx.Query(ctx, "SELECT "+linkColumns+" WHERE l.site_id = $1 ORDER BY l.link_id DESC", r.siteID)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanLink)
}

// Link reads one link, revoked or not.
func (r Reader) Link(ctx context.Context, id int64) (site.Link, error) {
	rows, err := r.tx.Query(ctx, "SELECT "+linkColumns+" WHERE l.site_id = $1 AND l.link_id = $2", r.siteID, id)
	if err != nil {
		return site.Link{}, err
	}
	list, err := pgx.CollectRows(rows, scanLink)
	return only(list, err, "link", fmt.Sprint(id))
}

// LinkOf finds the link with a secret of that hash that can be used. NotFound
// if there is none.
func (r Reader) LinkOf(ctx context.Context, hash [32]byte) (site.Link, error) {
	rows, err := r.tx.Query(ctx, "SELECT "+linkColumns+" WHERE l.site_id = $1 AND l.token_sha256 = $2 AND l.revoked_at IS NULL",
		r.siteID, hash[:])
	if err != nil {
		return site.Link{}, err
	}
	list, err := pgx.CollectRows(rows, scanLink)
	return only(list, err, "link", "with this secret")
}

// AddLink writes a link with the hash of its secret, and gives it its id.
func (t *Tx) AddLink(ctx context.Context, v site.Link, hash [32]byte) (site.Link, error) {
	var resource *int64
	if c := v.Calendar; c != nil {
		ids, err := t.lock(ctx, []Ref{{Kind: c.Kind, ID: c.ID}})
		if err != nil {
			return v, err
		}
		id := ids[Ref{Kind: c.Kind, ID: c.ID}]
		resource = &id
	}
	v.MadeAt = t.now
	err := t.tx.QueryRow(ctx, `
		INSERT INTO link (site_id, title, resource_id, token_sha256, made_at, made_by)
		VALUES ($1, $2, $3, $4, $5, $6) RETURNING link_id`,
		t.siteID, v.Title, resource, hash[:], v.MadeAt, v.MadeBy).Scan(&v.ID)
	return v, err
}

// RevokeLink ends a link for good; one that has ended stays as it is.
func (t *Tx) RevokeLink(ctx context.Context, id int64) error {
	_, err := t.tx.Exec(ctx, "UPDATE link SET revoked_at = $3 WHERE site_id = $1 AND link_id = $2 AND revoked_at IS NULL",
		t.siteID, id, t.now)
	return err
}
