package sitefile

import (
	"maps"
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
func (r *reader) refer(kind, id string, at value) {
	if id == "" || r.exists(kind, id) {
		return
	}
	if hint := r.hint(id, r.names(kind)); hint != "" {
		at.fault("there is no %s %q: did you mean %s?", kind, clip(id), hint)
	} else {
		at.fault("there is no %s %q, neither in the files nor at the site", kind, clip(id))
	}
}

// names lists the ids of a kind, for hints: none where none will be given.
func (r *reader) names(kind string) []string {
	if len(r.found) > maxFaults || len(r.seen[kind])+len(r.standing[kind]) > maxCandidates {
		return nil
	}
	return append(slices.Sorted(maps.Keys(r.seen[kind])), slices.Sorted(maps.Keys(r.standing[kind]))...)
}

func (r *reader) exists(kind, id string) bool {
	_, here := r.seen[kind][id]
	return here || r.standing[kind][id]
}

// stand notes the ids of what the site has already.
func (r *reader) stand(k Known) {
	types := make([]string, 0, len(k.ToolTypes))
	for _, t := range k.ToolTypes {
		types = append(types, t.ID)
	}
	r.known, r.standing = k, make(map[string]map[string]bool)
	for kind, ids := range map[string][]string{
		aBay: k.Bays, aTechnician: k.Technicians, aTool: k.Tools, aFamily: k.EngineFamilies, aToolType: types,
	} {
		r.standing[kind] = make(map[string]bool, len(ids))
		for _, id := range ids {
			r.standing[kind][id] = true
		}
	}
}
