package workshop

import (
	"context"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

const (
	// usualLife is how long a token is good if nobody says.
	usualLife = 90 * 24 * time.Hour
	// mostTokens is how many that are good a user may have at a time.
	mostTokens = 50
)

// MadeToken is a new token. Its text is here once and kept nowhere: a repeat of
// the request answers without it.
type MadeToken struct {
	Token  site.Token
	Secret string `json:"-"`
}

// Tokens lists the tokens of a user by name, also those of the past. Forbidden
// unless the caller is that user or an administrator.
func (w *Workshop) Tokens(ctx context.Context, slug, user string, page Page) ([]site.Token, error) {
	if err := access.OwnUser(access.From(ctx), user); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.Token, error) {
		if _, err := r.User(ctx, user); err != nil {
			return nil, err
		}
		return r.Tokens(ctx, user, page)
	})
}

// MakeToken makes a token of a user, until t.Expires or, without it, for the
// usual time. Forbidden unless the caller is that user or an administrator.
func (w *Workshop) MakeToken(ctx context.Context, act Act, t site.Token) (MadeToken, error) {
	if err := access.OwnUser(act.Caller, t.User); err != nil {
		return MadeToken{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (MadeToken, error) {
		return makeToken(ctx, tx, act.Site, t)
	})
}

func makeToken(ctx context.Context, tx *store.Tx, siteID string, t site.Token) (MadeToken, error) {
	t = site.Token{User: t.User, Name: t.Name, Created: tx.Now(), Expires: t.Expires}
	if t.Expires.IsZero() {
		t.Expires = t.Created.Add(usualLife)
	}
	var fs fault.Fields
	switch {
	case !nameForm.MatchString(t.Name):
		fs.Add("token", "must be lower-case letters, digits, '.', '_' and '-', 63 at the most, and begin and end with a letter or digit")
	case t.Name == access.CertificateToken:
		fs.Add("token", "%q means a client certificate: choose another name", t.Name)
	}
	switch life := t.Expires.Sub(t.Created); {
	case life <= 0:
		fs.Add("expire_time", "must lie ahead")
	case life > maxRange:
		fs.Add("expire_time", "must lie within a year")
	}
	if err := fs.Err("TOKEN", "the token cannot be made"); err != nil {
		return MadeToken{}, err
	}
	if err := tx.LockUsers(ctx); err != nil {
		return MadeToken{}, err
	}
	u, err := tx.User(ctx, t.User)
	if err != nil {
		return MadeToken{}, err
	}
	if !u.Disabled.IsZero() {
		return MadeToken{}, fault.New(fault.Precondition, "USER_DISABLED", "the user %s is disabled, and a token would be worth nothing: enable them first", u.ID)
	}
	if err := roomFor(ctx, tx, t); err != nil {
		return MadeToken{}, err
	}
	made := MadeToken{Token: t, Secret: access.NewToken(siteID)}
	tx.Log(store.Event{Kind: "token.made", Subject: userSubject(t.User), Details: map[string]any{"after": t}})
	return made, tx.AddToken(ctx, t, access.HashToken(made.Secret))
}

// roomFor refuses a name that was used before, and more tokens than anybody needs.
func roomFor(ctx context.Context, tx *store.Tx, t site.Token) error {
	have, err := tx.Tokens(ctx, t.User, Page{})
	if err != nil {
		return err
	}
	good := 0
	for _, h := range have {
		if h.Name == t.Name {
			return fault.New(fault.Exists, "TOKEN",
				"%s had a token %s before, and a name means one token for ever: choose another", t.User, t.Name)
		}
		if h.Revoked.IsZero() && h.Expires.After(tx.Now()) {
			good++
		}
	}
	if good >= mostTokens {
		return fault.New(fault.Precondition, "TOKENS", "%s has %d tokens that are good: revoke those that nobody uses first", t.User, good)
	}
	return nil
}

// RevokeToken makes a token worth nothing, within access.Fresh on every server.
// Revoking it twice changes nothing. Forbidden unless the caller is its user or
// an administrator.
func (w *Workshop) RevokeToken(ctx context.Context, act Act, user, name string) (site.Token, error) {
	if err := access.OwnUser(act.Caller, user); err != nil {
		return site.Token{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Token, error) {
		if err := tx.LockUsers(ctx); err != nil {
			return site.Token{}, err
		}
		before, err := tx.Token(ctx, user, name)
		if err != nil || !before.Revoked.IsZero() {
			return before, err
		}
		if err := tx.RevokeToken(ctx, user, name); err != nil {
			return before, err
		}
		after := before
		after.Revoked = tx.Now()
		tx.Log(changed("token.revoked", userSubject(user), before, after))
		return after, nil
	})
}

// Self is a caller as the site knows them.
type Self struct {
	User  site.User
	Token site.Token // zero for somebody who showed a certificate
	Site  site.Site
}

// Self tells who calls.
func (w *Workshop) Self(ctx context.Context) (Self, error) {
	c := access.From(ctx)
	return read(ctx, w, c.Site, func(ctx context.Context, r store.Reader) (Self, error) {
		var out Self
		var err error
		if out.Site, err = r.Site(ctx); err != nil {
			return out, err
		}
		if out.User, err = r.User(ctx, c.User); err != nil || c.Token == access.CertificateToken {
			return out, err
		}
		out.Token, err = r.Token(ctx, c.User, c.Token)
		return out, err
	})
}
