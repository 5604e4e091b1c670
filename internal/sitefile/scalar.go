package sitefile

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"bayhold/internal/procedure"
)

var (
	slugForm = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)
	tagForm  = regexp.MustCompile(`^[A-Z0-9][A-Z0-9-]{0,31}$`)
)

// text reads words for people, at most limit characters; those of a name's
// length stand on one line.
func (v value) text(limit int) string {
	s, ok := v.scalar()
	if !ok {
		return ""
	}
	s = strings.TrimSpace(s)
	broken := func(r rune) bool {
		return unicode.IsControl(r) && (limit <= maxName || r != '\n' && r != '\t')
	}
	switch {
	case utf8.RuneCountInString(s) > limit:
		v.fault("has %d characters: at most %d", utf8.RuneCountInString(s), limit)
		return clip(s)
	case strings.ContainsFunc(s, broken):
		v.fault("has control characters or breaks of the line: take them out")
		return "?"
	}
	return s
}

// title reads a name that must not be empty.
func (o object) title(key string) string {
	v := o.need(key, "write what people call it")
	before := len(v.r.found)
	s := v.text(maxName)
	if s == "" && v.present() && len(v.r.found) == before {
		v.fault("is empty: write what people call it")
	}
	return s
}

// slug reads an id, or a word such as a skill or feature.
func (v value) slug() string {
	s, ok := v.scalar()
	if ok && !slugForm.MatchString(s) {
		v.fault("%q is no id: lower-case letters, digits and dashes, 1 to 63 of them, no dash first or last", clip(s))
		return likeSlug(s)
	}
	return s
}

// likeSlug makes an id of what is none, the same wherever it is written, so
// that one bad id is told about where it stands and nowhere else.
func likeSlug(s string) string {
	s = strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return '-'
	}, strings.ToLower(clip(s)))
	return "bad" + strings.TrimRight("-"+s, "-")
}

// slugs reads a list of them, each once.
func (v value) slugs() []string {
	var out []string
	seen := make(map[string]bool)
	for _, e := range v.bounded(maxListed) {
		s := e.slug()
		if s == "" {
			continue
		}
		if seen[s] {
			e.fault("%q stands in this list twice", clip(s))
			continue
		}
		seen[s] = true
		out = append(out, s)
	}
	return out
}

// bounded is list that refuses too many entries.
func (v value) bounded(limit int) []value {
	list := v.list()
	if len(list) > limit {
		v.fault("has %d entries: at most %d", len(list), limit)
		return list[:limit]
	}
	return list
}

// choice reads one of a few words, in any case; empty if it is absent.
func choice[T ~string](v value, words []T) T {
	s, ok := v.scalar()
	if !ok {
		return ""
	}
	names := make([]string, len(words))
	for i, w := range words {
		if strings.EqualFold(s, string(w)) {
			return w
		}
		names[i] = string(w)
	}
	if hint := v.r.hint(s, names); hint != "" {
		v.fault("%q is not known: did you mean %s?", clip(s), hint)
	} else {
		v.fault("%q is not known: write one of %s", clip(s), strings.Join(names, ", "))
	}
	return words[0]
}

// flag reads true or false.
func (v value) flag() bool {
	s, ok := v.scalar()
	if ok && s != "true" && s != "false" {
		v.fault("%q is neither true nor false", clip(s))
	}
	return s == "true"
}

// integer reads a whole number.
func (v value) integer(low, high int) int {
	s, ok := v.scalar()
	if !ok {
		return 0
	}
	n, err := strconv.Atoi(s)
	switch {
	case err != nil:
		v.fault("%q is no whole number: write one from %d to %d", clip(s), low, high)
		return low
	case n < low || n > high:
		v.fault("%d is out of range: from %d to %d", n, low, high)
		return low
	}
	return n
}

// number reads a number with or without a fraction.
func (v value) number(low, high float64) float64 {
	s, ok := v.scalar()
	if !ok {
		return 0
	}
	x, ok := parseNumber(s)
	switch {
	case !ok:
		v.fault("%q is no number: write one such as 0.5", clip(s))
		return low
	case x < low || x > high:
		v.fault("%v is out of range: from %v to %v", x, low, high)
		return low
	}
	return x
}

// parseNumber reads a number as people write one: no infinity, no hexadecimal.
func parseNumber(s string) (float64, bool) {
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil && !math.IsNaN(x) && !math.IsInf(x, 0) && !strings.ContainsAny(s, "xX_")
}

// durationForm is minutes, or hours and minutes: "30", "45m", "2h", "1h30m".
var durationForm = regexp.MustCompile(`^(?:(\d{1,5})|(?:(\d{1,4})h)?(?:(\d{1,5})m)?)$`)

// parseMinutes reads a length of time in whole minutes.
func parseMinutes(s string) (int, bool) {
	m := durationForm.FindStringSubmatch(strings.ReplaceAll(strings.TrimSpace(s), " ", ""))
	if m == nil || m[0] == "" {
		return 0, false
	}
	plain, _ := strconv.Atoi("0" + m[1])
	hour, _ := strconv.Atoi("0" + m[2])
	minute, _ := strconv.Atoi("0" + m[3])
	n := plain + hour*60 + minute
	return n, n <= procedure.MaxMinutes
}

// minutes reads a length of time.
func (v value) minutes() int {
	s, ok := v.scalar()
	if !ok {
		return 0
	}
	n, ok := parseMinutes(s)
	if !ok {
		v.fault("%q is no length of time: write minutes such as 45, or 1h30m, at most %d minutes", clip(s), procedure.MaxMinutes)
	}
	return n
}

// estimate reads one length of time, or three: "30", "20/30/50", "1h/1h30m/2h".
func (v value) estimate() procedure.Estimate {
	s, ok := v.scalar()
	if !ok {
		return procedure.Estimate{}
	}
	parts := strings.Split(s, "/")
	n := make([]int, 0, 3)
	for _, p := range parts {
		if m, ok := parseMinutes(p); ok && m > 0 {
			n = append(n, m)
		}
	}
	e := procedure.Estimate{Low: 1, Likely: 1, High: 1}
	switch {
	case len(n) != len(parts) || len(n) != 1 && len(n) != 3:
		v.fault("%q is no estimate: write minutes such as 30 or 1h30m, or low/likely/high such as 20/30/50", clip(s))
	case len(n) == 1:
		e = procedure.Estimate{Low: n[0], Likely: n[0], High: n[0]}
	case n[0] > n[1] || n[1] > n[2]:
		v.fault("%q is out of order: low, then likely, then high", clip(s))
	default:
		e = procedure.Estimate{Low: n[0], Likely: n[1], High: n[2]}
	}
	return e
}
