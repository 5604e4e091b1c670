package board

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync/atomic"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/feed"
	"bayhold/internal/workshop"
)

// Limits of the listener.
const (
	headerTime = 10 * time.Second
	answerTime = 30 * time.Second
	writeTime  = 15 * time.Second // of one word to a reader
	maxReaders = 256              // that follow the log at once
)

// Site serves boards and calendars over HTTP.
type Site struct {
	shop    *workshop.Workshop
	feed    *feed.Feed
	log     *slog.Logger
	release string // of styles and script
	files   map[string]file
	readers atomic.Int32
	life    context.Context
	end     context.CancelFunc
	http    *http.Server
}

// file is something that never changes within a release.
type file struct {
	kind    string
	content []byte
}

// NewSite makes a Site; it serves nothing until Serve.
func NewSite(shop *workshop.Workshop, f *feed.Feed, log *slog.Logger) *Site {
	s := &Site{shop: shop, feed: f, log: log, files: map[string]file{
		"wall.css": {"text/css; charset=utf-8", []byte(styles())},
		"wall.js":  {"text/javascript; charset=utf-8", []byte(asset("wall.js"))},
		"icon.svg": {"image/svg+xml", []byte(icon)},
	}}
	sum := sha256.New()
	for _, name := range []string{"wall.css", "wall.js", "icon.svg"} {
		sum.Write(s.files[name].content)
	}
	s.release = hex.EncodeToString(sum.Sum(nil)[:8])
	s.life, s.end = context.WithCancel(context.Background())
	s.http = &http.Server{
		Handler: s.Handler(), ReadHeaderTimeout: headerTime, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
		BaseContext: func(net.Listener) context.Context { return s.life },
		ErrorLog:    slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	return s
}

// icon is the sign in the browser's tab: three bars on an axis.
const icon = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" rx="5" fill="#14171b"/><path d="M6 9h13M11 16h15M6 23h9" stroke="#6cc0cc" stroke-width="4"/><path d="M21 4v24" stroke="#f3efe6" stroke-width="2"/></svg>`

// Serve answers on a listener until Close.
func (s *Site) Serve(lis net.Listener) error {
	if err := s.http.Serve(lis); err != http.ErrServerClosed {
		return err
	}
	return nil
}

// Close ends those who follow, lets answers that run be given, and stops.
func (s *Site) Close(ctx context.Context) error {
	s.end()
	return s.http.Shutdown(ctx)
}

// Handler answers the paths of boards and calendars.
func (s *Site) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.home)
	mux.HandleFunc("GET /static/{release}/{name}", s.static)
	for _, at := range []struct {
		path  string
		admit func(*http.Request) bool
	}{
		{"/here/{site}/", fromHere},
		{"/board/{site}/{token}/", s.boardKey},
	} {
		mux.HandleFunc("GET "+at.path+"{$}", s.guarded(at.admit, s.page))
		mux.HandleFunc("GET "+at.path+"fragment", s.guarded(at.admit, s.fragment))
		mux.HandleFunc("GET "+at.path+"events", s.guarded(at.admit, s.events))
	}
	mux.HandleFunc("GET /calendar/{site}/{file}", s.calendar)
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) { s.refuse(w, http.StatusNotFound) })
	return safely(mux)
}

// policy forbids everything but what the server itself serves.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// safely sets the headers that every answer has. The address of a page is a
// secret: no other site may learn it.
func safely(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		h.Set("X-Robots-Tag", "noindex")
		next.ServeHTTP(w, r)
	})
}

// fromHere tells whether a request comes from this machine and was meant for it:
// by its address, by the name it was called by (a page of another site may have
// led its own name here), and without having been passed on.
func fromHere(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(h) != "" {
			return false
		}
	}
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !from.Addr().Unmap().IsLoopback() {
		return false
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// boardKey tells whether the address holds the secret of a board.
func (s *Site) boardKey(r *http.Request) bool {
	link, err := s.shop.OpenLink(r.Context(), r.PathValue("site"), r.PathValue("token"))
	return err == nil && link.Calendar == nil
}

func (s *Site) guarded(admit func(*http.Request) bool, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !admit(r) {
			s.refuse(w, http.StatusNotFound)
			return
		}
		next(w, r)
	}
}

// refuse answers without telling what there is.
func (s *Site) refuse(w http.ResponseWriter, status int) {
	text := "There is nothing here. Ask your administrator for the address of the board; an address that was revoked is gone for good.\n"
	if status >= 500 {
		text = "The board cannot be drawn now: the workshop's database does not answer. Try again in a moment.\n"
	}
	http.Error(w, text, status)
}

// fail answers an error.
func (s *Site) fail(w http.ResponseWriter, r *http.Request, err error) {
	if fault.KindOf(err) == fault.NotFound {
		s.refuse(w, http.StatusNotFound)
		return
	}
	if r.Context().Err() == nil {
		s.log.ErrorContext(r.Context(), "board", "path", r.Pattern, "site", r.PathValue("site"), "error", err)
	}
	s.refuse(w, http.StatusServiceUnavailable)
}

// home leads somebody at this machine to the only board there is.
func (s *Site) home(w http.ResponseWriter, r *http.Request) {
	if !fromHere(r) {
		s.refuse(w, http.StatusNotFound)
		return
	}
	sites, err := s.shop.Sites(r.Context(), workshop.Page{Limit: 100})
	switch {
	case err != nil:
		s.fail(w, r, err)
	case len(sites) == 0:
		http.Error(w, "There is no workshop yet: make one by server user add with --time-zone, and import its file.", http.StatusNotFound)
	case len(sites) == 1:
		http.Redirect(w, r, "/here/"+sites[0].ID+"/", http.StatusSeeOther)
	default:
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		for _, site := range sites {
			_, _ = fmt.Fprintf(w, "/here/%s/\n", site.ID)
		}
	}
}

func (s *Site) static(w http.ResponseWriter, r *http.Request) {
	f, ok := s.files[r.PathValue("name")]
	if !ok || r.PathValue("release") != s.release {
		s.refuse(w, http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", f.kind)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	_, _ = w.Write(f.content)
}

func (s *Site) page(w http.ResponseWriter, r *http.Request) { s.draw(w, r, "wall.html") }

func (s *Site) fragment(w http.ResponseWriter, r *http.Request) { s.draw(w, r, "board") }

// draw answers a board as it stands now.
func (s *Site) draw(w http.ResponseWriter, r *http.Request, template string) {
	ctx, cancel := context.WithTimeout(r.Context(), answerTime)
	defer cancel()
	var day time.Time
	if week := r.URL.Query().Get("week"); week != "" {
		d, err := time.Parse(time.DateOnly, week)
		if err != nil {
			http.Error(w, "week must be a date such as 2026-11-30", http.StatusBadRequest)
			return
		}
		day = d.Add(12 * time.Hour)
	}
	b, err := s.shop.Board(ctx, r.PathValue("site"), day)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page, err := newWall(b)
	page.Live, page.Release = true, s.release
	page.Before, page.After = weekBeside(b, -7), weekBeside(b, 7)
	var out bytes.Buffer
	if err == nil {
		err = wallPage.ExecuteTemplate(&out, template, page)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("X-Revision", fmt.Sprint(b.Site.Revision))
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(answerTime))
	_, _ = w.Write(out.Bytes())
}

// weekBeside is a day of the week so many days away, as the page's address has it.
func weekBeside(b workshop.Board, days int) string {
	return b.During.Start.In(b.Zone).AddDate(0, 0, days).Format(time.DateOnly)
}
