package procedure

import (
	"cmp"
	"slices"
)

// PartLine is one line of a job's parts list.
type PartLine struct {
	ID    string
	Title string // as the first step that uses it calls it
	// Quantity is how many are renewed in any case, IfWorn how many more if
	// those that come off are worn.
	Quantity, IfWorn int
	// Steps are those that use it, as indices into Network.Steps, ascending.
	Steps []int
}

// Parts lists what the network uses up, by id: every step counts once, so that
// the gasket of a cover that two procedures need off is on the list once.
func (n Network) Parts() []PartLine {
	var lines []PartLine
	at := make(map[string]int)
	for i, s := range n.Steps {
		for _, p := range s.Step.Parts {
			k, ok := at[p.ID]
			if !ok {
				k = len(lines)
				at[p.ID] = k
				lines = append(lines, PartLine{ID: p.ID, Title: p.Title})
			}
			l := &lines[k]
			if p.SingleUse {
				l.Quantity += p.Quantity
			} else {
				l.IfWorn += p.Quantity
			}
			if len(l.Steps) == 0 || l.Steps[len(l.Steps)-1] != i {
				l.Steps = append(l.Steps, i)
			}
		}
	}
	slices.SortFunc(lines, func(a, b PartLine) int { return cmp.Compare(a.ID, b.ID) })
	return lines
}

// lessParts is what a has beyond b, without the steps.
func lessParts(a, b []PartLine) []PartLine {
	had := make(map[string]PartLine, len(b))
	for _, l := range b {
		had[l.ID] = l
	}
	var rest []PartLine
	for _, l := range a {
		l.Quantity -= had[l.ID].Quantity
		l.IfWorn -= had[l.ID].IfWorn
		l.Steps = nil
		if l.Quantity > 0 || l.IfWorn > 0 {
			rest = append(rest, l)
		}
	}
	return rest
}
