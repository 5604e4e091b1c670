package access_test

import (
	"context"
	"crypto/x509/pkix"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/workshop"
)

var noon = time.Date(2031, 5, 14, 12, 0, 0, 0, time.UTC)

// hall is a door with a workshop behind it, and a clock.
type hall struct {
	*access.Door
	shop  *workshop.Workshop
	store *store.Store
	now   time.Time
}

func open(t *testing.T) *hall {
	t.Helper()
	s, err := store.Open(t.Context(), pgtest.New(t).URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	h := &hall{store: s, now: noon}
	clock := func() time.Time { return h.now }
	h.shop = workshop.New(s, clock)
	h.Door = access.NewDoor(s, clock, slog.New(slog.NewTextHandler(io.Discard, nil)))
	return h
}

func (h *hall) act() workshop.Act {
	return workshop.Act{Site: "quay", RequestID: uuid.New(), Method: "test", Caller: access.Caller{User: "machine"}}
}

func (h *hall) enrol(t *testing.T, u site.User) string {
	t.Helper()
	made, err := h.shop.Enrol(t.Context(), h.act(), workshop.Enrolment{
		User: u, Token: "first", Site: site.Site{ID: "quay", TimeZone: "UTC"}, Expires: noon.Add(time.Hour),
	})
	if err != nil {
		t.Fatal(err)
	}
	return made.Made.Secret
}

func wantReason(t *testing.T, what string, err error, reason string) {
	t.Helper()
	if f := fault.Fault(err); f == nil || f.Kind != fault.Unauthenticated || f.Reason != reason {
		t.Errorf("%s: %v, want %s", what, err, reason)
	}
}

func TestATokenTellsWhoCalls(t *testing.T) {
	t.Parallel()
	h := open(t)
	text := h.enrol(t, site.User{ID: "anna", Roles: []site.Role{access.Administrator}})
	c, err := h.Token(t.Context(), text)
	if err != nil || c.Site != "quay" || c.User != "anna" || c.Token != "first" || !c.Only(access.Administrator) {
		t.Errorf("it is %+v: %v", c, err)
	}
	h.enrol(t, site.User{ID: "bert", Roles: access.Roles})
	for name, other := range map[string]string{
		"another secret":   access.NewToken("quay"),
		"another site":     strings.Replace(text, "quay", "moor", 1),
		"cut short":        text[:len(text)-1],
		"gone on with":     text + "x",
		"only its hash":    string(func() []byte { h := access.HashToken(text); return h[:] }()),
		"nothing":          "",
		"much":             "bayhold.quay." + strings.Repeat("A", 1<<20),
		"another language": "bayhold.quay.'; DROP TABLE access_token; --",
	} {
		_, err := h.Token(t.Context(), other)
		wantReason(t, name, err, "TOKEN")
	}
	h.now = noon.Add(time.Hour)
	_, err = h.Token(t.Context(), text)
	wantReason(t, "at its end", err, "TOKEN_EXPIRED")
}

// TestWhatIsKnownIsFreshOnly has a user disabled, and their token taken in again
// only when it was read anew.
func TestWhatIsKnownIsFreshOnly(t *testing.T) {
	t.Parallel()
	h := open(t)
	text := h.enrol(t, site.User{ID: "anna", Roles: access.Roles})
	if _, err := h.Token(t.Context(), text); err != nil {
		t.Fatal(err)
	}
	turn := func(off bool) {
		t.Helper()
		h.enrolOnce(t)
		if _, err := h.shop.EditUser(t.Context(), h.act(), "anna", func(u *site.User) { u.Disable(off, h.now) }); err != nil {
			t.Fatal(err)
		}
	}
	turn(true)
	h.now = h.now.Add(access.Fresh - time.Nanosecond)
	if _, err := h.Token(t.Context(), text); err != nil {
		t.Errorf("a moment before: %v", err)
	}
	h.now = h.now.Add(time.Nanosecond)
	_, err := h.Token(t.Context(), text)
	wantReason(t, "after that", err, "USER_DISABLED")
	turn(false)
	h.now = h.now.Add(access.Fresh)
	if _, err := h.Token(t.Context(), text); err != nil {
		t.Errorf("enabled again: %v", err)
	}
}

// enrolOnce makes another administrator, so that the first may be disabled.
func (h *hall) enrolOnce(t *testing.T) {
	t.Helper()
	if _, err := h.shop.User(t.Context(), "quay", "other"); fault.KindOf(err) == fault.NotFound {
		h.enrol(t, site.User{ID: "other", Roles: access.Roles})
	}
}

func TestLastUseIsWrittenInTheEnd(t *testing.T) {
	t.Parallel()
	h := open(t)
	text := h.enrol(t, site.User{ID: "anna", Roles: access.Roles})
	used := func() time.Time {
		list, err := h.shop.Tokens(t.Context(), "quay", "anna", workshop.Page{})
		if err != nil || len(list) != 1 {
			t.Fatalf("%v, %v", list, err)
		}
		return list[0].LastUsed
	}
	if !used().IsZero() {
		t.Errorf("used before it was: %v", used())
	}
	for _, later := range []time.Duration{time.Minute, 20 * time.Minute} {
		h.now = noon.Add(later)
		if _, err := h.Token(t.Context(), text); err != nil {
			t.Fatal(err)
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		h.Run(ended)
		if !used().Equal(h.now) {
			t.Errorf("last used %v, want %v", used(), h.now)
		}
	}
}

func TestTheLastUseOfACertificateIsWrittenToo(t *testing.T) {
	t.Parallel()
	h := open(t)
	anna := pkix.Name{CommonName: "anna", Organization: []string{"quay"}}
	h.enrol(t, site.User{ID: "anna", Roles: access.Roles, Subject: anna.String()})
	used := func() time.Time {
		u, err := h.shop.User(t.Context(), "quay", "anna")
		if err != nil {
			t.Fatal(err)
		}
		return u.SubjectUsed
	}
	show := func() {
		if _, err := h.Certificate(t.Context(), anna); err != nil {
			t.Fatal(err)
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		h.Run(ended)
	}
	if !used().IsZero() {
		t.Errorf("shown before it was: %v", used())
	}
	for _, later := range []time.Duration{time.Minute, 20 * time.Minute} {
		h.now = noon.Add(later)
		if show(); !used().Equal(h.now) {
			t.Errorf("last shown %v, want %v", used(), h.now)
		}
	}
	// Another certificate has never been shown, whatever this one was.
	edited, err := h.shop.EditUser(t.Context(), h.act(), "anna", func(u *site.User) { u.Subject = "CN=ann,O=quay" })
	if err != nil || !edited.SubjectUsed.IsZero() || !used().IsZero() {
		t.Errorf("a new one: %v, %v, %v", edited, used(), err)
	}
}

func TestACertificateTellsWhoCalls(t *testing.T) {
	t.Parallel()
	h := open(t)
	anna := pkix.Name{CommonName: "anna", Organization: []string{"quay"}}
	h.enrol(t, site.User{ID: "anna", Roles: access.Roles, Subject: anna.String()})
	c, err := h.Certificate(t.Context(), anna)
	if err != nil || c.User != "anna" || c.Site != "quay" || c.Token != access.CertificateToken {
		t.Errorf("it is %+v: %v", c, err)
	}
	for name, other := range map[string]pkix.Name{
		"another name":        {CommonName: "bert", Organization: []string{"quay"}},
		"another site":        {CommonName: "anna", Organization: []string{"moor"}},
		"no site":             {CommonName: "anna"},
		"two sites":           {CommonName: "anna", Organization: []string{"quay", "moor"}},
		"a unit more":         {CommonName: "anna", Organization: []string{"quay"}, OrganizationalUnit: []string{"x"}},
		"nothing":             {},
		"the subject as name": {CommonName: "anna,O=quay", Organization: []string{"quay"}},
	} {
		_, err := h.Certificate(t.Context(), other)
		wantReason(t, name, err, "CERTIFICATE")
	}
}

func TestNoDatabaseNoEntry(t *testing.T) {
	t.Parallel()
	h := open(t)
	text := h.enrol(t, site.User{ID: "anna", Roles: access.Roles})
	h.store.Close()
	if _, err := h.Token(t.Context(), text); err == nil || fault.KindOf(err) == fault.Unauthenticated {
		t.Errorf("without a database: %v", err)
	}
}

func TestLogsShowNoToken(t *testing.T) {
	t.Parallel()
	text := access.NewToken("quay")
	if got := access.Hide("the header was Bearer " + text + "; and so on"); got != "the header was Bearer bayhold.quay.***; and so on" {
		t.Errorf("it reads %q", got)
	}
	if got := access.Hide("nothing to hide"); got != "nothing to hide" {
		t.Errorf("it reads %q", got)
	}
}
