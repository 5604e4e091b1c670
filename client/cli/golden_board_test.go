package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// drawing is a picture as the server draws one.
func drawing(text string) *bayholdv1.Picture {
	return &bayholdv1.Picture{Content: text, ContentType: "text/plain; charset=utf-8"}
}

const (
	barLine   = "bay-1  ┣R-17━━━━━━┫◆  ▐! R-18▒▒▒▌\n"
	asciiLine = "bay-1  [R-17======]*  {! R-18xxx}\n"
)

// boardCases are the command lines about boards and pictures.
func boardCases() []goldenCase {
	link := &bayholdv1.Link{Name: harbour + "/links/3", DisplayName: "hall", CreateTime: ts(nov, 25, 9, 0), Creator: "anna"}
	calendar := &bayholdv1.Link{Name: harbour + "/links/2", DisplayName: "Anna's telephone", Calendar: harbour + "/technicians/anna", CreateTime: ts(nov, 20, 9, 0), Creator: "anna", RevokeTime: ts(nov, 24, 9, 0)}
	made := func(path string) func(*fake) {
		return func(f *fake) { f.reply["CreateLink"] = &bayholdv1.CreateLinkResponse{Link: link, Path: path} }
	}
	drawn := func(f *fake) {
		f.reply["GetBoard"] = &bayholdv1.GetBoardResponse{Picture: drawing(barLine), Revision: 9, During: &bayholdv1.TimeRange{Start: ts(nov, 23, 0, 0), End: ts(nov, 30, 0, 0)}}
	}
	return []goldenCase{
		{"board", []string{"board"}, drawn},
		{"board-of", []string{"board", "--of", "+7d", "--ascii"}, drawn},
		{"board-json", []string{"board", "--output", "json"}, drawn},
		{"board-both", []string{"board", "--svg", "a.svg", "--html", "a.html"}, nil},
		{"board-verb", []string{"board", "wall"}, nil},
		{"board-use", []string{"board", "use", "--weeks", "2"}, func(f *fake) {
			f.reply["GetUse"] = &bayholdv1.GetUseResponse{Picture: drawing("bay-1  ▄ 43%\n")}
		}},
		{"board-link", []string{"board", "link", "--title", "hall"}, made("/board/harbour/secret/")},
		{"board-link-again", []string{"board", "link", "--title", "hall", "--request-id", "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"}, made("")},
		{"board-links", []string{"board", "links"}, func(f *fake) {
			f.reply["ListLinks"] = &bayholdv1.ListLinksResponse{Links: []*bayholdv1.Link{link, calendar}}
		}},
		{"board-links-none", []string{"board", "links"}, func(f *fake) { f.reply["ListLinks"] = &bayholdv1.ListLinksResponse{} }},
		{"board-revoke", []string{"board", "revoke", "3"}, func(f *fake) { f.reply["RevokeLink"] = &bayholdv1.RevokeLinkResponse{Link: link} }},
		{"job-check-picture", []string{"job", "check", "-p", "belt-orlo-20", "--start", "2026-12-01 8:00", "--by", "2026-12-01", "--picture"}, func(f *fake) {
			refuse(f)
			f.reply["CheckJob"].(*bayholdv1.CheckJobResponse).Picture = drawing(barLine)
		}},
		{"job-find-picture-both", []string{"job", "find", "-p", "belt-orlo-20", "--from", "tomorrow", "--picture", "--svg", "a.svg"}, nil},
	}
}

func TestWhatIsAskedToBeDrawn(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		env  map[string]string
		args []string
		want bayholdv1.PictureFormat
	}{
		"no locale":      {nil, nil, bayholdv1.PictureFormat_PICTURE_FORMAT_TEXT},
		"UTF-8":          {map[string]string{"LANG": "de_DE.UTF-8"}, nil, bayholdv1.PictureFormat_PICTURE_FORMAT_TEXT},
		"C.utf8":         {map[string]string{"LC_ALL": "C.utf8"}, nil, bayholdv1.PictureFormat_PICTURE_FORMAT_TEXT},
		"an old locale":  {map[string]string{"LANG": "de_DE.ISO-8859-1"}, nil, bayholdv1.PictureFormat_PICTURE_FORMAT_ASCII},
		"LC_ALL is over": {map[string]string{"LC_ALL": "C", "LANG": "de_DE.UTF-8"}, nil, bayholdv1.PictureFormat_PICTURE_FORMAT_ASCII},
		"asked for":      {nil, []string{"--ascii"}, bayholdv1.PictureFormat_PICTURE_FORMAT_ASCII},
	} {
		f := newFake(t)
		f.reply["GetBoard"] = &bayholdv1.GetBoardResponse{Picture: drawing(asciiLine)}
		env := f.env(t)
		for k, v := range c.env {
			env[k] = v
		}
		if r := runWith(t, env, "", append([]string{"board"}, c.args...)...); r.code != exitDone {
			t.Errorf("%s: %+v", name, r)
		}
		if got := last[*bayholdv1.GetBoardRequest](t, f).GetPicture(); got.GetFormat() != c.want || got.GetColumns() != 80 {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// TestColoursAreForThoseWhoWantThem: https://no-color.org says that NO_COLOR,
// set and not empty, whatever its value, means none.
func TestColoursAreForThoseWhoWantThem(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		terminal bool
		env      map[string]string
		args     []string
		want     bool
	}{
		"a terminal":         {true, nil, nil, true},
		"a pipe":             {false, nil, nil, false},
		"NO_COLOR":           {true, map[string]string{"NO_COLOR": "1"}, nil, false},
		"--no-color":         {true, nil, []string{"--no-color"}, false},
		"a dumb one":         {true, map[string]string{"TERM": "dumb"}, nil, false},
		"NO_COLOR set empty": {true, map[string]string{"NO_COLOR": ""}, nil, true},
	} {
		f := newFake(t)
		f.reply["GetBoard"] = &bayholdv1.GetBoardResponse{Picture: drawing(barLine + "\x1b[2J evil\n")}
		env := f.env(t)
		for k, v := range c.env {
			env[k] = v
		}
		var out, errs bytes.Buffer
		code := Run(t.Context(), append([]string{"board"}, c.args...), Streams{In: strings.NewReader(""), Out: &out, Err: &errs, Colours: c.terminal},
			func(k string) string { return env[k] }, func() time.Time { return testNow })
		if code != exitDone || strings.Contains(out.String(), "\x1b[31m") != c.want {
			t.Errorf("%s: %d, %q", name, code, out.String())
		}
		if strings.Contains(out.String(), "\x1b[2J") {
			t.Errorf("%s: what the server sent rules the terminal: %q", name, out.String())
		}
	}
}

func TestPicturesGoToFiles(t *testing.T) {
	t.Parallel()
	f := newFake(t)
	f.reply["GetBoard"] = &bayholdv1.GetBoardResponse{Picture: &bayholdv1.Picture{Content: "<svg/>", ContentType: "image/svg+xml"}}
	found := fixtureFound()
	found.Picture = &bayholdv1.Picture{Content: "<svg/>"}
	f.reply["FindPlans"] = found
	dir := t.TempDir()
	for name, args := range map[string][]string{
		"week.svg": {"board", "--svg"}, "week.html": {"board", "--html"},
		"find.svg": {"job", "find", "-p", "belt-orlo-20", "--from", "tomorrow", "--svg"},
	} {
		file := filepath.Join(dir, name)
		if r := f.run(t, append(args, file)...); r.code != exitDone || !strings.Contains(r.out, file) {
			t.Errorf("%s: %+v", name, r)
		}
		if got, err := os.ReadFile(file); err != nil || string(got) != "<svg/>" {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	if r := f.run(t, "board", "--svg", filepath.Join(dir, "none", "week.svg")); r.code == exitDone || !strings.Contains(r.err, "none") {
		t.Errorf("into a directory that is none: %+v", r)
	}
}
