package picture

import (
	"fmt"
	"strings"
)

// Ink is a colour by its role, on light and on dark ground, as #rrggbb.
type Ink struct{ Role, Light, Dark string }

// Palette holds every colour that a picture or a page around it uses.
func Palette() []Ink {
	return []Ink{
		{"paper", "#f7f4ed", "#14171b"},
		{"card", "#fffdf8", "#1d2126"},
		{"ink", "#191c20", "#f3efe6"},
		{"quiet", "#55534c", "#b9b4a8"},
		{"rule", "#d8d2c4", "#363b42"},
		{"edge", "#6b6860", "#8f8b82"},
		{"today", "#191c20", "#f3efe6"},
		{"on-today", "#fffdf8", "#14171b"},
		{"stands", "#bfdde0", "#1c4a52"},
		{"on-stands", "#0b2a30", "#dff4f6"},
		{"stands-edge", "#1d5d68", "#6cc0cc"},
		{"open", "#fbe7b2", "#453409"},
		{"on-open", "#3a2a00", "#ffe9b0"},
		{"open-edge", "#8f6500", "#dda52b"},
		{"amiss", "#ffd5cc", "#5a1810"},
		{"on-amiss", "#560f06", "#ffe1da"},
		{"amiss-edge", "#b3261a", "#ff8a78"},
		{"shut", "#e3ddd0", "#2a2e34"},
		{"on-shut", "#45423a", "#c6c1b5"},
		{"shut-edge", "#7a766b", "#85827a"},
		{"spare", "#ebe5d8", "#23282e"},
		{"focus", "#0b4fd6", "#9cc2ff"},
	}
}

// Pair is two colours that meet: text on a ground, or an edge against one.
type Pair struct {
	Fore, Ground string // roles
	Text         bool   // must be read, not only seen
}

// Pairs lists the colours that meet in pictures and on the page around them.
func Pairs() []Pair {
	pairs := []Pair{
		{"ink", "paper", true}, {"ink", "card", true}, {"ink", "spare", true},
		{"quiet", "paper", true}, {"quiet", "card", true}, {"quiet", "spare", true},
		{"on-today", "today", true},
		{"amiss-edge", "paper", true}, {"amiss-edge", "card", true},
		{"edge", "paper", false}, {"edge", "card", false},
		{"ink", "shut", true},
		{"ink", "stands", false}, {"ink", "open", false}, {"ink", "amiss", false},
	}
	for _, look := range []Look{Stands, Open, Amiss, Shut} {
		l := string(look)
		pairs = append(pairs, Pair{"on-" + l, l, true},
			Pair{l + "-edge", "paper", false}, Pair{l + "-edge", "card", false}, Pair{l + "-edge", l, false})
	}
	for _, ground := range []string{"paper", "card", "stands", "open", "amiss", "shut", "spare", "today"} {
		if ground != "today" {
			pairs = append(pairs, Pair{"focus", ground, false})
		}
	}
	return pairs
}

// Variables writes the palette as custom properties of CSS, dark ones for those
// who ask their machine for a dark look.
func Variables() string {
	var light, dark strings.Builder
	for _, i := range Palette() {
		fmt.Fprintf(&light, "--%s:%s;", i.Role, i.Light)
		fmt.Fprintf(&dark, "--%s:%s;", i.Role, i.Dark)
	}
	return ":root{color-scheme:light dark;" + light.String() + "}\n" +
		"@media screen and (prefers-color-scheme:dark){:root{" + dark.String() + "}}\n"
}
