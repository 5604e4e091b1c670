package access

import (
	"cmp"
	"context"
	"crypto/x509/pkix"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/store"
)

// Fresh is how long what was read of a token or a certificate is believed. A
// token that is revoked, or a user who is disabled, is turned away by every
// server after this at the latest.
const Fresh = 2 * time.Second

const (
	// mostKnown bounds what is remembered.
	mostKnown = 10_000
	// A last use is written at most this often, and at the end.
	useCoarse = 5 * time.Minute
	usePeriod = 15 * time.Second
)

// CertificateToken stands where the log names a token when the caller showed a
// certificate; no token can have this name.
const CertificateToken = "certificate"

// Door tells who stands before it.
type Door struct {
	store *store.Store
	now   func() time.Time
	log   *slog.Logger

	mu    sync.Mutex
	known map[any]known
	uses  map[store.Use]*use // by the token or certificate: At is zero in the key
}

// known is what was read of somebody, and when.
type known struct {
	store.Credential
	site string
	read time.Time
}

// use is when a token or a certificate was last used, and when that was last written.
type use struct{ last, written time.Time }

// NewDoor makes a door to the sites of a store; now tells the time.
func NewDoor(s *store.Store, now func() time.Time, log *slog.Logger) *Door {
	return &Door{store: s, now: now, log: log, known: map[any]known{}, uses: map[store.Use]*use{}}
}

// Keys of what is known: tokens by their hash, so that the text is kept nowhere,
// and certificates by their subject.
type (
	tokenKey   [32]byte
	subjectKey struct{ site, subject string }
)

// Token tells whose token this is. Unauthenticated if it is nobody's, has
// expired or was revoked, or its user is disabled; Unavailable if the database
// cannot say.
func (d *Door) Token(ctx context.Context, text string) (Caller, error) {
	slug, ok := tokenSite(text)
	if !ok {
		return Caller{}, fault.New(fault.Unauthenticated, "TOKEN",
			"this is no token of bayhold: a token reads bayhold.SITE.SECRET; give it with --token or BAYHOLD_TOKEN")
	}
	hash := HashToken(text)
	k, err := d.find(tokenKey(hash), slug, func() (store.Credential, bool, error) {
		return d.store.ByToken(ctx, slug, hash)
	})
	if err != nil {
		return Caller{}, err
	}
	now := d.now()
	switch t := k.Token; {
	case t.Name == "":
		return Caller{}, fault.New(fault.Unauthenticated, "TOKEN",
			"this token is not known here: check that it is whole and meant for this server, or have another made with token make")
	case !t.Revoked.IsZero():
		return Caller{}, fault.New(fault.Unauthenticated, "TOKEN_REVOKED",
			"the token %s of %s was revoked: have another made with token make", t.Name, t.User)
	case !now.Before(t.Expires):
		return Caller{}, fault.New(fault.Unauthenticated, "TOKEN_EXPIRED",
			"the token %s of %s expired at %s: have another made with token make", t.Name, t.User, t.Expires.Format(time.RFC3339))
	}
	c, err := k.caller(k.Token.Name)
	if err == nil {
		d.used(store.Use{Site: slug, User: c.User, Token: c.Token}, now)
	}
	return c, err
}

// Certificate tells whose client certificate has this subject, which the
// connection has proved. Its organisation (O) is the site's id.
func (d *Door) Certificate(ctx context.Context, subject pkix.Name) (Caller, error) {
	if len(subject.Organization) != 1 {
		return Caller{}, fault.New(fault.Unauthenticated, "CERTIFICATE",
			"the client certificate must name the site's id as its one organisation (O): have one made with server cert client, or give a token")
	}
	key := subjectKey{subject.Organization[0], subject.String()}
	k, err := d.find(key, key.site, func() (store.Credential, bool, error) {
		return d.store.BySubject(ctx, key.site, key.subject)
	})
	if err != nil {
		return Caller{}, err
	}
	if k.User.ID == "" {
		return Caller{}, fault.New(fault.Unauthenticated, "CERTIFICATE",
			"the client certificate is no user's here: an administrator gives it to one with user change --certificate, or give a token")
	}
	c, err := k.caller(CertificateToken)
	if err == nil {
		d.used(store.Use{Site: key.site, User: c.User, Subject: key.subject}, d.now())
	}
	return c, err
}

// caller is who the credential stands for, unless they may not call.
func (k known) caller(token string) (Caller, error) {
	u := k.User
	if !u.Disabled.IsZero() {
		return Caller{}, fault.New(fault.Unauthenticated, "USER_DISABLED",
			"the user %s is disabled: an administrator enables them with user enable", u.ID)
	}
	return Caller{Site: k.site, User: u.ID, Token: token, Technician: u.Technician, Roles: u.Roles}, nil
}

// find gives what is known under a key, read anew when it is no longer fresh.
// What is nobody's is not remembered.
func (d *Door) find(key any, slug string, read func() (store.Credential, bool, error)) (known, error) {
	now := d.now()
	d.mu.Lock()
	k, ok := d.known[key]
	d.mu.Unlock()
	if ok && now.Sub(k.read) < Fresh {
		return k, nil
	}
	c, found, err := read()
	if err != nil || !found {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.known, key)
		return known{}, err
	}
	// As of before the question, or a change meanwhile would be overlooked longer.
	k = known{Credential: c, site: slug, read: now}
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.known) >= mostKnown {
		maps.DeleteFunc(d.known, func(_ any, old known) bool { return now.Sub(old.read) >= Fresh })
	}
	if len(d.known) < mostKnown {
		d.known[key] = k
	}
	return k, nil
}

// used notes a use, to be written later.
func (d *Door) used(key store.Use, at time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	u := d.uses[key]
	if u == nil {
		u = &use{}
		d.uses[key] = u
	}
	if at.After(u.last) {
		u.last = at
	}
}

// Run writes when tokens and certificates were last used, from time to time until ctx ends, and
// once more then.
func (d *Door) Run(ctx context.Context) {
	tick := time.NewTicker(usePeriod)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), Fresh)
			defer cancel()
			d.writeUses(last, 0)
			return
		case <-tick.C:
			d.writeUses(ctx, useCoarse)
		}
	}
}

// writeUses writes each new use, unless one of the same was written less than
// coarse ago, and forgets what has not been used for long.
func (d *Door) writeUses(ctx context.Context, coarse time.Duration) {
	var due []store.Use
	d.mu.Lock()
	for key, u := range d.uses {
		switch {
		case u.last.After(u.written) && d.now().Sub(u.written) >= coarse:
			key.At = u.last
			due = append(due, key)
		case !u.last.After(u.written) && d.now().Sub(u.written) >= coarse:
			delete(d.uses, key)
		}
	}
	d.mu.Unlock()
	if len(due) == 0 {
		return
	}
	// In one order everywhere: servers that write at the same time must not
	// wait for each other in a circle.
	slices.SortFunc(due, func(a, b store.Use) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(a.User, b.User), cmp.Compare(a.Token, b.Token), cmp.Compare(a.Subject, b.Subject))
	})
	if err := d.store.WriteUses(ctx, due); err != nil {
		d.log.WarnContext(ctx, "last uses of tokens and certificates were not written", "uses", len(due), "cause", err)
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, key := range due {
		at := key.At
		key.At = time.Time{}
		if u := d.uses[key]; u != nil {
			u.written = at
		}
	}
}
