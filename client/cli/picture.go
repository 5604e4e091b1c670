package cli

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// pictureFlags say whether an answer is drawn, and how.
type pictureFlags struct {
	show  bool   // in the terminal
	svg   string // file
	plain plainFlags
	above string // what parts it from the answer above it
}

// plainFlags say what a terminal can show.
type plainFlags struct{ ascii, noColor bool }

func (f *plainFlags) register(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.ascii, "ascii", false, "draw with nothing but ASCII (default where the locale has no UTF-8)")
	cmd.Flags().BoolVar(&f.noColor, "no-color", false, "draw without colours; NO_COLOR does so too")
}

func (f *pictureFlags) register(cmd *cobra.Command) {
	f.above = "\n"
	cmd.Flags().BoolVar(&f.show, "picture", false, "draw the answer, below it")
	cmd.Flags().StringVar(&f.svg, "svg", "", "draw the answer into this SVG `file`")
	f.plain.register(cmd)
}

// style is what the server is asked to draw; nil for nothing.
func (a *app) style(f *pictureFlags) (*bayholdv1.PictureStyle, error) {
	switch {
	case f.show && f.svg != "":
		return nil, usage("--picture draws in the terminal and --svg into a file: give one of them")
	case f.svg != "":
		return &bayholdv1.PictureStyle{Format: bayholdv1.PictureFormat_PICTURE_FORMAT_SVG}, nil
	case f.show:
		return a.textStyle(&f.plain), nil
	}
	return nil, nil
}

// textStyle asks for lines that this terminal can show.
func (a *app) textStyle(f *plainFlags) *bayholdv1.PictureStyle {
	out := &bayholdv1.PictureStyle{Format: bayholdv1.PictureFormat_PICTURE_FORMAT_TEXT, Columns: int32(a.width())}
	if f.ascii || !a.unicode() {
		out.Format = bayholdv1.PictureFormat_PICTURE_FORMAT_ASCII
	}
	return out
}

// unicode tells whether the locale is one of UTF-8. Where none is set, it is
// taken for one: today's systems are.
func (a *app) unicode() bool {
	for _, key := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := a.env(key); v != "" {
			v = strings.ToUpper(v)
			return strings.Contains(v, "UTF-8") || strings.Contains(v, "UTF8")
		}
	}
	return true
}

// tellPicture prints a picture, or writes it to its file and says so. There is
// nothing to tell of none.
func (a *app) tellPicture(f *pictureFlags, p *bayholdv1.Picture) error {
	if p == nil || a.machine() && f.svg == "" {
		return nil
	}
	if f.svg != "" {
		if err := writeFile(f.svg, p.GetContent()); err != nil || a.machine() {
			return err
		}
		return a.tell(func(w io.Writer) { fmt.Fprintf(w, "\nThe picture is in %s.\n", f.svg) })
	}
	return a.drawn(&f.plain, f.above+p.GetContent())
}

// tell prints text without the remarks, which stand above already.
func (a *app) tell(text func(io.Writer)) error {
	notes := a.notes
	a.notes = nil
	defer func() { a.notes = notes }()
	return a.print(text)
}

// Colours of the signs that bars are drawn with, as SGR parameters (ECMA-48).
// They only repeat what the signs say.
var signColours = map[rune]string{
	'┣': "36", '━': "36", '┫': "36", '┃': "36",
	'┠': "33", '┄': "33", '┨': "33", '┆': "33",
	'▐': "31", '▒': "31", '▌': "31", '█': "31", '◈': "31",
	'░': "90", '·': "90",
	'▼': "1", '│': "1", '◆': "1",
}

// drawn prints a picture, in colours where somebody sees them.
func (a *app) drawn(f *plainFlags, content string) error {
	content = plain(content)
	if a.streams.Colours && !f.noColor && a.env("NO_COLOR") == "" && a.env("TERM") != "dumb" {
		content = coloured(content)
	}
	_, err := io.WriteString(a.streams.Out, content)
	return err
}

// coloured wraps signs that stand in a row and have one colour.
func coloured(s string) string {
	var b strings.Builder
	now := ""
	for _, r := range s {
		if next := signColours[r]; next != now {
			if now != "" {
				b.WriteString("\x1b[0m")
			}
			if next != "" {
				b.WriteString("\x1b[" + next + "m")
			}
			now = next
		}
		b.WriteRune(r)
	}
	return b.String()
}
