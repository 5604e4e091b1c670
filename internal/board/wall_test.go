package board

import (
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/picture"
	"bayhold/internal/workshop"
)

var (
	colourLiteral = regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|\b(?:rgb|rgba|hsl|hsla|oklch|color-mix)\(`)
	declaration   = regexp.MustCompile(`(?m)(?:^|[;{\s])(color|fill|background|background-color|stroke|border-color|outline-color)\s*:\s*([^;}]+)`)
	variable      = regexp.MustCompile(`var\(--([a-z-]+)\)`)
)

// paletteOnly is nil if a style names colours by the palette's roles alone, and
// colours text only by roles that are among the pairs to be read.
func paletteOnly(css string) error {
	if bad := colourLiteral.FindString(css); bad != "" {
		return fmt.Errorf("%q is a colour beside the palette", bad)
	}
	roles, read := map[string]bool{}, map[string]bool{}
	for _, i := range picture.Palette() {
		roles[i.Role] = true
	}
	for _, p := range picture.Pairs() {
		if p.Text {
			read[p.Fore] = true
		}
	}
	for _, v := range variable.FindAllStringSubmatch(css, -1) {
		if !roles[v[1]] {
			return fmt.Errorf("the palette has no %q", v[1])
		}
	}
	for _, d := range declaration.FindAllStringSubmatch(css, -1) {
		value := strings.TrimSpace(d[2])
		v := variable.FindStringSubmatch(value)
		switch {
		case v == nil && value != "none" && value != "inherit":
			return fmt.Errorf("%s: %s is a colour beside the palette", d[1], value)
		case d[1] == "color" && v != nil && !read[v[1]] && !strings.HasSuffix(v[1], "-edge"):
			return fmt.Errorf("text in %q is among no pair", v[1])
		}
	}
	return nil
}

// TestStylesUseThePaletteAlone holds that no colour slips in beside those whose
// contrast is computed (internal/picture).
func TestStylesUseThePaletteAlone(t *testing.T) {
	t.Parallel()
	for name, css := range map[string]string{"picture.css": picture.Style(), "wall.css": asset("wall.css")} {
		if err := paletteOnly(css); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, css := range []string{"p{color:#fff}", "p{color:red}", "p{fill:rgb(1,2,3)}", "p{color:var(--nothing)}", "p{color:var(--spare)}"} {
		if paletteOnly(css) == nil {
			t.Errorf("%s passed", css)
		}
	}
}

func kept(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s: run with -update to accept (-want +got):\n%s", name, diff)
	}
}

func wallOf(t *testing.T, b workshop.Board) string {
	t.Helper()
	var out strings.Builder
	if err := (Boards{}).HTML(&out, b); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func lines(t *testing.T, b workshop.Board, p picture.Print) string {
	t.Helper()
	var out strings.Builder
	if err := (Boards{}).Text(&out, b, p); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestBoardIsAsItWas(t *testing.T) {
	t.Parallel()
	kept(t, "board.txt", lines(t, sampleBoard(), picture.Print{Columns: 80}))
	kept(t, "board-ascii.txt", lines(t, sampleBoard(), picture.Print{Columns: 80, ASCII: true}))
	kept(t, "board-empty.txt", lines(t, emptyBoard(), picture.Print{Columns: 80}))
	_, body, _ := strings.Cut(wallOf(t, sampleBoard()), "</style>")
	kept(t, "board.html", body)
}

func TestNoLineOfABoardIsTooLong(t *testing.T) {
	t.Parallel()
	for name, b := range map[string]workshop.Board{"sample": sampleBoard(), "full": fullBoard(), "empty": emptyBoard()} {
		for _, columns := range []int{40, 80, 120} {
			for l := range strings.Lines(lines(t, b, picture.Print{Columns: columns})) {
				if n := picture.Width(strings.TrimSuffix(l, "\n")); n > columns {
					t.Errorf("%s: %d columns of %d: %s", name, n, columns, l)
				}
			}
		}
	}
}

// TestTablesSayWhatThePictureShows: each bar leads to a row, each row of a
// booking has its bar, and the row says what the bar does.
func TestTablesSayWhatThePictureShows(t *testing.T) {
	t.Parallel()
	for name, b := range map[string]workshop.Board{"sample": sampleBoard(), "full": fullBoard()} {
		text := wallOf(t, b)
		rows := map[string]string{}
		for _, m := range regexp.MustCompile(`(?s)<tr id="(stay-\d+)"[^>]*>(.*?)</tr>`).FindAllStringSubmatch(text, -1) {
			rows[m[1]] = html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(m[2], " "))
		}
		wide, _, _ := strings.Cut(text, `<div class="near">`)
		seen := map[string]bool{}
		for _, m := range regexp.MustCompile(`<a href="#(stay-\d+)" class="mark" data-says="(stay-\d+)" aria-label="([^"]*)"`).FindAllStringSubmatch(wide, -1) {
			row, ok := rows[m[1]]
			if !ok || m[1] != m[2] {
				t.Errorf("%s: the bar %s leads to no row", name, m[1])
			}
			seen[m[1]] = true
			reference, _, _ := strings.Cut(html.UnescapeString(m[3]), ";")
			job := regexp.MustCompile(`[WR]-\d+`).FindString(reference)
			if job == "" || !strings.Contains(row, job) {
				t.Errorf("%s: the bar says %q and its row %q", name, reference, row)
			}
		}
		for id := range rows {
			if !seen[id] {
				t.Errorf("%s: the row %s has no bar", name, id)
			}
		}
		if len(rows) < 5 {
			t.Errorf("%s: %d rows", name, len(rows))
		}
	}
}

func TestPageStandsByItself(t *testing.T) {
	t.Parallel()
	for name, b := range map[string]workshop.Board{"sample": sampleBoard(), "full": fullBoard(), "empty": emptyBoard()} {
		text := wallOf(t, b)
		for _, bad := range []string{"<script", "src=", "http://", "https://", "@import", "javascript:", " style=", " on", "ZgotmplZ"} {
			if bad == " on" {
				if m := regexp.MustCompile(`<[^>]* on[a-z]+=`).FindString(text); m != "" {
					t.Errorf("%s: %s", name, m)
				}
				continue
			}
			if i := strings.Index(strings.ReplaceAll(text, `xmlns="http://www.w3.org/2000/svg"`, ""), bad); i >= 0 {
				t.Errorf("%s: the page holds %q", name, bad)
			}
		}
		for _, want := range []string{`lang="en"`, "<main>", "<header", "<aside", "<footer>", `class="skip"`, "<h1>"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the page has no %s", name, want)
			}
		}
		ids := regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(text, -1)
		seen := map[string]bool{}
		for _, m := range ids {
			if seen[m[1]] {
				t.Errorf("%s: the id %s stands twice", name, m[1])
			}
			seen[m[1]] = true
		}
	}
}

func TestPictureOfAWeekIsXML(t *testing.T) {
	t.Parallel()
	for _, b := range []workshop.Board{sampleBoard(), fullBoard(), emptyBoard()} {
		var out strings.Builder
		if err := (Boards{}).SVG(&out, b); err != nil {
			t.Fatal(err)
		}
		for d := xml.NewDecoder(strings.NewReader(out.String())); ; {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestReferencesCanBeReadFromFourMetres takes a screen of 65 inches with 1920
// pixels in 16:9, on which a pixel is 0.749 mm. ISO 9241-303 wants characters of
// 16 minutes of arc at the least (from memory); a capital of the faces used is
// 0.72 of its size.
func TestReferencesCanBeReadFromFourMetres(t *testing.T) {
	t.Parallel()
	const pixel = 65 * 25.4 * 16 / 18.3576 / 1920
	b := sampleBoard()
	_, svg, _ := strings.Cut(wallOf(t, b), `<div class="wide">`)
	m := regexp.MustCompile(`font-size="([0-9.]+)"[^>]*>W-600<`).FindStringSubmatch(svg)
	if m == nil {
		t.Fatal("W-600 is not on the picture")
	}
	var size float64
	if _, err := fmt.Sscan(m[1], &size); err != nil {
		t.Fatal(err)
	}
	if got := math.Atan(size*0.72*pixel/4000) * 180 / math.Pi * 60; got < 16 {
		t.Errorf("a reference has %.1f minutes of arc at four metres", got)
	}
}

func TestEveryKindOfNoticeIsSaid(t *testing.T) {
	t.Parallel()
	b := sampleBoard()
	var said []workshop.NoticeKind
	letters := map[string]bool{}
	for _, n := range slices.Concat(b.Late, b.Wait) {
		said = append(said, n.Kind)
	}
	for _, kind := range workshop.NoticeKinds() {
		if !slices.Contains(said, kind) || marks[kind].letter == "" || letters[marks[kind].letter] {
			t.Errorf("%s is not in the sample, or has no letter of its own", kind)
		}
		letters[marks[kind].letter] = true
	}
	for _, l := range newWeek(b).lines(slices.Concat(b.Late, b.Wait)) {
		if l.Text == "" || strings.Contains(l.Text, "%!") {
			t.Errorf("%+v", l)
		}
	}
}
