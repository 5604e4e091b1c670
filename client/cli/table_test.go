package cli

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/google/go-cmp/cmp"
)

// written gives a table as text.
func written(t table, room int) string {
	var b strings.Builder
	writeTable(&b, t, room)
	return b.String()
}

// TestTable holds how a table makes itself fit: empty columns go, then cells
// wrap, then columns go by their order, then words break.
func TestTable(t *testing.T) {
	cols := []column{{title: "tool"}, {title: "name", wrap: true}, {title: "note", wrap: true, drop: 1}}
	full := table{cols: cols}
	full.add("LK-01", "valve locking set", "one pin bent")
	full.add("LK-02", "锁定工具", "")
	bare := table{cols: cols}
	bare.add("LK-01", "valve locking set", "")
	for _, tt := range []struct {
		name  string
		table table
		room  int
		want  string
	}{
		{"wide", full, 80, "TOOL   NAME               NOTE\nLK-01  valve locking set  one pin bent\nLK-02  锁定工具\n"},
		{"wraps", full, 28, "TOOL   NAME       NOTE\nLK-01  valve      one pin\n       locking    bent\n       set\nLK-02  锁定工具\n"},
		{"drops", full, 20, "TOOL   NAME\nLK-01  valve locking\n       set\nLK-02  锁定工具\n"},
		{"breaks", full, 12, "TOOL   NAME\nLK-01  valve\n       locking\n       set\nLK-02  锁定工具\n"},
		{"empty", bare, 80, "TOOL   NAME\nLK-01  valve locking set\n"},
	} {
		if diff := cmp.Diff(tt.want, written(tt.table, tt.room)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

// TestTextWidth holds the columns that runes take; East Asian widths are those
// of Unicode Standard Annex 11.
func TestTextWidth(t *testing.T) {
	for text, want := range map[string]int{
		"": 0, "abc": 3, "Prüfung": 7, "Pru\u0308fung": 7, "锁定": 4, "ﾃｽﾄ": 3, "×°": 2, "a\u200bb": 2, "\x1b[0m": 3,
	} {
		if got := textWidth(text); got != want {
			t.Errorf("%q: %d, want %d", text, got, want)
		}
	}
}

// TestWrap holds that wrapping keeps every visible character, in order, and
// the room, unless a single rune is wider.
func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.SampledFrom([]rune("ab-/, é锁\n"))).Draw(t, "text")
		room := rapid.IntRange(2, 20).Draw(t, "room")
		lines := wrap(text, room)
		for _, l := range lines {
			if textWidth(l) > room {
				t.Fatalf("%q is wider than %d", l, room)
			}
		}
		if a, b := strings.Join(strings.Fields(text), ""), strings.Join(strings.Fields(strings.Join(lines, "")), ""); a != b {
			t.Fatalf("%q became %q", a, b)
		}
	})
}

// TestTableFits holds that a table whose columns all wrap fits any room that
// leaves each eight columns.
func TestTableFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "columns")
		tb := table{ruled: rapid.Bool().Draw(t, "ruled")}
		for range n {
			tb.cols = append(tb.cols, column{title: "abc", wrap: true})
		}
		for range rapid.IntRange(0, 4).Draw(t, "rows") {
			row := make([]string, n)
			for i := range row {
				row[i] = rapid.StringOf(rapid.SampledFrom([]rune("ab- 锁\n"))).Draw(t, "cell")
			}
			tb.add(row...)
		}
		room := n*8 + (n-1)*gap + rapid.IntRange(0, 40).Draw(t, "more")
		for line := range strings.SplitSeq(written(tb, room), "\n") {
			if textWidth(line) > room {
				t.Fatalf("%q is wider than %d", line, room)
			}
		}
	})
}
