package main

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"bayhold/internal/access"
	"bayhold/internal/board"
	"bayhold/internal/fault"
	"bayhold/internal/feed"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/workshop"
)

// TestBoardLinksOpenWhatTheyAreFor types "server board link" in its ways and reads
// what the addresses lead to.
func TestBoardLinksOpenWhatTheyAreFor(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s, err := store.Open(t.Context(), db.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	shop := workshop.New(s, time.Now)
	act := workshop.Act{Site: "quay", RequestID: uuid.New(), Method: "test", Caller: access.Caller{User: "test"}}
	if _, err := shop.Enrol(t.Context(), act, workshop.Enrolment{
		User: site.User{ID: "anna", Roles: access.Roles}, Token: "first", Site: site.Site{ID: "quay", Name: "Quay", TimeZone: "Europe/Lisbon"},
	}); err != nil {
		t.Fatal(err)
	}
	act.RequestID = uuid.New()
	if _, err := shop.Import(t.Context(), act, workshop.Intake{Files: []workshop.File{{Name: "a.yaml", Content: []byte("bays: [{id: bay-1, name: Bay 1}]")}}}); err != nil {
		t.Fatal(err)
	}
	wall := httptest.NewServer(board.NewSite(shop, feed.New(s, slog.New(slog.DiscardHandler)), slog.New(slog.DiscardHandler)).Handler())
	t.Cleanup(wall.Close)

	typed := func(args ...string) (string, error) {
		cmd := boardCommand()
		cmd.SilenceUsage, cmd.SilenceErrors = true, true
		var out bytes.Buffer
		cmd.SetOut(&out)
		cmd.SetContext(t.Context())
		cmd.SetArgs(append([]string{"link", "--database", db.URL}, args...))
		err := cmd.Execute()
		return out.String(), err
	}
	read := func(address string) (int, string) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		if err = errors.Join(err, resp.Body.Close()); err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	address := regexp.MustCompile(regexp.QuoteMeta(wall.URL) + `/\S+`)
	for name, x := range map[string]struct {
		args  []string
		shows string
	}{
		"the board":     {[]string{"--title", "hall"}, "<html"},
		"a calendar":    {[]string{"--title", "Ben's telephone", "--bay", "bay-1"}, "BEGIN:VCALENDAR"},
		"a slash more":  {[]string{"--base", wall.URL + "/"}, "<html"},
		"the usual one": {nil, "<html"},
	} {
		out, err := typed(append([]string{"--site", "quay", "--base", wall.URL}, x.args...)...)
		found := address.FindString(out)
		if err != nil || found == "" || !strings.Contains(out, "shown this once") {
			t.Errorf("%s: %q, %v", name, out, err)
			continue
		}
		if code, body := read(found); code != http.StatusOK || !strings.Contains(body, x.shows) {
			t.Errorf("%s: %d at %s: %.200s", name, code, found, body)
		}
		if code, _ := read(found[:len(found)-6]); code == http.StatusOK {
			t.Errorf("%s opens by part of its secret", name)
		}
	}
	for reason, args := range map[string][]string{
		"SITE":      {"--title", "hall"},
		"LINK":      {"--site", "quay", "--bay", "bay-1", "--tool", "LK-1"},
		"NOT_FOUND": {"--site", "quay", "--bay", "bay-9"},
	} {
		if out, err := typed(args...); fault.Fault(err) == nil || fault.Fault(err).Reason != reason {
			t.Errorf("%v: %q, %v", args, out, err)
		}
	}
	if out, err := typed("--site", "moor"); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a site that there is not: %q, %v", out, err)
	}
	links, err := shop.Links(t.Context(), "quay")
	if err != nil || len(links) != 4 {
		t.Errorf("%d links: %v", len(links), err)
	}
}
