package trail

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
)

// Change is one thing that an event changed, in the words of the log.
type Change struct {
	Path   string // "Condition", "Closures[0].Reason", "Steps[renew].Title"; empty for the thing itself
	Before string // empty for what was not there
	After  string // empty for what is gone
}

// Changes reads from the details of an event, as JSON has them, what it changed:
// where they tell a "before" and an "after", or a "from" and a "to", what
// differs; else everything that they tell, as new.
func Changes(details any) []Change {
	told, ok := details.(map[string]any)
	if !ok {
		return compare(nil, flatten(details))
	}
	for _, pair := range [][2]string{{"before", "after"}, {"from", "to"}} {
		before, had := told[pair[0]]
		after, has := told[pair[1]]
		if !had && !has || pair[0] == "from" && had != has {
			continue
		}
		rest := maps.Clone(told)
		delete(rest, pair[0])
		delete(rest, pair[1])
		was, is := Differing(before, after)
		return append(compare(flatten(was), flatten(is)), compare(nil, flatten(rest))...)
	}
	return compare(nil, flatten(details))
}

// compare lists what differs, in the order of the paths.
func compare(before, after map[string]string) []Change {
	paths := map[string]bool{}
	for p := range before {
		paths[p] = true
	}
	for p := range after {
		paths[p] = true
	}
	var out []Change
	for _, p := range slices.Sorted(maps.Keys(paths)) {
		if before[p] != after[p] {
			out = append(out, Change{p, before[p], after[p]})
		}
	}
	return out
}

// never is the zero time, which the log writes for a time that there is not.
const never = "0001-01-01T00:00:00Z"

// flatten gives the leaves of a JSON value under their paths.
func flatten(v any) map[string]string {
	out := map[string]string{}
	flattenInto(out, "", v)
	return out
}

func flattenInto(out map[string]string, path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for key, e := range v {
			if path != "" {
				key = path + "." + key
			}
			flattenInto(out, key, e)
		}
	case []any:
		at := places(v)
		for i, e := range v {
			flattenInto(out, path+"["+at[i]+"]", e)
		}
	case nil: // not there
	case string:
		if v != "" && v != never {
			out[path] = v
		}
	case float64:
		out[path] = strconv.FormatFloat(v, 'f', -1, 64)
	default:
		out[path] = fmt.Sprint(v)
	}
}
