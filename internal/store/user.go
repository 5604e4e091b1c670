package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

const userColumns = `u.slug, u.display_name, u.roles, COALESCE(x.slug, ''), COALESCE(u.certificate, ''), u.disabled_at, u.created_at, u.certificate_used_at`

// userSource joins users with the technicians who they are.
const userSource = `site_user u LEFT JOIN resource x ON x.site_id = u.site_id AND x.resource_id = u.technician_id`

// userRow takes in userColumns.
type userRow struct {
	site.User
	disabled, used *time.Time
}

func (u *userRow) into() []any {
	return []any{&u.ID, &u.Name, &u.Roles, &u.Technician, &u.Subject, &u.disabled, &u.Created, &u.used}
}

func (u *userRow) user() site.User {
	u.Disabled, u.Created, u.SubjectUsed = instant(u.disabled), u.Created.UTC(), instant(u.used)
	return u.User
}

// Users reads users by id; with ids only those.
func (r Reader) Users(ctx context.Context, page Page, ids ...string) ([]site.User, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT `+userColumns+` FROM `+userSource+`
		WHERE u.site_id = $1 AND u.slug > $2 AND ($3::text[] IS NULL OR u.slug = ANY ($3))
		ORDER BY u.slug LIMIT $4`, r.siteID, page.After, ids, page.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.User, error) {
		var u userRow
		err := row.Scan(u.into()...)
		return u.user(), err
	})
}

// User reads one user.
func (r Reader) User(ctx context.Context, id string) (site.User, error) {
	list, err := r.Users(ctx, Page{}, id)
	return only(list, err, "user", id)
}

// LockUsers takes the rows of all users of the site, so that acts on users and
// their tokens follow one another.
func (t *Tx) LockUsers(ctx context.Context) error {
	_, err := t.tx.Exec(ctx, "SELECT FROM site_user WHERE site_id = $1 ORDER BY slug FOR NO KEY UPDATE", t.siteID)
	return err
}

// PutUser writes a user, new or not. NotFound for a technician whom the site
// does not have; Exists for a technician or a certificate that is another's.
func (t *Tx) PutUser(ctx context.Context, u site.User) error {
	var technician *int64
	if u.Technician != "" {
		var id int64
		err := t.tx.QueryRow(ctx, "SELECT resource_id FROM resource WHERE site_id = $1 AND kind = $2 AND slug = $3",
			t.siteID, site.KindTechnician, u.Technician).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return None("technician", u.Technician)
		}
		if err != nil {
			return err
		}
		technician = &id
	}
	if err := t.alone(ctx, u, technician); err != nil {
		return err
	}
	_, err := t.tx.Exec(ctx, `
		INSERT INTO site_user (site_id, slug, display_name, roles, technician_id, certificate, disabled_at, created_at)
		VALUES ($1, $2, $3, $4, $5, NULLIF($6, ''), $7, $8)
		ON CONFLICT (site_id, slug) DO UPDATE SET display_name = $3, roles = $4, technician_id = $5,
			certificate = NULLIF($6, ''), disabled_at = $7,
			certificate_used_at = CASE WHEN site_user.certificate = NULLIF($6, '') THEN site_user.certificate_used_at END`,
		t.siteID, u.ID, u.Name, u.Roles, technician, u.Subject, nullable(u.Disabled), u.Created)
	return err
}

// alone tells whose a user's technician or certificate is already.
func (t *Tx) alone(ctx context.Context, u site.User, technician *int64) error {
	var other string
	var same bool
	err := t.tx.QueryRow(ctx, `
		SELECT slug, COALESCE(technician_id = $3, false) FROM site_user
		WHERE site_id = $1 AND slug <> $2 AND (technician_id = $3 OR certificate = NULLIF($4, ''))
		ORDER BY slug LIMIT 1`, t.siteID, u.ID, technician, u.Subject).Scan(&other, &same)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil
	case err != nil:
		return err
	case same:
		return fault.New(fault.Exists, "TECHNICIAN_TAKEN", "the technician %s is the user %s already: untie them first", u.Technician, other)
	}
	return fault.New(fault.Exists, "CERTIFICATE_TAKEN", "a certificate of that subject is the user %s's already: take it from them first", other)
}
