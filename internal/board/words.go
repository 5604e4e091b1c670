package board

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	"bayhold/internal/hours"
	"bayhold/internal/torque"
)

// Times as people in a workshop write them; the year stands in the head.
const (
	clockWords = "15:04"
	timeWords  = "Mon 02 Jan 15:04"
	fullWords  = "Mon 02 Jan 2006 15:04"
	dayWords   = "Monday 02 January 2006"
)

// writer turns times into words of one zone, and torques into those of one unit.
type writer struct {
	zone *time.Location
	unit torque.Unit
}

func (w writer) time(t time.Time) string { return t.In(w.zone).Format(timeWords) }
func (w writer) full(t time.Time) string { return t.In(w.zone).Format(fullWords) }
func (w writer) day(t time.Time) string  { return t.In(w.zone).Format(dayWords) }

// span writes a range: "Mon 12 May 08:00-12:00", "Mon 12 May 08:00 to Tue 13 May 09:00".
func (w writer) span(r hours.Range) string {
	if w.day(r.Start) == w.day(r.End) {
		return w.time(r.Start) + "-" + r.End.In(w.zone).Format(clockWords)
	}
	return w.time(r.Start) + " to " + w.time(r.End)
}

// within writes a range for a reader who knows the day on which it begins.
func (w writer) within(r hours.Range) string {
	if w.day(r.Start) == w.day(r.End) {
		return r.Start.In(w.zone).Format(clockWords) + "-" + r.End.In(w.zone).Format(clockWords)
	}
	return r.Start.In(w.zone).Format(clockWords) + " to " + w.time(r.End)
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// rounded writes a figure that was worked out with no more digits than a scale
// can be set to.
func rounded(x float64) string {
	digits := 1
	if x < 10 {
		digits = 2
	}
	x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'f', digits, 64), 64)
	return number(x)
}

// together keeps figures of torque on one line with their unit.
func together(s string) string {
	for _, u := range torque.Units() {
		s = strings.ReplaceAll(s, " "+u.String(), noBreak+u.String())
	}
	return s
}

// measure writes a torque that was asked for. Another unit than newton metres
// has those beside it: two figures that fit each other guard against a third.
func measure(u torque.Unit, nm float64) string { return beside(u, nm, torque.NewtonMetre.Format(nm)) }

// measureSet writes a torque that was worked out.
func measureSet(u torque.Unit, nm float64) string {
	return beside(u, nm, rounded(nm)+" "+torque.NewtonMetre.String())
}

func beside(u torque.Unit, nm float64, text string) string {
	if u == torque.NewtonMetre {
		return text
	}
	return rounded(u.FromNewtonMetres(nm)) + " " + u.String() + " (" + text + ")"
}

// noBreak is a space at which no line ends. clean leaves none that was typed.
const noBreak = "\u00a0"

func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// minutes writes a wait: "45 min", "2 h", "2 h 30 min".
func minutes(n int) string {
	switch {
	case n < 120:
		return fmt.Sprintf("%d min", n)
	case n%60 == 0:
		return fmt.Sprintf("%d h", n/60)
	}
	return fmt.Sprintf("%d h %d min", n/60, n%60)
}

// quoted lists names in quotation marks: `"a", "b" and "c"`.
func quoted(names []string) string {
	var b strings.Builder
	for i, n := range names {
		switch {
		case i == 0:
		case i == len(names)-1:
			b.WriteString(" and ")
		default:
			b.WriteString(", ")
		}
		b.WriteString(`"` + n + `"`)
	}
	return b.String()
}

// clean makes one line of what somebody typed: a sheet is read by people and
// must not be rearranged by control characters or by marks of direction.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) || unicode.IsControl(r):
			return ' '
		case unicode.Is(unicode.Bidi_Control, r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	return strings.Join(strings.Fields(s), " ")
}

// paragraphs cleans a text of several lines.
func paragraphs(s string) []string {
	var out []string
	for line := range strings.Lines(s) {
		if line = clean(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}
