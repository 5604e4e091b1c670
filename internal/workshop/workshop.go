// Package workshop is what the service does: check, find, book, reserve,
// confirm, cancel, import. Each act loads what it needs, asks the pure packages
// and writes the outcome; how it is asked and answered is not its business.
package workshop

import (
	"context"
	"strings"
	"time"
	"unicode"

	"github.com/google/uuid"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Workshop carries out the acts on one database.
type Workshop struct {
	store *store.Store
	now   func() time.Time
}

// New makes a Workshop on a store; now tells the time.
func New(s *store.Store, now func() time.Time) *Workshop {
	return &Workshop{store: s, now: now}
}

// Act says who does something to which site, under which request id.
type Act struct {
	Site      string
	RequestID uuid.UUID
	Method    string
	Content   [32]byte // SHA-256 of what is asked, so that an id is not used twice
	Caller    access.Caller
	// DryRun answers as the act would, and writes nothing.
	DryRun bool
}

func (w *Workshop) request(a Act) store.Request {
	return store.Request{
		Site: a.Site, ID: a.RequestID, Method: a.Method, Content: a.Content,
		Actor: a.Caller.User, Token: a.Caller.Token, Now: w.now().UTC().Truncate(time.Microsecond),
		DryRun: a.DryRun,
	}
}

// Page is a piece of a list, in the order of its ids.
type Page = store.Page

// Ref names a resource of a site.
type Ref = store.Ref

// Limits of what may be asked at once.
const (
	maxProcedures = 20
	maxResources  = 100
	maxRange      = 366 * 24 * time.Hour
	maxText       = 500
	// Far enough for any plan, near enough that arithmetic on minutes and the
	// database's dates stays sound.
	minYear, maxYear = 2000, 2200
)

// Now tells the time that the workshop goes by.
func (w *Workshop) Now() time.Time { return w.now().UTC() }

// Ready is nil if the database answers.
func (w *Workshop) Ready(ctx context.Context) error { return w.store.Ping(ctx) }

// read runs fn on an unchanging picture of a site and gives what it finds.
func read[T any](ctx context.Context, w *Workshop, slug string, fn func(context.Context, store.Reader) (T, error)) (T, error) {
	var out T
	err := w.view(ctx, slug, func(ctx context.Context, r store.Reader) error {
		var err error
		out, err = fn(ctx, r)
		return err
	})
	return out, err
}

// view runs fn on an unchanging picture of a site, which must be the caller's
// own. All that is read of a site is read through it.
func (w *Workshop) view(ctx context.Context, slug string, fn func(context.Context, store.Reader) error) error {
	if err := access.AtSite(access.From(ctx), slug); err != nil {
		return err
	}
	return w.store.View(ctx, slug, fn)
}

// material reads what a question of a site is answered from.
func (w *Workshop) material(ctx context.Context, slug string, q store.Question) (store.Material, error) {
	if err := access.AtSite(access.From(ctx), slug); err != nil {
		return store.Material{}, err
	}
	return w.store.Gather(ctx, slug, q, w.Now())
}

// checkTime notes what is wrong with an instant that must be a whole minute.
func checkTime(fs *fault.Fields, path string, t time.Time) {
	switch {
	case t.IsZero():
		fs.Add(path, "is missing")
	case t.Year() < minYear || t.Year() > maxYear:
		fs.Add(path, "lies in the year %d: give one between %d and %d", t.Year(), minYear, maxYear)
	case t.Truncate(time.Minute) != t:
		fs.Add(path, "must be a whole minute")
	}
}

// checkRange notes what is wrong with a range of whole minutes.
func checkRange(fs *fault.Fields, path string, start, end time.Time) {
	before := len(*fs)
	checkTime(fs, path+".start", start)
	checkTime(fs, path+".end", end)
	switch {
	case len(*fs) > before:
	case !end.After(start):
		fs.Add(path, "must end after it starts")
	case end.Sub(start) > maxRange:
		fs.Add(path, "must not be longer than a year")
	}
}

// checkText notes what is wrong with a text for people.
func checkText(fs *fault.Fields, path, text string, required bool) {
	switch {
	case required && text == "":
		fs.Add(path, "is missing")
	case len(text) > maxText:
		fs.Add(path, "must not be longer than %d bytes", maxText)
	}
	for _, r := range text {
		if r == 0 || r == '\uFFFD' {
			fs.Add(path, "must be text in UTF-8 without NUL")
			return
		}
	}
}

// checkLine is checkText for a text that stands on one line.
func checkLine(fs *fault.Fields, path, text string, required bool) {
	checkText(fs, path, text, required)
	if strings.ContainsFunc(text, unicode.IsControl) || strings.TrimSpace(text) != text {
		fs.Add(path, "must stand on one line, and not begin or end with a space")
	}
}

// checkNote is checkText for a text that may have several lines.
func checkNote(fs *fault.Fields, path, text string) {
	checkText(fs, path, text, false)
	if strings.TrimSpace(text) != text {
		fs.Add(path, "must not begin or end with a space")
	}
	if strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }) {
		fs.Add(path, "has control characters: take them out")
	}
}

// checkStanding notes what is wrong with the standing that bookings shall have.
func checkStanding(fs *fault.Fields, state site.BookingState, expires, now time.Time) {
	switch state {
	case site.Tentative:
		if !expires.After(now) {
			fs.Add("expire_time", "must lie ahead for a TENTATIVE booking")
		} else if expires.Sub(now) > maxRange {
			fs.Add("expire_time", "must lie within a year")
		}
	case site.Confirmed:
		if !expires.IsZero() {
			fs.Add("expire_time", "goes with TENTATIVE only: leave it out")
		}
	default:
		fs.Add("state", "must be TENTATIVE or CONFIRMED")
	}
}
