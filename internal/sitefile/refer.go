package sitefile

import (
	"slices"
	"strings"
)

// The kinds of thing that have ids, as messages call them.
const (
	aBay         = "bay"
	aTechnician  = "technician"
	aTool        = "tool"
	aToolType    = "tool type"
	aFamily      = "engine family"
	aPreparation = "preparation"
	aProcedure   = "procedure"
	aBooking     = "booking"
)

// define notes that a thing stands in the files; it reports false, and notes
// where the first stood, if one of the kind and id did before.
func (r *reader) define(kind, id string, at value) bool {
	if id == "" {
		return false
	}
	if r.seen[kind] == nil {
		r.seen[kind] = make(map[string]value)
	}
	if first, ok := r.seen[kind][id]; ok {
		at.fault("there are two %s with the id %q: the first is at %s", plural(kind), clip(id), first.where())
		return false
	}
	r.seen[kind][id] = at
	return true
}

func plural(kind string) string {
	if strings.HasSuffix(kind, "y") && kind != aBay {
		return strings.TrimSuffix(kind, "y") + "ies"
	}
	return kind + "s"
}

// refer checks that a thing exists, in the files or at the site.
func (r *reader) refer(kind, id string, at value) bool {
	if id == "" {
		return false
	}
	if _, ok := r.seen[kind][id]; ok {
		return true
	}
	standing := r.standing(kind)
	if slices.Contains(standing, id) {
		return true
	}
	for name := range r.seen[kind] {
		standing = append(standing, name)
	}
	slices.Sort(standing)
	if hint := nearest(id, standing); hint != "" {
		at.fault("there is no %s %q: did you mean %s?", kind, clip(id), hint)
	} else {
		at.fault("there is no %s %q, neither in the files nor at the site", kind, clip(id))
	}
	return false
}

// standing lists the ids of a kind that the site has already.
func (r *reader) standing(kind string) []string {
	switch kind {
	case aBay:
		return slices.Clone(r.known.Bays)
	case aTechnician:
		return slices.Clone(r.known.Technicians)
	case aTool:
		return slices.Clone(r.known.Tools)
	case aFamily:
		return slices.Clone(r.known.EngineFamilies)
	case aToolType:
		var ids []string
		for _, t := range r.known.ToolTypes {
			ids = append(ids, t.ID)
		}
		return ids
	}
	return nil
}
