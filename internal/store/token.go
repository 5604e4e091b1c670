package store

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"bayhold/internal/site"
)

const tokenColumns = `t.user_slug, t.name, t.created_at, t.expires_at, t.last_used_at, t.revoked_at`

// tokenRow takes in tokenColumns.
type tokenRow struct {
	site.Token
	used, revoked *time.Time
}

func (t *tokenRow) into() []any {
	return []any{&t.User, &t.Name, &t.Created, &t.Expires, &t.used, &t.revoked}
}

func (t *tokenRow) token() site.Token {
	t.Created, t.Expires, t.LastUsed, t.Revoked = t.Created.UTC(), t.Expires.UTC(), instant(t.used), instant(t.revoked)
	return t.Token
}

// Tokens reads the tokens of a user by name, also those of the past; with names
// only those.
func (r Reader) Tokens(ctx context.Context, user string, page Page, names ...string) ([]site.Token, error) {
	rows, err := r.tx.Query(ctx, `
		SELECT `+tokenColumns+` FROM access_token t
		WHERE t.site_id = $1 AND t.user_slug = $2 AND t.name > $3 AND ($4::text[] IS NULL OR t.name = ANY ($4))
		ORDER BY t.name LIMIT $5`, r.siteID, user, page.After, names, page.limit())
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (site.Token, error) {
		var t tokenRow
		err := row.Scan(t.into()...)
		return t.token(), err
	})
}

// Token reads one token of a user.
func (r Reader) Token(ctx context.Context, user, name string) (site.Token, error) {
	list, err := r.Tokens(ctx, user, Page{}, name)
	return only(list, err, "token", user+"/"+name)
}

// AddToken writes a new token under the SHA-256 of its text.
func (t *Tx) AddToken(ctx context.Context, v site.Token, hash [32]byte) error {
	_, err := t.tx.Exec(ctx, `
		INSERT INTO access_token (site_id, user_slug, name, hash, created_at, expires_at) VALUES ($1, $2, $3, $4, $5, $6)`,
		t.siteID, v.User, v.Name, hash[:], v.Created, v.Expires)
	return err
}

// RevokeToken makes a token worth nothing from now on.
func (t *Tx) RevokeToken(ctx context.Context, user, name string) error {
	_, err := t.tx.Exec(ctx, `
		UPDATE access_token SET revoked_at = $4 WHERE site_id = $1 AND user_slug = $2 AND name = $3 AND revoked_at IS NULL`,
		t.siteID, user, name, t.now)
	return err
}

// Credential is a user with the token or the certificate that shows who they are.
type Credential struct {
	User  site.User
	Token site.Token // zero with a certificate
}

// ByToken finds whose token has this SHA-256; false if it is nobody's.
func (s *Store) ByToken(ctx context.Context, slug string, hash [32]byte) (Credential, bool, error) {
	var u userRow
	var t tokenRow
	err := s.pool.QueryRow(ctx, `
		SELECT `+userColumns+`, `+tokenColumns+`
		FROM access_token t JOIN site s ON s.site_id = t.site_id AND s.slug = $3
		JOIN `+userSource+` ON u.site_id = t.site_id AND u.slug = t.user_slug
		WHERE t.site_id = $1 AND t.hash = $2`, siteKey(slug), hash[:], slug).Scan(append(u.into(), t.into()...)...)
	if errors.Is(err, pgx.ErrNoRows) {
		return Credential{}, false, nil
	}
	return Credential{User: u.user(), Token: t.token()}, err == nil, asFault(ctx, err)
}

// BySubject finds whose certificate has this subject; false if it is nobody's.
func (s *Store) BySubject(ctx context.Context, slug, subject string) (Credential, bool, error) {
	var u userRow
	err := s.pool.QueryRow(ctx, `
		SELECT `+userColumns+`
		FROM `+userSource+` JOIN site s ON s.site_id = u.site_id AND s.slug = $3
		WHERE u.site_id = $1 AND u.certificate = $2`, siteKey(slug), subject, slug).Scan(u.into()...)
	if errors.Is(err, pgx.ErrNoRows) {
		return Credential{}, false, nil
	}
	return Credential{User: u.user()}, err == nil, asFault(ctx, err)
}

// Use is the last use of a token, or of a user's certificate.
type Use struct {
	Site, User string
	Token      string // its name, or ...
	Subject    string // ... that of the certificate
	At         time.Time
}

// WriteUses notes when tokens and certificates were last used. An older use never
// takes the place of a newer one, nor that of one certificate another's.
func (s *Store) WriteUses(ctx context.Context, uses []Use) error {
	var batch pgx.Batch
	for _, u := range uses {
		if u.Subject != "" {
			batch.Queue(`
				UPDATE site_user SET certificate_used_at = $4
				WHERE site_id = $1 AND slug = $2 AND certificate = $3 AND (certificate_used_at IS NULL OR certificate_used_at < $4)`,
				siteKey(u.Site), u.User, u.Subject, u.At)
			continue
		}
		batch.Queue(`
			UPDATE access_token SET last_used_at = $4
			WHERE site_id = $1 AND user_slug = $2 AND name = $3 AND (last_used_at IS NULL OR last_used_at < $4)`,
			siteKey(u.Site), u.User, u.Token, u.At)
	}
	return asFault(ctx, s.pool.SendBatch(ctx, &batch).Close())
}
