package sitefile

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"bayhold/internal/hours"
)

// Cells are turned into what workshop files have, so that the same rules judge
// both. Each of these functions answers that, or what is wrong and what would
// be right.

// datePattern is how days are written, such as DD.MM.YYYY.
type datePattern struct {
	text  string
	form  *regexp.Regexp
	order []byte // of the groups: 'D', 'M', 'Y', and 'y' for two digits
}

var patternToken = regexp.MustCompile(`(?i)D+|M+|Y+`)

// newDatePattern reads a pattern, or tells why it is none.
func newDatePattern(text string) (*datePattern, string) {
	p := &datePattern{text: text}
	form, rest := "^", 0
	for _, at := range patternToken.FindAllStringIndex(text, -1) {
		form += regexp.QuoteMeta(text[rest:at[0]])
		rest = at[1]
		switch token := strings.ToUpper(text[at[0]:at[1]]); token {
		case "D", "DD", "M", "MM":
			form += `\s?(\d{1,2})`
			p.order = append(p.order, token[0])
		case "YY":
			form += `\s?(\d\d)`
			p.order = append(p.order, 'y')
		case "YYYY":
			form += `\s?(\d{4})`
			p.order = append(p.order, 'Y')
		default:
			return nil, "has a day of D or DD, a month of M or MM and a year of YY or YYYY"
		}
	}
	if sorted := strings.ToUpper(string(p.order)); len(p.order) != 3 ||
		!strings.Contains(sorted, "D") || !strings.Contains(sorted, "M") || !strings.Contains(sorted, "Y") {
		return nil, "must have one day, one month and one year"
	}
	p.form = regexp.MustCompile(form + regexp.QuoteMeta(text[rest:]) + `(?:\b|$)`)
	return p, ""
}

// read takes a day from the beginning of a text, and gives what is left of it.
func (p *datePattern) read(text string) (d hours.Date, rest string, ok bool) {
	m := p.form.FindStringSubmatch(text)
	if m == nil {
		return d, text, false
	}
	for i, unit := range p.order {
		n, _ := strconv.Atoi(m[i+1])
		switch unit {
		case 'D':
			d.Day = n
		case 'M':
			d.Month = time.Month(n)
		case 'Y':
			d.Year = n
		case 'y':
			d.Year = 2000 + n
		}
	}
	return d, text[len(m[0]):], d.Valid() && d.Year >= 1970 && d.Year <= 2500
}

var (
	colonClock = regexp.MustCompile(`^(\d{1,2}):(\d\d)(?::00)?\s*([aApP])?\.?(?:[mM]\.?)?$`)
	pointClock = regexp.MustCompile(`^(\d{1,2})\.(\d\d)$`)
	plainClock = regexp.MustCompile(`^(\d{1,2})(\d\d)$`)
	bareHour   = regexp.MustCompile(`^(\d{1,2})$`)
)

// clock reads a time of day: "8:00", "08:00:00", "8:00 pm", an hour alone, and
// what the mapping says.
func (m *mapping) clock(text string) (string, string) {
	text = strings.TrimSpace(text)
	forms := []*regexp.Regexp{colonClock, bareHour}
	switch m.times {
	case "H.MM":
		forms = append(forms, pointClock)
	case "HHMM":
		forms = append(forms, plainClock)
	}
	for _, form := range forms {
		g := form.FindStringSubmatch(text)
		if g == nil {
			continue
		}
		h, _ := strconv.Atoi(g[1])
		minute := 0
		if len(g) > 2 {
			minute, _ = strconv.Atoi(g[2])
		}
		if len(g) > 3 && g[3] != "" {
			if h < 1 || h > 12 {
				break
			}
			if h %= 12; strings.EqualFold(g[3], "p") {
				h += 12
			}
		}
		if minute < 60 && h*60+minute <= 24*60 {
			return fmt.Sprintf("%02d:%02d", h, minute), ""
		}
	}
	return "", fmt.Sprintf("%q is no time of day: write it like %s, at most 24:00", clip(text), strings.NewReplacer("HH", "08", "H", "8", "MM", "30").Replace(m.times))
}

// moment reads a day, with or without a time of day. What is written as in
// workshop files stays as it is.
func (m *mapping) moment(text string) (string, string) {
	if !m.given() {
		return text, ""
	}
	if _, err := time.Parse(time.RFC3339, text); err == nil {
		return text, ""
	}
	pattern := m.dates
	if pattern == nil {
		pattern = isoDates
	}
	d, rest, ok := pattern.read(text)
	if !ok {
		return "", fmt.Sprintf("%q is no day: write it as %s, a day of the calendar from 1970 to 2500, or say in the mapping how dates are written", clip(text), pattern.text)
	}
	rest = strings.TrimSpace(strings.TrimLeft(rest, ",T"))
	if rest == "" {
		return d.String(), ""
	}
	at, why := m.clock(rest)
	if why != "" {
		return "", why
	}
	return d.String() + " " + at, ""
}

var isoDates, _ = newDatePattern("YYYY-MM-DD")

// days reads weekdays ("Mon", "Monday", "mon-fri") or a date.
func (m *mapping) days(text string) (string, string) {
	if !m.given() {
		return text, ""
	}
	var out []string
	for part := range strings.SplitSeq(dashes.Replace(text), "-") {
		day := folded(part)
		for _, d := range []string{"monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"} {
			if len(day) >= 2 && strings.HasPrefix(d, strings.TrimSuffix(day, ".")) {
				out = append(out, d[:3])
			}
		}
	}
	if list := strings.Join(out, "-"); len(out) > 0 {
		if _, err := hours.ParseWeekdays(list); err == nil && len(out) == strings.Count(dashes.Replace(text), "-")+1 {
			return list, ""
		}
	}
	pattern := m.dates
	if pattern == nil {
		pattern = isoDates
	}
	d, rest, ok := pattern.read(text)
	if !ok || strings.TrimSpace(rest) != "" {
		return "", fmt.Sprintf("%q is neither a weekday such as mon or mon-fri nor a day written as %s: say under values what the word means, or how dates are written", clip(text), pattern.text)
	}
	return d.String(), ""
}

var dashes = strings.NewReplacer("–", "-", "—", "-", "−", "-", "‑", "-")

// hoursOf reads the hours of a day: "8:00-12:00, 12:30-16:00", "8-16", "off".
func (m *mapping) hoursOf(text string) (string, string) {
	if !m.given() || folded(text) == "off" || strings.TrimSpace(text) == "-" {
		if strings.TrimSpace(text) == "-" {
			return "off", ""
		}
		return strings.TrimSpace(text), ""
	}
	var out []string
	for part := range strings.FieldsFuncSeq(dashes.Replace(text), func(c rune) bool { return c == ',' || c == ';' || c == '/' || c == '+' || c == '\n' || c == '&' }) {
		from, to, ok := strings.Cut(part, "-")
		if strings.TrimSpace(part) == "" {
			continue
		}
		begin, why := m.clock(from)
		end, whyNot := m.clock(to)
		if !ok || why != "" || whyNot != "" {
			return "", fmt.Sprintf("%q are no hours: write such as 8:00-12:00, 12:30-16:00, or off; or say under values what it means", clip(text))
		}
		out = append(out, begin+"-"+end)
	}
	return strings.Join(out, ", "), ""
}

var (
	innerPoint = regexp.MustCompile(`\d\.\d`)
	innerComma = regexp.MustCompile(`\d,\d`)
)

// number reads one or several numbers, whatever stands behind them.
func (m *mapping) number(text string) (string, string) {
	switch {
	case m.decimal == "," && innerPoint.MatchString(text):
		return "", fmt.Sprintf("%q has a point, and the mapping says that decimals have a comma: write 1000 or 1000,5 and nothing between thousands", clip(text))
	case m.decimal == ",":
		return strings.ReplaceAll(text, ",", "."), ""
	case m.given() && innerComma.MatchString(text):
		return "", fmt.Sprintf("%q has a comma: write decimals with a point and nothing between thousands, or say decimal: \",\" in the mapping", clip(text))
	}
	return text, ""
}

// flag reads yes or no.
func (m *mapping) flag(text string) (string, string) {
	switch folded(text) {
	case "true", "yes", "y", "x", "1", "✓", "✔":
		return "true", ""
	case "false", "no", "n", "0", "-":
		return "false", ""
	}
	return "", fmt.Sprintf("%q is neither yes nor no: write one of the two, or say under values what it means", clip(text))
}
