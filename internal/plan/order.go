package plan

import (
	"slices"
	"strconv"
)

// sort gives the steps in an order in which every arc leads forward, lowest
// index first where arcs leave the choice; or the steps of a cycle in turn.
func (p *Problem) sort() (order, cycle []int32) {
	n := len(p.Steps)
	in := make([]int32, n)
	succ := make([][]int32, n)
	for _, a := range p.Arcs {
		in[a.To]++
		succ[a.From] = append(succ[a.From], a.To)
	}
	// A stack filled from above keeps chains together, which keeps the
	// propagator's rounds few.
	var ready []int32
	for k := n - 1; k >= 0; k-- {
		if in[k] == 0 {
			ready = append(ready, int32(k))
		}
	}
	for len(ready) > 0 {
		k := ready[len(ready)-1]
		ready = ready[:len(ready)-1]
		order = append(order, k)
		for _, t := range slices.Backward(succ[k]) {
			if in[t]--; in[t] == 0 {
				ready = append(ready, t)
			}
		}
	}
	if len(order) == n {
		return order, nil
	}
	return nil, findCycle(succ, in)
}

// findCycle walks backwards among the steps that could not be ordered, each
// of which has a predecessor among them, until one comes up twice.
func findCycle(succ [][]int32, in []int32) []int32 {
	before := make([]int32, len(in))
	at := int32(-1)
	for k := range succ {
		for _, t := range succ[k] {
			if in[k] > 0 && in[t] > 0 {
				before[t] = int32(k)
			}
		}
		if in[k] > 0 {
			at = int32(k)
		}
	}
	seen := make([]bool, len(in))
	for !seen[at] {
		seen[at] = true
		at = before[at]
	}
	var cycle []int32
	for k := at; ; {
		cycle = append(cycle, k)
		if k = before[k]; k == at {
			break
		}
	}
	slices.Reverse(cycle)
	return cycle
}

// at makes the path of a part of the problem.
func at(list string, i int, field string) string {
	path := list + "[" + strconv.Itoa(i) + "]"
	if field == "" {
		return path
	}
	return path + "." + field
}
