package procedure

import (
	"maps"
	"slices"
	"strings"

	"bayhold/internal/fault"
)

// closure returns the ids, sorted, of every preparation that the given ones
// need, themselves included. It refuses an unknown id and a ring of needs.
func (l Library) closure(ids []string) ([]string, error) {
	const (
		open = 1 // on the way down: met again, it closes a ring
		done = 2
	)
	type visit struct {
		id   string
		next int // index of the next need to look at
	}
	state := make(map[string]int8)
	for _, id := range ids {
		if state[id] == done {
			continue
		}
		if _, ok := l.Preparations[id]; !ok {
			return nil, unknownPreparation(id)
		}
		stack := []visit{{id: id}}
		state[id] = open
		for len(stack) > 0 {
			top := &stack[len(stack)-1]
			needs := l.Preparations[top.id].Needs
			if top.next == len(needs) {
				state[top.id] = done
				stack = stack[:len(stack)-1]
				continue
			}
			need := needs[top.next]
			top.next++
			if _, ok := l.Preparations[need]; !ok {
				return nil, unknownPreparation(need)
			}
			switch state[need] {
			case open:
				from := slices.IndexFunc(stack, func(v visit) bool { return v.id == need })
				var ring []string
				for _, v := range stack[from:] {
					ring = append(ring, v.id)
				}
				return nil, fault.New(fault.Invalid, "PREPARATION_CYCLE",
					"these preparations need each other: %s", strings.Join(append(ring, need), " → "))
			case done:
			default:
				state[need] = open
				stack = append(stack, visit{id: need})
			}
		}
	}
	return slices.Sorted(maps.Keys(state)), nil
}

func unknownPreparation(id string) error {
	return fault.New(fault.Invalid, "UNKNOWN_PREPARATION", "there is no preparation %q", id)
}

// bearers tells which preparations a preparation stands on.
type bearers struct {
	needs [][]int32 // direct needs of each preparation, by number
	seen  []int32   // stamp of the walk that met it last
	stamp int32
	// budget bounds the walks of one merge. Past it lists stay as they are,
	// which costs arcs that say nothing new but changes no order.
	budget int
}

func newBearers(needs [][]int32, budget int) *bearers {
	return &bearers{needs: needs, seen: make([]int32, len(needs)), budget: budget}
}

// direct drops from a list of needs those that another one of the list stands
// on already, and repeated ones.
func (b *bearers) direct(list []int32) []int32 {
	if len(list) < 2 {
		return list
	}
	list = slices.Clone(list)
	slices.Sort(list)
	list = slices.Compact(list)
	b.stamp++
	var stack []int32
	for _, p := range list {
		stack = append(stack, b.needs[p]...)
	}
	for len(stack) > 0 && b.budget > 0 {
		p := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if b.seen[p] == b.stamp {
			continue
		}
		b.seen[p] = b.stamp
		b.budget -= 1 + len(b.needs[p])
		stack = append(stack, b.needs[p]...)
	}
	return slices.DeleteFunc(list, func(p int32) bool { return b.seen[p] == b.stamp })
}

// standsOn reports whether p is one of roots or needs one of them, directly or
// through others.
func (b *bearers) standsOn(p int32, roots []int32) bool {
	if slices.Contains(roots, p) {
		return true
	}
	b.stamp++
	stack := []int32{p}
	for len(stack) > 0 {
		q := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		for _, r := range b.needs[q] {
			if slices.Contains(roots, r) {
				return true
			}
			if b.seen[r] != b.stamp {
				b.seen[r] = b.stamp
				stack = append(stack, r)
			}
		}
	}
	return false
}
