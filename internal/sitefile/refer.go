package sitefile

import (
	"fmt"
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
	if hint := r.hint(id, r.idsOf(kind)); hint != "" {
		at.fault("there is no %s %q: did you mean %s?", kind, clip(id), hint)
	} else {
		at.fault("there is no %s %q, neither in the files nor at the site", kind, clip(id))
	}
}

// idsOf lists the ids of a kind, for hints: none where none will be given.
func (r *reader) idsOf(kind string) []string {
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
	r.callNames(k.Names)
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

// named is the id of what a table calls by its id or its name, or what is wrong.
// What may be an id that stands elsewhere in the files is for refer to judge.
func (r *reader) named(noun, text string) (string, string) {
	if r.exists(noun, text) {
		return text, ""
	}
	like := strings.ToLower(text)
	if noun == aTool {
		like = strings.ToUpper(text)
	}
	if r.exists(noun, like) {
		return like, ""
	}
	id, stands := r.names[noun][folded(text)]
	form := slugForm
	if noun == aTool {
		form = tagForm
	}
	switch {
	case id != "":
		return id, ""
	case stands:
		return "", fmt.Sprintf("several %s are called %q: say under values in the mapping which one is meant", plural(noun), clip(text))
	case form.MatchString(text):
		return text, ""
	}
	candidates := r.idsOf(noun)
	for _, n := range r.known.Names {
		if n.Noun == noun {
			candidates = append(candidates, n.Name)
		}
	}
	if hint := r.hint(text, candidates); hint != "" {
		return "", fmt.Sprintf("there is no %s %q: did you mean %s?", noun, clip(text), hint)
	}
	return "", fmt.Sprintf("there is no %s %q, by id or by name: say under values in the mapping which one it is", noun, clip(text))
}

// callNames notes what people call what the site has.
func (r *reader) callNames(list []Name) {
	r.names = make(map[string]map[string]string)
	for _, n := range list {
		if r.names[n.Noun] == nil {
			r.names[n.Noun] = make(map[string]string)
		}
		if _, twice := r.names[n.Noun][folded(n.Name)]; twice {
			n.ID = "" // whose it is, the table must say
		}
		r.names[n.Noun][folded(n.Name)] = n.ID
	}
}
