package workshop

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// nameForm is what the names of users and tokens look like.
var nameForm = regexp.MustCompile(`^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$`)

// Users lists users by id.
func (w *Workshop) Users(ctx context.Context, slug string, page Page) ([]site.User, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.User, error) { return r.Users(ctx, page) })
}

// User reads a user.
func (w *Workshop) User(ctx context.Context, slug, id string) (site.User, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.User, error) { return r.User(ctx, id) })
}

// AddUser takes in a new user. Exists if there is one of that id, be they
// disabled.
func (w *Workshop) AddUser(ctx context.Context, act Act, u site.User) (site.User, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.User, error) {
		return addUser(ctx, tx, u)
	})
}

func addUser(ctx context.Context, tx *store.Tx, u site.User) (site.User, error) {
	u.Created, u.Disabled = tx.Now(), time.Time{}
	u, err := soundUser(u)
	if err != nil {
		return u, err
	}
	if err := tx.LockUsers(ctx); err != nil {
		return u, err
	}
	have, err := tx.Users(ctx, Page{}, u.ID)
	if err != nil {
		return u, err
	}
	if len(have) > 0 {
		return u, fault.New(fault.Exists, "USER", "there is a user %s already: choose another name, or change what they have with user roles and user enable", u.ID)
	}
	tx.Log(store.Event{Kind: "user.added", Subject: userSubject(u.ID), Details: map[string]any{"after": u}})
	return u, tx.PutUser(ctx, u)
}

// EditUser changes a user by the function given. Precondition if that would
// leave the site without an administrator.
func (w *Workshop) EditUser(ctx context.Context, act Act, id string, edit func(*site.User)) (site.User, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.User, error) {
		if err := tx.LockUsers(ctx); err != nil {
			return site.User{}, err
		}
		all, err := tx.Users(ctx, Page{})
		if err != nil {
			return site.User{}, err
		}
		at := slices.IndexFunc(all, func(u site.User) bool { return u.ID == id })
		if at < 0 {
			return tx.User(ctx, id) // which says that there is none
		}
		before, after := all[at], all[at]
		after.Roles = slices.Clone(before.Roles)
		edit(&after)
		if after, err = soundUser(after); err != nil {
			return after, err
		}
		if after.Subject != before.Subject {
			after.SubjectUsed = time.Time{} // the new one was never shown
		}
		all[at] = after
		if administers(before) && !slices.ContainsFunc(all, administers) {
			return after, fault.New(fault.Precondition, "LAST_ADMINISTRATOR",
				"%s is the site's only administrator, and nobody could give rights any more: make somebody else one first", id)
		}
		tx.Log(changed("user.changed", userSubject(id), before, after))
		return after, tx.PutUser(ctx, after)
	})
}

// administers tells whether a user is an administrator who may call.
func administers(u site.User) bool {
	return u.Disabled.IsZero() && slices.Contains(u.Roles, access.Administrator)
}

// soundUser gives the user with roles in order, or what is wrong with them.
func soundUser(u site.User) (site.User, error) {
	var fs fault.Fields
	if !nameForm.MatchString(u.ID) {
		fs.Add("name", "must be lower-case letters, digits, '.', '_' and '-', 63 at the most, and begin and end with a letter or digit")
	}
	if u.Name == "" {
		u.Name = u.ID
	}
	checkText(&fs, "display_name", u.Name, true)
	checkText(&fs, "certificate_subject", u.Subject, false)
	var roles []site.Role
	for _, r := range access.Roles {
		if slices.Contains(u.Roles, r) {
			roles = append(roles, r)
		}
	}
	for _, r := range u.Roles {
		if !slices.Contains(access.Roles, r) {
			fs.Add("roles", "must be some of %v", access.Roles)
			break
		}
	}
	switch {
	case len(u.Roles) == 0:
		fs.Add("roles", "are missing: give one or more of %v", access.Roles)
	case len(roles) == 1 && roles[0] == access.Technician && u.Technician == "":
		fs.Add("technician", "is missing: whoever is only a technician acts in their own name, so say which of the site's technicians they are")
	}
	u.Roles = roles
	return u, fs.Err("USER", "the user cannot be kept")
}

// Enrolment makes a user on the machine itself, where nobody need be asked.
type Enrolment struct {
	User site.User
	// Site describes the site, to be made if there is none of its id. Without a
	// time zone it is not made.
	Site site.Site
	// Token is the name of the user's first token, Expires the end of it: zero
	// for the usual time.
	Token   string
	Expires time.Time
}

// Enrolled is who was made, with a first token.
type Enrolled struct {
	User site.User
	Made MadeToken
}

// Enrol makes a user with a first token, and the site if there is none yet.
func (w *Workshop) Enrol(ctx context.Context, act Act, e Enrolment) (Enrolled, error) {
	req := w.request(act)
	req.NewSite = e.Site.TimeZone != ""
	return store.Act(ctx, w.store, req, func(ctx context.Context, tx *store.Tx) (Enrolled, error) {
		var out Enrolled
		have, err := tx.Site(ctx)
		if err != nil {
			return out, err
		}
		if have.ID == "" {
			if err := makeSite(ctx, tx, e.Site); err != nil {
				return out, err
			}
		}
		if out.User, err = addUser(ctx, tx, e.User); err != nil {
			return out, err
		}
		out.Made, err = makeToken(ctx, tx, act.Site, site.Token{User: e.User.ID, Name: e.Token, Expires: e.Expires})
		return out, err
	})
}

func makeSite(ctx context.Context, tx *store.Tx, v site.Site) error {
	if v.Name == "" {
		v.Name = v.ID
	}
	var fs fault.Fields
	if !siteSlug.MatchString(v.ID) {
		fs.Add("site", "must be lower-case letters, digits and '-', 63 at the most, and begin and end with a letter or digit")
	}
	checkSite(&fs, v)
	if err := fs.Err("SITE", "the site cannot be made"); err != nil {
		return err
	}
	tx.Log(store.Event{Kind: "site.made", Details: map[string]any{"after": v}})
	return tx.PutSite(ctx, v)
}

// siteSlug is what the schema wants of a site's id.
var siteSlug = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)

func userSubject(id string) string { return fmt.Sprintf("users/%s", id) }
