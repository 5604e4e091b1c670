package workshop

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// secretBytes is how much chance is in the secret of a link: more than anybody
// can try.
const secretBytes = 32

// MadeLink is a link with its secret, which is told once and kept nowhere.
type MadeLink struct {
	site.Link
	// Secret stands in the address; empty in the answer to a repeat.
	Secret string `json:"-"`
}

// MakeLink makes a secret address for the board, or for the calendar of a
// resource. A repeat of the request is answered without the secret.
func (w *Workshop) MakeLink(ctx context.Context, act Act, title string, calendar *Ref) (MadeLink, error) {
	var fs fault.Fields
	checkText(&fs, "display_name", title, true)
	if err := fs.Err("LINK", "the link cannot be made"); err != nil {
		return MadeLink{}, err
	}
	raw := make([]byte, secretBytes)
	if _, err := rand.Read(raw); err != nil {
		return MadeLink{}, err
	}
	secret, fresh := base64.RawURLEncoding.EncodeToString(raw), false
	out, err := store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (MadeLink, error) {
		link := site.Link{Title: title, MadeBy: act.Caller.User}
		if calendar != nil {
			link.Calendar = &site.LinkTarget{Kind: calendar.Kind, ID: calendar.ID}
		}
		made, err := tx.AddLink(ctx, link, sha256.Sum256([]byte(secret)))
		if err != nil {
			return MadeLink{}, err
		}
		fresh = true
		tx.Log(linkEvent("link.made", nil, made))
		return MadeLink{Link: made}, nil
	})
	if fresh && err == nil {
		out.Secret = secret
	}
	return out, err
}

// linkEvent tells what became of a link; the secret is in no event.
func linkEvent(kind string, before any, l site.Link) store.Event {
	e := changed(kind, fmt.Sprintf("links/%d", l.ID), before, l)
	if l.Calendar != nil {
		e.Touched = []string{store.ResourceSubject(l.Calendar.Kind, l.Calendar.ID)}
	}
	return e
}

// Links lists the links of a site, the newest first, revoked ones too.
func (w *Workshop) Links(ctx context.Context, slug string) ([]site.Link, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.Link, error) { return r.Links(ctx) })
}

// RevokeLink ends a link for good. One that has ended stays so.
func (w *Workshop) RevokeLink(ctx context.Context, act Act, id int64) (site.Link, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Link, error) {
		link, err := tx.Link(ctx, id)
		if err != nil || !link.RevokedAt.IsZero() {
			return link, err
		}
		if err := tx.RevokeLink(ctx, id); err != nil {
			return link, err
		}
		revoked, err := tx.Link(ctx, id)
		tx.Log(linkEvent("link.revoked", link, revoked))
		return revoked, err
	})
}

// OpenLink finds the link that a secret belongs to. NotFound if there is none,
// or if it was revoked.
func (w *Workshop) OpenLink(ctx context.Context, slug, secret string) (site.Link, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Link, error) {
		return r.LinkOf(ctx, sha256.Sum256([]byte(secret)))
	})
}
