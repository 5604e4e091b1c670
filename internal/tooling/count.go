package tooling

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// maxCounted bounds the lines of one count.
const maxCounted = 1_000

// Count judges what was counted of a set against what belongs to it. Every piece
// must be counted, unless the rest is said to be complete. The pieces missing
// and damaged come in the order of the set.
//
// Invalid, PIECES, with a field for each line that cannot be: a piece that the
// set does not have, one that stands twice, a negative count, more than belong
// to the set, more damaged than were counted, and pieces that nobody counted.
func Count(set []site.Piece, counted []site.CountedPiece, restComplete bool) (missing, damaged []site.Piece, err error) {
	var fs fault.Fields
	if len(counted) > maxCounted {
		fs.Add("counted", "must not be more than %d lines", maxCounted)
		return nil, nil, fs.Err("PIECES", "the pieces cannot have been counted so")
	}
	lines := map[string]site.CountedPiece{}
	for i, c := range counted {
		path := fmt.Sprintf("counted[%d]", i)
		_, twice := lines[c.Name]
		at := slices.IndexFunc(set, func(p site.Piece) bool { return p.Name == c.Name })
		switch {
		case at < 0:
			fs.Add(path, "the set has no piece %q: it has %s", clip(c.Name), names(set))
			continue
		case twice:
			fs.Add(path, "%q stands twice: give one count", clip(c.Name))
		case c.Count < 0 || c.Damaged < 0:
			fs.Add(path, "%q: a count cannot be below 0", clip(c.Name))
		case c.Count > set[at].Count:
			fs.Add(path, "%q: %d were counted and %d belong to the set: return what is another's, or correct the tool type", clip(c.Name), c.Count, set[at].Count)
		case c.Damaged > c.Count:
			fs.Add(path, "%q: of %d counted, %d cannot be damaged", clip(c.Name), c.Count, c.Damaged)
		}
		lines[c.Name] = c
	}
	for _, p := range set {
		c, ok := lines[p.Name]
		if !ok {
			if !restComplete {
				fs.Add("counted", "%q was not counted: %d belong to the set", clip(p.Name), p.Count)
			}
			continue
		}
		if c.Count < p.Count {
			missing = append(missing, site.Piece{Name: p.Name, Count: p.Count - c.Count})
		}
		if c.Damaged > 0 {
			damaged = append(damaged, site.Piece{Name: p.Name, Count: c.Damaged})
		}
	}
	if err := fs.Err("PIECES", "the pieces were not counted so that it can be written down"); err != nil {
		return nil, nil, err
	}
	return missing, damaged, nil
}

// Lacking says in words what a set lacks: "2 × pin missing, 1 × cam plate
// damaged"; empty if nothing.
func Lacking(missing, damaged []site.Piece) string {
	var out []string
	for _, p := range missing {
		out = append(out, fmt.Sprintf("%d × %s missing", p.Count, p.Name))
	}
	for _, p := range damaged {
		out = append(out, fmt.Sprintf("%d × %s damaged", p.Count, p.Name))
	}
	return strings.Join(out, ", ")
}

// CheckLacking notes what is wrong with the pieces that a tool is said to lack:
// some that its type does not have, or more than belong to it.
func CheckLacking(fs *fault.Fields, set, missing, damaged []site.Piece) {
	gone := map[string]int{}
	for _, list := range []struct {
		path   string
		pieces []site.Piece
	}{{"missing", missing}, {"damaged", damaged}} {
		seen := map[string]bool{}
		for _, p := range list.pieces {
			at := slices.IndexFunc(set, func(s site.Piece) bool { return s.Name == p.Name })
			switch {
			case at < 0:
				fs.Add(list.path, "the set has no piece %q: it has %s", clip(p.Name), names(set))
				continue
			case seen[p.Name]:
				fs.Add(list.path, "%q stands twice", clip(p.Name))
			case p.Count < 1:
				fs.Add(list.path, "%q: a count must be 1 or more; leave out what is there and fit", clip(p.Name))
			case gone[p.Name]+p.Count > set[at].Count:
				fs.Add(list.path, "%q: more than the %d that belong to the set", clip(p.Name), set[at].Count)
			}
			seen[p.Name] = true
			gone[p.Name] += p.Count
		}
	}
}

func names(set []site.Piece) string {
	if len(set) == 0 {
		return "none: its type is no set"
	}
	out := make([]string, 0, len(set))
	for _, p := range set {
		out = append(out, p.Name)
	}
	return clip(strings.Join(out, ", "))
}

// clip keeps a caller's text in a message to a size that can be read.
func clip(s string) string {
	const limit = 200
	if utf8.RuneCountInString(s) > limit {
		return string([]rune(s)[:limit]) + "…"
	}
	return s
}
