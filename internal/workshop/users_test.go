package workshop

import (
	"context"
	"encoding/json"
	"strings"
	"sync"
	"testing"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// by gives an act of somebody of the small workshop.
func by(user string, roles ...site.Role) Act {
	a := act("test")
	a.Caller = access.Caller{Site: "quay", User: user, Token: "desk", Roles: roles}
	return a
}

func enrol(t *testing.T, w *Workshop, u site.User) string {
	t.Helper()
	made, err := w.Enrol(t.Context(), by("machine"), Enrolment{User: u, Token: "first"})
	if err != nil {
		t.Fatal(err)
	}
	return made.Made.Secret
}

func TestUsersAreSound(t *testing.T) {
	t.Parallel()
	w := small(t)
	enrol(t, w, site.User{ID: "ada", Roles: []site.Role{access.Technician}, Technician: "ada", Subject: "CN=ada,O=quay"})
	for name, c := range map[string]struct {
		user   site.User
		kind   fault.Kind
		reason string
	}{
		"a name that is no slug":               {site.User{ID: "Ada L", Roles: access.Roles}, fault.Invalid, "USER"},
		"a name with an end that is none":      {site.User{ID: "ada-", Roles: access.Roles}, fault.Invalid, "USER"},
		"no roles":                             {site.User{ID: "x"}, fault.Invalid, "USER"},
		"a role that there is not":             {site.User{ID: "x", Roles: []site.Role{"OWNER", access.Manager}}, fault.Invalid, "USER"},
		"a technician whom nobody knows":       {site.User{ID: "x", Roles: []site.Role{access.Technician}}, fault.Invalid, "USER"},
		"a technician whom the site has not":   {site.User{ID: "x", Roles: access.Roles, Technician: "zoe"}, fault.NotFound, "NOT_FOUND"},
		"a technician who is another":          {site.User{ID: "x", Roles: access.Roles, Technician: "ada"}, fault.Exists, "TECHNICIAN_TAKEN"},
		"a certificate that is another's":      {site.User{ID: "x", Roles: access.Roles, Subject: "CN=ada,O=quay"}, fault.Exists, "CERTIFICATE_TAKEN"},
		"a name that is taken":                 {site.User{ID: "ada", Roles: access.Roles}, fault.Exists, "USER"},
		"a display name that is much too long": {site.User{ID: "x", Name: strings.Repeat("x", 501), Roles: access.Roles}, fault.Invalid, "USER"},
		"a certificate subject with a NUL":     {site.User{ID: "x", Roles: access.Roles, Subject: "CN=\x00"}, fault.Invalid, "USER"},
	} {
		_, err := w.AddUser(t.Context(), by("anna", access.Administrator), c.user)
		if f := fault.Fault(err); f == nil || f.Kind != c.kind || f.Reason != c.reason {
			t.Errorf("%s: %v, want %v %s", name, err, c.kind, c.reason)
		}
	}
	u, err := w.AddUser(t.Context(), by("anna", access.Administrator), site.User{ID: "mo", Roles: []site.Role{access.Technician, access.Manager, access.Technician}})
	if err != nil || len(u.Roles) != 2 || u.Roles[0] != access.Manager || u.Name != "mo" {
		t.Errorf("roles in order and each once: %+v, %v", u, err)
	}
	list, err := w.Users(t.Context(), "quay", Page{})
	if err != nil || len(list) != 2 || list[0].ID != "ada" || list[0].Technician != "ada" || list[0].Subject != "CN=ada,O=quay" {
		t.Errorf("users %+v: %v", list, err)
	}
}

func TestTheLastAdministratorStays(t *testing.T) {
	t.Parallel()
	w := small(t)
	enrol(t, w, site.User{ID: "anna", Roles: []site.Role{access.Administrator}})
	enrol(t, w, site.User{ID: "bert", Roles: []site.Role{access.Administrator, access.Manager}})
	enrol(t, w, site.User{ID: "mia", Roles: []site.Role{access.Manager}})
	demote := func(u *site.User) { u.Roles = []site.Role{access.Manager} }
	disable := func(u *site.User) { u.Disable(true, monday) }

	// Two at the same time: each alone is allowed, both together are not. The
	// second begins while the first has judged and not yet written; without the
	// lock it would get as far as to judge, too.
	var wg sync.WaitGroup
	var once sync.Once
	errs := make([]error, 2)
	judged := make(chan struct{}, 8) // an edit may run several times
	_, errs[0] = w.EditUser(t.Context(), by("bert", access.Administrator), "anna", func(u *site.User) {
		disable(u)
		once.Do(func() {
			wg.Go(func() {
				_, errs[1] = w.EditUser(t.Context(), by("anna", access.Administrator), "bert", func(u *site.User) {
					demote(u)
					judged <- struct{}{}
				})
			})
			select {
			case <-judged:
			case <-time.After(300 * time.Millisecond): // it waits, as it should
			}
		})
	})
	wg.Wait()
	if (errs[0] == nil) == (errs[1] == nil) {
		t.Fatalf("one must win: %v, %v", errs[0], errs[1])
	}
	last := "bert"
	if errs[1] == nil {
		last = "anna"
	}
	for name, edit := range map[string]func(*site.User){"demoted": demote, "disabled": disable} {
		_, err := w.EditUser(t.Context(), by(last, access.Administrator), last, edit)
		f := fault.Fault(err)
		if f == nil || f.Reason != "LAST_ADMINISTRATOR" {
			t.Errorf("%s is %s: %v", last, name, err)
		}
	}
	if _, err := w.EditUser(t.Context(), by(last, access.Administrator), "mia", disable); err != nil {
		t.Errorf("anybody else: %v", err)
	}
	_, err := w.EditUser(t.Context(), by(last, access.Administrator), "nobody", disable)
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
}

func TestTokens(t *testing.T) {
	t.Parallel()
	w := small(t)
	enrol(t, w, site.User{ID: "anna", Roles: []site.Role{access.Administrator}})
	enrol(t, w, site.User{ID: "mia", Roles: []site.Role{access.Manager}})
	mia, anna := by("mia", access.Manager), by("anna", access.Administrator)

	made, err := w.MakeToken(t.Context(), mia, site.Token{User: "mia", Name: "counter-pc"})
	if err != nil || made.Secret == "" || made.Token.Expires.Sub(monday) != usualLife {
		t.Fatalf("made %+v: %v", made.Token, err)
	}
	again, err := w.MakeToken(t.Context(), mia, site.Token{User: "mia", Name: "counter-pc"})
	if err != nil || again.Secret != "" || again.Token != made.Token {
		t.Errorf("the repeat: %+v, %v", again, err)
	}
	for name, c := range map[string]struct {
		act    Act
		token  site.Token
		kind   fault.Kind
		reason string
	}{
		"a name that was used":   {by("mia", access.Manager), site.Token{User: "mia", Name: "counter-pc"}, fault.Exists, "TOKEN"},
		"a name for another use": {by("mia", access.Manager), site.Token{User: "mia", Name: "certificate"}, fault.Invalid, "TOKEN"},
		"no name":                {by("mia", access.Manager), site.Token{User: "mia"}, fault.Invalid, "TOKEN"},
		"an end in the past":     {by("mia", access.Manager), site.Token{User: "mia", Name: "x", Expires: monday}, fault.Invalid, "TOKEN"},
		"no end to speak of":     {by("mia", access.Manager), site.Token{User: "mia", Name: "x", Expires: monday.AddDate(2, 0, 0)}, fault.Invalid, "TOKEN"},
		"another's":              {by("mia", access.Manager), site.Token{User: "anna", Name: "x"}, fault.Forbidden, "OTHER_USER"},
		"nobody's":               {anna, site.Token{User: "zoe", Name: "x"}, fault.NotFound, "NOT_FOUND"},
	} {
		_, err := w.MakeToken(t.Context(), c.act, c.token)
		if f := fault.Fault(err); f == nil || f.Kind != c.kind || f.Reason != c.reason {
			t.Errorf("%s: %v, want %v %s", name, err, c.kind, c.reason)
		}
	}
	_, err = w.RevokeToken(t.Context(), by("mia", access.Manager), "anna", "first")
	wantKind(t, err, fault.Forbidden, "OTHER_USER")
	_, err = w.Tokens(access.With(t.Context(), mia.Caller), "quay", "anna", Page{})
	wantKind(t, err, fault.Forbidden, "OTHER_USER")
	gone, err := w.RevokeToken(t.Context(), by("anna", access.Administrator), "mia", "counter-pc")
	if err != nil || !gone.Revoked.Equal(monday) {
		t.Errorf("revoked %+v: %v", gone, err)
	}
	w.now = func() time.Time { return monday.Add(time.Hour) }
	gone, err = w.RevokeToken(t.Context(), by("mia", access.Manager), "mia", "counter-pc")
	if err != nil || !gone.Revoked.Equal(monday) {
		t.Errorf("revoked twice: %+v, %v", gone, err)
	}
	list, err := w.Tokens(access.With(t.Context(), mia.Caller), "quay", "mia", Page{})
	if err != nil || len(list) != 2 || list[0].Name != "counter-pc" || list[1].Name != "first" {
		t.Errorf("tokens %+v: %v", list, err)
	}
}

func TestADisabledUserGetsNoToken(t *testing.T) {
	t.Parallel()
	w := small(t)
	enrol(t, w, site.User{ID: "mia", Roles: []site.Role{access.Manager}})
	if _, err := w.EditUser(t.Context(), by("machine"), "mia", func(u *site.User) { u.Disable(true, monday) }); err != nil {
		t.Fatal(err)
	}
	_, err := w.MakeToken(t.Context(), by("anna", access.Administrator), site.Token{User: "mia", Name: "x"})
	wantKind(t, err, fault.Precondition, "USER_DISABLED")
}

// TestAFewTokensAreEnough counts those that are good, and not those of the past.
func TestAFewTokensAreEnough(t *testing.T) {
	t.Parallel()
	w := small(t)
	enrol(t, w, site.User{ID: "mia", Roles: []site.Role{access.Manager}})
	name := func(n int) string { return "t" + strings.Repeat("x", n) }
	for n := range mostTokens - 1 {
		if _, err := w.MakeToken(t.Context(), by("mia"), site.Token{User: "mia", Name: name(n)}); err != nil {
			t.Fatal(err)
		}
	}
	_, err := w.MakeToken(t.Context(), by("mia"), site.Token{User: "mia", Name: "more"})
	wantKind(t, err, fault.Precondition, "TOKENS")
	if _, err := w.RevokeToken(t.Context(), by("mia"), "mia", name(3)); err != nil {
		t.Fatal(err)
	}
	if _, err := w.MakeToken(t.Context(), by("mia"), site.Token{User: "mia", Name: "more"}); err != nil {
		t.Errorf("after one was revoked: %v", err)
	}
}

// TestAccessLeavesATrailWithoutSecrets looks at everything that was written.
func TestAccessLeavesATrailWithoutSecrets(t *testing.T) {
	t.Parallel()
	w := small(t)
	before := revision(t, w)
	secret := enrol(t, w, site.User{ID: "anna", Roles: []site.Role{access.Administrator}})
	u := site.User{ID: "mia", Roles: []site.Role{access.Manager}}
	if _, err := w.AddUser(t.Context(), by("anna", access.Administrator), u); err != nil {
		t.Fatal(err)
	}
	made, err := w.MakeToken(t.Context(), by("anna", access.Administrator), site.Token{User: "mia", Name: "desk"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.RevokeToken(t.Context(), by("anna", access.Administrator), "mia", "desk"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.EditUser(t.Context(), by("anna", access.Administrator), "mia", func(u *site.User) { u.Name = "Mia" }); err != nil {
		t.Fatal(err)
	}
	events, err := read(t.Context(), w, "quay", func(ctx context.Context, r store.Reader) ([]store.LoggedEvent, error) {
		return r.Events(ctx, store.EventFilter{After: before, Limit: 100})
	})
	if err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for _, e := range events {
		kinds = append(kinds, e.Kind+" "+e.Subject)
	}
	want := "user.added users/anna, token.made users/anna, user.added users/mia, token.made users/mia, token.revoked users/mia, user.changed users/mia"
	if got := strings.Join(kinds, ", "); got != want {
		t.Errorf("the log has %s\nwant %s", got, want)
	}
	raw, err := json.Marshal(events)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{secret, made.Secret} {
		if strings.Contains(string(raw), s[len("bayhold.quay."):]) {
			t.Error("the log holds a token")
		}
	}
}

func revision(t *testing.T, w *Workshop) int64 {
	t.Helper()
	s, err := w.Site(t.Context(), "quay")
	if err != nil {
		t.Fatal(err)
	}
	return s.Revision
}

// TestNothingOfAnotherSiteIsRead asks below the door, where a method that forgot
// about sites would come out.
func TestNothingOfAnotherSiteIsRead(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx := access.With(t.Context(), access.Caller{Site: "moor", User: "eve", Roles: access.Roles})
	_, err := w.Bays(ctx, "quay", Page{})
	wantKind(t, err, fault.Forbidden, "OTHER_SITE")
	_, err = w.Check(ctx, "quay", CheckQuestion{Procedures: []string{"chain"}, Start: local(12, 8, 0)})
	wantKind(t, err, fault.Forbidden, "OTHER_SITE")
}
