package e2e

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"bayhold/internal/pgtest"
)

// chromium finds the browser. Where there is none the test cannot run: in CI
// that is a failure, elsewhere it is said how to get one.
func chromium(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome-stable", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	const how = "there is no Chromium on this machine, and the board is looked at by nobody: on Debian, apt-get install chromium; .ci/run tools does it"
	if os.Getenv("CI") != "" {
		t.Fatal(how)
	}
	t.Skip(how)
	return ""
}

// watcher is a browser that looks at one page, and what it noticed.
type watcher struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	requests []string
	said     []string // errors on the console
}

// look opens a browser.
func look(t *testing.T, path string) *watcher {
	t.Helper()
	ctx, end := chromedp.NewExecAllocator(t.Context(), append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox)...) // as root, and it opens nothing but our own page
	t.Cleanup(end)
	ctx, endTab := chromedp.NewContext(ctx)
	t.Cleanup(endTab)
	ctx, stop := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(stop)
	w := &watcher{t: t, ctx: ctx}
	if err := chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*network.EventRequestWillBeSent); ok {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.requests = append(w.requests, e.Request.URL)
		}
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	console := chromedp.Console(ctx)
	go func() {
		for m, err := range console {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleException || m.Type == chromedp.ConsoleWarning {
				w.mu.Lock()
				w.said = append(w.said, fmt.Sprintf("%s: %s", m.Type, m.Text))
				w.mu.Unlock()
			}
		}
	}()
	return w
}

func (w *watcher) do(steps ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	if err := chromedp.Do(w.ctx, steps...); err != nil {
		w.t.Fatal(err)
	}
}

// until waits until an expression holds, and fails if it does not in time.
func (w *watcher) until(within time.Duration, expression string) {
	w.t.Helper()
	if _, err := chromedp.Run(w.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(within), chromedp.WithPollingInterval(20*time.Millisecond))); err != nil {
		state, _ := chromedp.Run(w.ctx, chromedp.Evaluate[string]("document.getElementById('state').textContent"))
		w.t.Fatalf("not within %v: %s: %v; the page says %q", within, expression, err, state)
	}
}

func ask[T any](w *watcher, expression string) T {
	w.t.Helper()
	out, err := chromedp.Run(w.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		w.t.Fatalf("%s: %v", expression, err)
	}
	return out
}

func (w *watcher) emulate(feature, value string) {
	w.t.Helper()
	_, err := chromedp.Call(w.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: feature, Value: value}},
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

// quiet fails if the page had something to complain about.
func (w *watcher) quiet() {
	w.t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, s := range w.said {
		w.t.Errorf("on the console: %s", s)
	}
}

const isLive = "document.getElementById('state').textContent === 'Live' && !document.body.classList.contains('behind')"

// shows holds once a job stands in the picture and in the table.
func shows(reference string) string {
	return fmt.Sprintf(`[...document.querySelectorAll('.wide a')].some(a => a.getAttribute('aria-label').startsWith(%q)) &&
		[...document.querySelectorAll('#words tbody tr')].some(r => r.textContent.includes(%q))`, reference, reference)
}

// TestBoardInABrowser looks at the board as people do: it loads, a booking made
// through gRPC appears by itself, and a server that is killed and comes back is
// told as such.
func TestBoardInABrowser(t *testing.T) {
	t.Parallel()
	path := chromium(t)
	db := pgtest.New(t)
	s := serve(t, db, "127.0.0.1:0", "--board", "127.0.0.1:0")
	s.enrol(t, db, "quillgate")
	s.client(t, append([]string{"import"}, demoFiles(t)...)...).want(t, 0)
	day, _, _ := strings.Cut(tuesday(t), " ")

	w := look(t, path)
	w.do(chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(s.wall+"/here/quillgate/?week="+day))
	w.until(10*time.Second, isLive)
	w.until(time.Second, shows("W-2110"))
	w.lookAround(t)
	w.quiet()

	ask[int](w, "window.sinceLoad = 1")
	at := day + " 12:00"
	began := time.Now()
	s.client(t, "bay", "reserve", "bay-5", "--reference", "W-LIVE", "--from", at, "--until", day+" 18:00").want(t, 0)
	told := time.Now()
	w.until(2*time.Second, shows("W-LIVE"))
	t.Logf("a booking stood on the board %v after the command began, %v after it ended", time.Since(began).Round(time.Millisecond), time.Since(told).Round(time.Millisecond))
	w.quiet()

	s.kill(t)
	w.until(5*time.Second, "document.body.classList.contains('behind') && document.getElementById('state').textContent.startsWith('Behind: not connected since ')")
	again := serve(t, db, s.addr, "--board", strings.TrimPrefix(s.wall, "http://"))
	again.token = s.token
	w.until(10*time.Second, isLive)
	again.client(t, "bay", "reserve", "bay-5", "--reference", "W-AFTER", "--from", day+" 08:00", "--until", day+" 10:00").want(t, 0)
	w.until(2*time.Second, shows("W-AFTER"))
	w.until(time.Second, shows("W-LIVE"))
	if ask[int](w, "window.sinceLoad || 0") != 1 {
		t.Error("the page was loaded again")
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range w.requests {
		if u, err := url.Parse(r); err != nil || s.wall != u.Scheme+"://"+u.Host {
			t.Errorf("a request left the host: %s", r)
		}
	}
	if len(w.requests) < 5 {
		t.Errorf("requests: %v", w.requests)
	}
	keepPictures(t, w)
}

// lookAround holds what must be so on any screen, in light and dark.
func (w *watcher) lookAround(t *testing.T) {
	t.Helper()
	for _, width := range []int64{1920, 1280, 390} {
		w.do(chromedp.EmulateViewport(width, 1000))
		for _, scheme := range []string{"light", "dark"} {
			w.emulate("prefers-color-scheme", scheme)
			for name, check := range map[string]string{
				"wider than the screen": `document.documentElement.scrollWidth > innerWidth ? [String(document.documentElement.scrollWidth)] : []`,
				"picture and table":     matches,
				"text over its bar":     overflows,
				"contrast":              contrasts,
			} {
				if found := ask[[]string](w, check); len(found) > 0 {
					t.Errorf("%d pixels, %s, %s: %s", width, scheme, name, strings.Join(found, "; "))
				}
			}
		}
	}
	w.emulate("prefers-reduced-motion", "reduce")
	if ask[string](w, `(() => { const b = document.getElementById('board'); b.classList.add('fresh'); return getComputedStyle(b).animationName })()`) != "none" {
		t.Error("something moves for those who want nothing to move")
	}
	w.do(chromedp.EmulateViewport(1920, 1080), chromedp.KeyEvent(kb.Tab))
	if !ask[bool](w, `document.activeElement.matches('a.skip') && document.activeElement.getBoundingClientRect().left >= 0`) {
		t.Error("the first stop of the keyboard is not the way past the picture")
	}
	w.do(chromedp.KeyEvent(kb.Enter))
	w.until(time.Second, `document.activeElement.id === 'words'`)
	ask[bool](w, `document.querySelector('.wide a').focus() || true`)
	w.do(chromedp.KeyEvent(kb.Enter))
	w.until(time.Second, `document.querySelector('tr:target') !== null`)
	for _, role := range []string{"header", "main", "aside", "footer", "nav", "h1"} {
		if ask[int](w, fmt.Sprintf("document.querySelectorAll(%q).length", role)) != 1 {
			t.Errorf("the page has not one %s", role)
		}
	}
}

// matches lists bars without a row, rows without a bar, and rows that tell
// another job than their bar. On a narrow screen the picture shows two days only.
const matches = `(() => {
	const out = [], wide = getComputedStyle(document.querySelector('.wide')).display !== 'none';
	const bars = new Map([...document.querySelectorAll((wide ? '.wide' : '.near') + ' a[data-says]')].map(a => [a.dataset.says, a.getAttribute('aria-label')]));
	for (const [id, says] of bars) {
		const row = document.getElementById(id);
		if (!row || row.getClientRects().length === 0) { out.push('no row for ' + says); continue; }
		const job = says.match(/[WR]-[A-Z0-9]+/)[0];
		if (!row.textContent.includes(job)) out.push(says + ' is told as ' + row.textContent);
	}
	if (wide) for (const row of document.querySelectorAll('#words tr[id^=stay-]')) if (!bars.has(row.id)) out.push('no bar for ' + row.textContent);
	if (bars.size === 0) out.push('no bars');
	return out;
})()`

// overflows lists words on bars that reach out of them.
const overflows = `[...document.querySelectorAll('.picture a')].filter(a => a.getClientRects().length).flatMap(a => {
	const bar = a.querySelector('rect.bar').getBoundingClientRect();
	return [...a.querySelectorAll('text')].filter(x => /\bon-/.test(x.getAttribute('class')))
		.filter(x => x.getBoundingClientRect().right > bar.right + 1).map(x => x.textContent + ' by ' + (x.getBoundingClientRect().right - bar.right).toFixed(1) + ' of ' + bar.width.toFixed(1) + ' at ' + x.getAttribute('font-size'));
})`

// contrasts computes the contrast of all text of the page (WCAG 2.2, 1.4.3)
// against the ground that it stands on, as the browser sees it.
const contrasts = `(() => {
	const rgb = (s) => s.match(/[\d.]+/g).map(Number);
	const lum = (c) => { const [r, g, b] = c.slice(0, 3).map(v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
	const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
	const out = new Set();
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; (n = walk.nextNode());) {
		const e = n.parentElement;
		if (!n.textContent.trim() || !e.getClientRects().length || e.closest('title,desc,noscript,script')) continue;
		let fore = rgb(getComputedStyle(e).color), back = ground(e);
		if (e.closest('svg')) {
			fore = rgb(getComputedStyle(e).fill);
			const bar = e.closest('a') && /\bon-/.test(e.getAttribute('class')) && e.closest('a').querySelector('rect.bar');
			if (bar) back = rgb(getComputedStyle(bar).fill); else if (/\bon-/.test(e.getAttribute('class'))) continue; // plates: by the table of pairs
		}
		const [a, b] = [lum(fore), lum(back)], ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
		if (ratio < 4.5) out.add(n.textContent.trim().slice(0, 30) + ' ' + ratio.toFixed(2));
	}
	return [...out];
})()`

// keepPictures writes what the board looks like, for people: into the directory
// of BAYHOLD_SCREENSHOTS, if it is set.
func keepPictures(t *testing.T, w *watcher) {
	t.Helper()
	dir := os.Getenv("BAYHOLD_SCREENSHOTS")
	if dir == "" {
		return
	}
	for _, width := range []int64{1920, 1280, 390} {
		for _, scheme := range []string{"light", "dark"} {
			w.emulate("prefers-color-scheme", scheme)
			w.do(chromedp.EmulateViewport(width, 1080))
			shot, err := chromedp.Run(w.ctx, chromedp.CaptureScreenshot())
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("board-%d-%s.png", width, scheme)), shot, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}
