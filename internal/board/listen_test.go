package board

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"bayhold/internal/access"
	"bayhold/internal/feed"
	"bayhold/internal/hours"
	"bayhold/internal/pgtest"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/workshop"
)

// hall is a site served over HTTP.
type hall struct {
	shop *workshop.Workshop
	site *Site
	url  string
}

func act(method string) workshop.Act {
	return workshop.Act{Site: "quay", RequestID: uuid.New(), Method: method, Caller: access.Caller{User: "test"}}
}

// open serves the small workshop, on its Monday.
func open(t *testing.T) hall {
	t.Helper()
	s, err := store.Open(t.Context(), pgtest.New(t).URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	shop := workshop.New(s, func() time.Time { return at(0, 9) })
	content, err := os.ReadFile("../workshop/testdata/small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := shop.Import(t.Context(), act("import"), workshop.Intake{Files: []workshop.File{{Name: "small.yaml", Content: content}}}); err != nil {
		t.Fatal(err)
	}
	f := feed.New(s, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan struct{})
	go func() { f.Run(ctx); close(done) }()
	h := hall{shop: shop, site: NewSite(shop, f, slog.New(slog.DiscardHandler))}
	server := httptest.NewServer(h.site.Handler())
	h.url = server.URL
	t.Cleanup(func() { cancel(); <-done; server.CloseClientConnections(); server.Close() })
	return h
}

// get asks for a path; with as many header lines "Name: value" as are given.
func (h hall) get(t *testing.T, path string, header ...string) (int, string, http.Header) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, h.url+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range header {
		name, value, _ := strings.Cut(line, ": ")
		if name == "Host" {
			req.Host = value
		}
		req.Header.Set(name, value)
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body), resp.Header
}

func TestWhoSeesTheBoard(t *testing.T) {
	t.Parallel()
	h := open(t)
	hallLink, err := h.shop.MakeLink(t.Context(), act("link"), "hall", nil)
	if err != nil {
		t.Fatal(err)
	}
	ada, err := h.shop.MakeLink(t.Context(), act("link"), "telephone", &workshop.Ref{Kind: site.KindTechnician, ID: "ada"})
	if err != nil {
		t.Fatal(err)
	}
	secret := Path("quay", hallLink)
	for name, c := range map[string]struct {
		path   string
		header []string
		want   int
	}{
		"from this machine":                {"/here/quay/", nil, 200},
		"its part":                         {"/here/quay/fragment", nil, 200},
		"another week":                     {"/here/quay/?week=2031-06-01", nil, 200},
		"a week that is none":              {"/here/quay/?week=soon", nil, 400},
		"a site that is none":              {"/here/north/", nil, 404},
		"passed on by a proxy":             {"/here/quay/", []string{"X-Forwarded-For: 192.0.2.7"}, 404},
		"by a name that was led here":      {"/here/quay/", []string{"Host: evil.example"}, 404},
		"by localhost":                     {"/here/quay/", []string{"Host: localhost:7480"}, 200},
		"the first page":                   {"/", nil, 303},
		"the first page from elsewhere":    {"/", []string{"Forwarded: for=192.0.2.7"}, 404},
		"by its secret":                    {secret, nil, 200},
		"by its secret, through a proxy":   {secret + "fragment", []string{"X-Forwarded-For: 192.0.2.7", "Host: board.example"}, 200},
		"by a secret of another site":      {strings.Replace(secret, "quay", "north", 1), nil, 404},
		"by a guess":                       {"/board/quay/" + strings.Repeat("x", 43) + "/", nil, 404},
		"by a calendar's secret":           {"/board/quay/" + ada.Secret + "/", nil, 404},
		"a calendar by its secret":         {Path("quay", ada), nil, 200},
		"a calendar by the board's secret": {"/calendar/quay/" + hallLink.Secret + ".ics", nil, 404},
		"a calendar without its ending":    {"/calendar/quay/" + ada.Secret, nil, 404},
		"styles":                           {"/static/" + h.site.release + "/wall.css", nil, 200},
		"styles of another release":        {"/static/0/wall.css", nil, 404},
		"a file that is none":              {"/static/" + h.site.release + "/../wall.html", nil, 404},
		"anything else":                    {"/admin", nil, 404},
	} {
		status, body, header := h.get(t, c.path, c.header...)
		if status != c.want && (c.want != 404 || status != 307) { // ".." is led to a clean path
			t.Errorf("%s: %d, want %d\n%.200s", name, status, c.want, body)
		}
		if header.Get("Content-Security-Policy") != policy || header.Get("Referrer-Policy") != "no-referrer" || header.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: headers %v", name, header)
		}
		if c.want == 404 && strings.Contains(body, "Quay") {
			t.Errorf("%s: the refusal tells of the site", name)
		}
	}
	if _, err := h.shop.RevokeLink(t.Context(), act("revoke"), hallLink.ID); err != nil {
		t.Fatal(err)
	}
	if status, _, _ := h.get(t, secret); status != 404 {
		t.Errorf("once revoked: %d", status)
	}
}

func TestOnlyReadingIsAnswered(t *testing.T) {
	t.Parallel()
	h := open(t)
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodDelete} {
		req, err := http.NewRequestWithContext(t.Context(), method, h.url+"/here/quay/", strings.NewReader("x"))
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode < 400 {
			t.Errorf("%s: %d", method, resp.StatusCode)
		}
	}
}

// TestWhoHasTheCalendarIsToldSo: RFC 9110, 13.1.2.
func TestWhoHasTheCalendarIsToldSo(t *testing.T) {
	t.Parallel()
	h := open(t)
	link, err := h.shop.MakeLink(t.Context(), act("link"), "bay", &workshop.Ref{Kind: site.KindBay, ID: "bay-2"})
	if err != nil {
		t.Fatal(err)
	}
	path := Path("quay", link)
	status, body, header := h.get(t, path)
	tag := header.Get("ETag")
	if status != 200 || tag == "" || header.Get("Content-Type") != "text/calendar; charset=utf-8" || !strings.HasPrefix(body, "BEGIN:VCALENDAR\r\n") {
		t.Fatalf("%d, %v\n%.200s", status, header, body)
	}
	if status, body, _ := h.get(t, path, "If-None-Match: "+tag); status != 304 || body != "" {
		t.Errorf("who has it: %d, %q", status, body)
	}
	reserve(t, h, "bay-2", 3)
	if status, body, header := h.get(t, path, "If-None-Match: "+tag); status != 200 || header.Get("ETag") == tag || !strings.Contains(body, "SUMMARY:R-3") {
		t.Errorf("after a booking: %d\n%s", status, body)
	}
}

func reserve(t *testing.T, h hall, bay string, day int) {
	t.Helper()
	_, err := h.shop.Reserve(t.Context(), act("reserve"), workshop.Reservation{
		Reference: "R-3", Refs: []workshop.Ref{{Kind: site.KindBay, ID: bay}}, During: hours.Range{Start: at(day, 8), End: at(day, 12)}, State: site.Confirmed,
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestEventsTellTheRevision reads the stream as a browser does (HTML standard,
// 9.2.6: fields, and a blank line after each event).
func TestEventsTellTheRevision(t *testing.T) {
	t.Parallel()
	h := open(t)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, h.url+"/here/quay/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%d, %v", resp.StatusCode, resp.Header)
	}
	lines := bufio.NewScanner(resp.Body)
	next := func() string {
		t.Helper()
		var event []string
		for lines.Scan() {
			if lines.Text() == "" {
				return strings.Join(event, "|")
			}
			event = append(event, lines.Text())
		}
		t.Fatalf("the stream ended: %v", lines.Err())
		return ""
	}
	hello := next() // after the events of the import
	var revision int
	if _, err := fmt.Sscanf(hello, `retry: 1000|event: hello|data: {"revision":%d,`, &revision); err != nil || revision < 1 {
		t.Fatalf("%s: %v", hello, err)
	}
	if !strings.HasSuffix(hello, `,"release":"`+h.site.release+`"}`) {
		t.Errorf("%s, want the release %s", hello, h.site.release)
	}
	reserve(t, h, "bay-2", 3)
	revision++
	if got, want := next(), fmt.Sprintf("event: revision|data: %d", revision); got != want {
		t.Fatalf("%s, want %s", got, want)
	}
	_, body, header := h.get(t, "/here/quay/fragment")
	if header.Get("X-Revision") != strconv.Itoa(revision) || !strings.Contains(body, fmt.Sprintf(`data-revision="%d"`, revision)) || !strings.Contains(body, "R-3") || strings.Contains(body, "<html") {
		t.Errorf("the part to swap in: %v\n%.300s", header, body)
	}
}
