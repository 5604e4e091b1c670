package trail

import (
	"reflect"
	"slices"
	"strconv"
)

// Differing is what two values, as JSON has them, do not have in common: of each
// the parts that the other says differently or not at all, and what they are
// known by. nil for nothing.
func Differing(before, after any) (any, any) {
	if reflect.DeepEqual(before, after) {
		return nil, nil
	}
	if b, ok := before.(map[string]any); ok {
		if a, ok := after.(map[string]any); ok {
			return differingFields(b, a)
		}
	}
	if b, ok := before.([]any); ok {
		if a, ok := after.([]any); ok {
			return differingItems(b, a)
		}
	}
	return before, after
}

func differingFields(before, after map[string]any) (map[string]any, map[string]any) {
	b, a := map[string]any{}, map[string]any{}
	for key, is := range after {
		was, had := before[key]
		switch was, is := Differing(was, is); {
		case !had:
			a[key] = is
		case was != nil || is != nil:
			b[key], a[key] = was, is
		}
	}
	for key, was := range before {
		if _, has := after[key]; !has {
			b[key] = was
		}
	}
	return b, a
}

// differingItems compares lists. Where their items have ids, each is held
// against the one of its id; else the lists stay whole, since an item is known by
// nothing but its place.
func differingItems(before, after []any) (any, any) {
	key, ok := keyOf(before, after)
	if !ok {
		return before, after
	}
	was := map[any]map[string]any{}
	for _, e := range before {
		e := e.(map[string]any)
		was[e[key]] = e
	}
	var b, a []any
	for _, e := range after {
		is := e.(map[string]any)
		old, had := was[is[key]]
		delete(was, is[key])
		if !had {
			a = append(a, is)
			continue
		}
		oldPart, newPart := differingFields(old, is)
		if len(oldPart)+len(newPart) > 0 {
			oldPart[key], newPart[key] = is[key], is[key]
			b, a = append(b, oldPart), append(a, newPart)
		}
	}
	var stay []any // in the order before
	for _, e := range before {
		if e := e.(map[string]any); was[e[key]] != nil {
			b = append(b, e)
		} else {
			stay = append(stay, e[key])
		}
	}
	if moved(stay, after, key) {
		return map[string]any{"Items": b, "Order": ids(before, key)}, map[string]any{"Items": a, "Order": ids(after, key)}
	}
	return b, a
}

// moved tells whether what is in both lists is in another order in the second.
func moved(stay, after []any, key string) bool {
	for _, id := range ids(after, key) {
		if at := slices.Index(stay, id); at > 0 {
			return true
		} else if at == 0 {
			stay = stay[1:]
		}
	}
	return false
}

func ids(list []any, key string) []any {
	var out []any
	for _, e := range list {
		out = append(out, e.(map[string]any)[key])
	}
	return out
}

// keyOf finds the field that tells the items of lists apart: each has one, a
// text, and no two of a list have the same.
func keyOf(lists ...[]any) (string, bool) {
	for _, key := range []string{"ID", "Name"} {
		if keyed(key, lists) {
			return key, true
		}
	}
	return "", false
}

func keyed(key string, lists [][]any) bool {
	for _, list := range lists {
		seen := map[string]bool{}
		for _, e := range list {
			m, ok := e.(map[string]any)
			if !ok {
				return false
			}
			id, ok := m[key].(string)
			if !ok || id == "" || seen[id] {
				return false
			}
			seen[id] = true
		}
	}
	return true
}

// places names the items of a list: by id where they have one, else by number.
func places(list []any) []string {
	key, ok := keyOf(list)
	out := make([]string, len(list))
	for i, e := range list {
		if out[i] = strconv.Itoa(i); ok {
			out[i] = e.(map[string]any)[key].(string)
		}
	}
	return out
}
