package procedure

import (
	"fmt"
	"sort"
)

// Change is one difference between two versions of a procedure.
type Change struct {
	Kind ChangeKind
	Step string // id of the step; empty for the procedure itself
	// Field is what changed, in the words of the file: "estimate"; empty for
	// a step that was added, removed or moved.
	Field string
	// Was and Is are the old and the new content in words. Of an added step
	// Is, of a removed one Was, is its title; of a moved one they name the
	// step that it came and comes after, empty for the first.
	Was, Is string
}

// ChangeKind says what sort of difference a Change is.
type ChangeKind string

// The kinds of change.
const (
	Added   ChangeKind = "ADDED"
	Removed ChangeKind = "REMOVED"
	Moved   ChangeKind = "MOVED"
	Changed ChangeKind = "CHANGED"
)

// String is the change as one line for people.
func (c Change) String() string {
	switch c.Kind {
	case Added:
		return fmt.Sprintf("step %s added: %s", c.Step, c.Is)
	case Removed:
		return fmt.Sprintf("step %s removed: %s", c.Step, c.Was)
	case Moved:
		return fmt.Sprintf("step %s moved: %s, was %s", c.Step, place(c.Is), place(c.Was))
	}
	what := c.Field
	if c.Step != "" {
		what = "step " + c.Step + ": " + what
	}
	return fmt.Sprintf("%s: %s, was %s", what, orNone(c.Is), orNone(c.Was))
}

func place(after string) string {
	if after == "" {
		return "comes first"
	}
	return "after " + after
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// Diff tells what changed from one version of a procedure to another: first the
// procedure itself, then its steps in the new order with those removed at the
// place they had. Steps are told apart by their ids. Version and state do not
// count, nor do lines of files. Equal procedures give no changes.
func Diff(was, is Procedure) []Change {
	changes := diffFields("", was.fields(), is.fields())
	old := make(map[string]int, len(was.Steps))
	for i, s := range was.Steps {
		old[s.ID] = i
	}
	kept := make(map[string]bool, len(is.Steps))
	var order []int // old places of the steps that stay, in the new order
	for _, s := range is.Steps {
		if i, ok := old[s.ID]; ok {
			kept[s.ID] = true
			order = append(order, i)
		}
	}
	still := rising(order)
	gone := 0 // steps of the old version that have been dealt with
	removed := func(upTo int) {
		for ; gone < upTo; gone++ {
			if s := was.Steps[gone]; !kept[s.ID] {
				changes = append(changes, Change{Kind: Removed, Step: s.ID, Was: s.Title})
			}
		}
	}
	for i, s := range is.Steps {
		k, ok := old[s.ID]
		if !ok {
			changes = append(changes, Change{Kind: Added, Step: s.ID, Is: s.Title})
			continue
		}
		if still[k] {
			removed(k)
		} else {
			changes = append(changes, Change{Kind: Moved, Step: s.ID, Was: before(was.Steps, k), Is: before(is.Steps, i)})
		}
		changes = append(changes, diffFields(s.ID, was.Steps[k].fields(), s.fields())...)
	}
	removed(len(was.Steps))
	return changes
}

// before is the id of the step listed before the one at i.
func before(steps []Step, i int) string {
	if i == 0 {
		return ""
	}
	return steps[i-1].ID
}

// rising picks from a list of different numbers a longest one that rises: the
// steps that kept their order, so that as few as possible count as moved.
func rising(list []int) map[int]bool {
	var tails []int // index in list of the end of the best run of each length
	previous := make([]int, len(list))
	for i, x := range list {
		k := sort.Search(len(tails), func(k int) bool { return list[tails[k]] >= x })
		previous[i] = -1
		if k > 0 {
			previous[i] = tails[k-1]
		}
		if k == len(tails) {
			tails = append(tails, i)
		} else {
			tails[k] = i
		}
	}
	run := make(map[int]bool, len(tails))
	if len(tails) == 0 {
		return run
	}
	for i := tails[len(tails)-1]; i >= 0; i = previous[i] {
		run[list[i]] = true
	}
	return run
}

// field is one part of a procedure or a step in words.
type field struct{ name, value string }

// diffFields compares two lists of the same fields.
func diffFields(step string, was, is []field) []Change {
	var changes []Change
	for i := range is {
		if was[i] != is[i] {
			changes = append(changes, Change{Kind: Changed, Step: step, Field: is[i].name, Was: was[i].value, Is: is[i].value})
		}
	}
	return changes
}
