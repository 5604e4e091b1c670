package board

import (
	"io"
	"strings"

	"bayhold/internal/picture"
	"bayhold/internal/workshop"
)

// Text writes a board in lines of at most so many columns.
func (Boards) Text(out io.Writer, b workshop.Board, p picture.Print) error {
	w := newWeek(b)
	var s strings.Builder
	para := func(first, rest, text string) {
		for i, l := range picture.Wrap(text, max(p.Columns, 40)-picture.Width(first)) {
			if i > 0 {
				first = rest
			}
			s.WriteString(picture.Plain(first+l, p.ASCII) + "\n")
		}
	}
	para("", "", clean(w.Site.Name)+". "+w.title()+" ("+w.zone.String()+"). As of "+w.full(w.Now)+".")
	s.WriteString("\n")
	if len(w.Bays)+len(w.People)+len(w.Tools) == 0 {
		para("", "", "Nothing is known of this workshop yet: import a workshop file.")
	} else {
		s.WriteString(w.chart(w.axis()).Text(p))
	}
	w.lists(func(title string) { para("\n", "", title) }, func(name, text string) { para("  "+name+": ", "    ", text) })
	for _, part := range []struct {
		title, none string
		list        []workshop.Notice
	}{{"Late", "Nothing is late.", w.Late}, {"Waits for a decision", "Nothing waits for a decision.", w.Wait}} {
		s.WriteString("\n")
		if len(part.list) == 0 {
			para("", "", part.none)
			continue
		}
		para("", "", part.title)
		for _, n := range w.lines(part.list) {
			head := "  " + n.Mark + " "
			text := n.Text
			if n.Job != "" {
				text = n.Job + ": " + text
			}
			if n.Bay != "" {
				text = n.Bay + ", " + text
			}
			para(head, strings.Repeat(" ", len(head)), text)
		}
	}
	_, err := io.WriteString(out, s.String())
	return err
}

// lists tell what the picture has no room for: where tools are and go, and who
// is on what.
func (w week) lists(title func(string), line func(name, text string)) {
	if len(w.Tools) > 0 {
		title("Where tools are")
	}
	for _, t := range w.Tools {
		text := w.where(t)
		if next := w.goes(t); next != "" {
			text += "; next " + next
		}
		line(clean(t.Tag), text)
	}
	if len(w.People) > 0 {
		title("Who is on what")
	}
	for _, p := range w.People {
		line(w.person(p.ID), w.on(p))
	}
}
