package board

import (
	"fmt"
	"strings"

	"bayhold/internal/picture"
)

const (
	pageWidth  = 80
	labelWidth = 15 // of the names of facts
	inset      = 5  // of what stands under a step's title
	box        = "[ ]"
)

// printer writes lines of at most pageWidth columns.
type printer struct{ strings.Builder }

func (p *printer) line(s string) {
	p.WriteString(strings.ReplaceAll(strings.TrimRight(s, " "), noBreak, " ") + "\n")
}

// rule draws a line over the whole width.
func (p *printer) rule(sign string) { p.line(strings.Repeat(sign, pageWidth)) }

// hang writes a text behind a head; what does not fit goes on below the text's
// own beginning. end, if not empty, stands at the right of the last line.
func (p *printer) hang(head, text, end string) {
	indent := picture.Width(head)
	if indent > pageWidth/2 { // a name that leaves no room beside it
		p.hang("", head, "")
		indent = inset
		head = strings.Repeat(" ", indent)
	}
	room := pageWidth - indent
	if end != "" {
		room -= picture.Width(end) + 2
	}
	lines := picture.Wrap(text, room)
	for i, l := range lines {
		if i > 0 {
			head = strings.Repeat(" ", indent)
		}
		l = head + l
		if i == len(lines)-1 && end != "" {
			l += strings.Repeat(" ", pageWidth-picture.Width(l)-picture.Width(end)) + end
		}
		p.line(l)
	}
}

// label is a name with the room that names take.
func label(indent int, name string) string {
	return fmt.Sprintf("%*s%-*s ", indent, "", labelWidth-1, name)
}

// fact writes a value behind its name.
func (p *printer) fact(indent int, f fact) { p.hang(label(indent, f.Name), f.Value, "") }

func (p *printer) heading(s string) {
	p.line("")
	p.hang("", strings.ToUpper(s), "")
	p.rule("-")
}

// text lays the sheet out for a monospaced page.
func (s sheet) text() string {
	p := &printer{}
	p.rule("=")
	title := fmt.Sprintf("JOB SHEET  job %d", s.Job)
	if s.Reference != "" {
		title += ", " + s.Reference
	}
	p.hang("", title, "")
	p.rule("=")
	for _, a := range s.Alerts {
		p.hang("*** ", a, "***")
	}
	for _, f := range s.Head {
		p.fact(0, f)
	}
	p.line("")
	p.hang("", "Read the safety note at the end before you begin.", "")
	p.tools(s.Tools)
	p.parts(s.Parts)
	for _, d := range s.Days {
		p.line("")
		p.rule("=")
		p.line(strings.ToUpper(d.Title))
		p.rule("=")
		for _, g := range d.Groups {
			p.line("")
			p.hang("== ", g.Title, "")
			for _, st := range g.Steps {
				p.step(st)
			}
		}
	}
	p.safety(s)
	return p.String()
}

func (p *printer) tools(list []tool) {
	p.heading("Tools to draw, in this order")
	if len(list) == 0 {
		p.line("none booked")
	}
	for _, t := range list {
		p.hang(t.Tag+"  ", t.Name, "")
		p.fact(2, fact{"Kept at", t.Home})
		for _, when := range t.When {
			p.hang(label(2, "Booked"), when, "out "+box+"  back "+box)
		}
		for _, n := range t.Notes {
			p.fact(2, fact{"", n})
		}
		for _, a := range t.Alerts {
			p.hang("  *** ", a, "***")
		}
	}
}

func (p *printer) parts(list []part) {
	p.heading("Parts")
	if len(list) == 0 {
		p.line("none")
	}
	for _, l := range list {
		p.hang("", fmt.Sprintf("%s (%s)", l.Title, l.ID), box)
		p.fact(2, fact{"Quantity", l.Need})
		p.fact(2, fact{"Stands", l.State})
		p.fact(2, fact{"For step", l.Steps})
		if l.Alert != "" {
			p.hang("  *** ", l.Alert, "***")
		}
	}
}

func (p *printer) step(s step) {
	p.rule("-")
	if len(s.Cautions) > 0 {
		p.line(fmt.Sprintf("Before step %d:", s.Number))
		for _, c := range s.Cautions {
			p.caution(c)
		}
		p.line("")
	}
	mark := ""
	if s.HoldPoint != "" {
		mark = "** HOLD POINT **"
	}
	p.hang(fmt.Sprintf("%3d. ", s.Number), s.Title, mark)
	for _, par := range s.Instruction {
		p.hang(strings.Repeat(" ", inset), par, "")
	}
	for _, f := range s.Facts {
		p.fact(inset, f)
	}
	p.tightening(s.Tightening)
	for _, c := range s.Checks {
		p.check(c)
	}
	for _, a := range s.After {
		p.fact(inset, fact{"Then", a})
	}
	for _, name := range s.Sign {
		p.sign(name)
	}
	if s.HoldPoint != "" {
		p.hold(s.HoldPoint)
	}
}

// hold bars the way from a hold point to what follows.
func (p *printer) hold(text string) {
	p.line("")
	p.rule("#")
	for _, l := range picture.Wrap(text, pageWidth-4) {
		p.line("# " + l + strings.Repeat(" ", pageWidth-3-picture.Width(l)) + "#")
	}
	p.rule("#")
}

func (p *printer) caution(c caution) {
	symbol := "   "
	if c.Injury {
		symbol = `/!\`
	}
	p.hang(fmt.Sprintf("  %s %-9s", symbol, c.Signal), c.Text, "")
}

func (p *printer) tightening(t *tightening) {
	if t == nil {
		return
	}
	for _, f := range t.Facts {
		p.fact(inset, f)
	}
	if t.Alert != "" {
		p.hang("     *** ", t.Alert, "***")
	}
	for i, s := range t.Stages {
		p.hang(label(inset, fmt.Sprintf("  Stage %d", i+1)), s, box)
	}
}

func (p *printer) check(c check) {
	head := label(inset, "Check")
	if c.YesNo {
		p.hang(head, c.Title, "yes "+box+"  no "+box)
		return
	}
	end := "[          ]"
	if c.Unit != "" && picture.Width(c.Unit) <= 10 {
		end += " " + c.Unit
	}
	p.hang(head, c.Title+": "+c.Limits, end)
}

// sign draws a line for a name and the time.
func (p *printer) sign(name string) {
	head := label(inset, name)
	const middle = "  date, time "
	room := pageWidth - picture.Width(head) - picture.Width(middle) - len("name ")
	p.line("")
	p.line(head + "name " + strings.Repeat("_", room*3/5) + middle + strings.Repeat("_", room-room*3/5))
}

func (p *printer) safety(s sheet) {
	p.line("")
	p.rule("=")
	p.line("SAFETY NOTE")
	p.rule("=")
	for _, text := range s.Safety {
		p.hang("- ", text, "")
	}
	p.line("")
	p.line("Signal words (ISO 3864, ANSI Z535):")
	for _, c := range s.Signals {
		p.caution(c)
	}
}
