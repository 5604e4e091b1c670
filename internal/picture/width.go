package picture

import (
	"strings"
	"unicode"
)

// wide are the scripts whose signs take two columns of a monospaced page.
var wide = []*unicode.RangeTable{unicode.Han, unicode.Hangul, unicode.Hiragana, unicode.Katakana, unicode.Yi, fullWidth}

// fullWidth holds the full-width forms and the pictographs, which no script has.
var fullWidth = &unicode.RangeTable{
	R16: []unicode.Range16{{Lo: 0x3000, Hi: 0x303e, Stride: 1}, {Lo: 0xff01, Hi: 0xff60, Stride: 1}, {Lo: 0xffe0, Hi: 0xffe6, Stride: 1}},
	R32: []unicode.Range32{{Lo: 0x1f300, Hi: 0x1f64f, Stride: 1}, {Lo: 0x1f680, Hi: 0x1f6ff, Stride: 1}, {Lo: 0x1f900, Hi: 0x1faff, Stride: 1}},
}

// columns is how many columns a sign takes.
func columns(r rune) int {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case unicode.In(r, wide...):
		return 2
	}
	return 1
}

// Width is how many columns a text takes on a monospaced page.
func Width(s string) int {
	n := 0
	for _, r := range s {
		n += columns(r)
	}
	return n
}

// Wrap parts a text into lines of at most so many columns, between words where
// that can be. It gives at least one line.
func Wrap(s string, most int) []string {
	most = max(most, 2) // the widest sign
	var lines []string
	line, used := "", 0
	flush := func() {
		lines = append(lines, line)
		line, used = "", 0
	}
	words := strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) // not at what is kept together
	for _, word := range words {
		if line != "" && used+1+Width(word) > most {
			flush()
		}
		if line != "" {
			line += " "
			used++
		}
		for Width(word) > most { // longer than a line: it is cut
			line, word = cut(word, most)
			flush()
		}
		line += word
		used += Width(word)
	}
	if line != "" || len(lines) == 0 {
		flush()
	}
	return lines
}

// cut parts a word behind the last sign that fits.
func cut(word string, most int) (head, rest string) {
	used := 0
	for i, r := range word {
		if used += columns(r); used > most {
			return word[:i], word[i:]
		}
	}
	return word, ""
}
