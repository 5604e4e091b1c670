package procedure

import (
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// id checks the form of an id: it becomes part of resource names.
func (c checker) id(id string) {
	ok := id != "" && len(id) <= MaxID
	for i, r := range id {
		plain := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
		ok = ok && (plain || i > 0 && strings.ContainsRune("-_.", r))
	}
	if !ok {
		c.fault("id", "%q is no id: 1 to %d letters, digits, dashes, underscores or dots, a letter or digit first", clip(id), MaxID)
	}
}

// text checks the length and the characters of a text for people.
func (c checker) text(s string, limit int, required bool) {
	switch {
	case required && strings.TrimSpace(s) == "":
		c.fault("missing-text", "must not be empty")
	case utf8.RuneCountInString(s) > limit:
		c.fault("long-text", "has %d characters, more than %d", utf8.RuneCountInString(s), limit)
	case !utf8.ValidString(s):
		c.fault("text", "is not valid UTF-8")
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		c.fault("text", "has control characters")
	}
}

// names checks a list of names: its length, empty and repeated entries.
func (c checker) names(list []string) {
	c.count(len(list))
	seen := make(map[string]bool, len(list))
	for i, n := range list {
		switch {
		case strings.TrimSpace(n) == "" || utf8.RuneCountInString(n) > MaxTitle || !utf8.ValidString(n):
			c.fault("name", "entry %d is empty or longer than %d characters", i+1, MaxTitle)
		case seen[n]:
			c.fault("repeated", "%q stands there twice", clip(n))
		}
		seen[n] = true
	}
}

// count checks the length of a list.
func (c checker) count(n int) {
	if n > MaxListed {
		c.fault("too-many", "has %d entries, more than %d", n, MaxListed)
	}
}

// figure checks that a number is one and lies in a range.
func (c checker) figure(x, low, high float64, what string) {
	if math.IsNaN(x) || x < low || x > high {
		c.fault("figure", "%v is out of range: %s is from %v to %v", x, what, low, high)
	}
}

// clip shortens what is quoted in a message.
func clip(s string) string {
	if len(s) > MaxID {
		s = strings.ToValidUTF8(s[:MaxID], "") + "…"
	}
	return s
}

// caution checks a signal word and its text.
func (c checker) caution(w Caution) {
	if !slices.Contains(Signals(), w.Signal) {
		c.at(0, "signal").fault("signal", "%q is no signal word: DANGER, WARNING, CAUTION or NOTICE", clip(string(w.Signal)))
	}
	if w.Code != "" && !slices.Contains(Codes(), w.Code) {
		c.at(0, "code").fault("caution-code", "%q is no known code: leave it empty, or one of %s", clip(w.Code), strings.Join(Codes(), ", "))
	}
	c.at(0, "text").text(w.Text, MaxText, true)
}
