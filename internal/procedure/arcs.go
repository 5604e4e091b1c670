package procedure

import (
	"cmp"
	"slices"

	"bayhold/internal/fault"
)

// arcs takes the bounds out of the graph: whatever came directly before a
// bound comes directly before what the bound preceded. sorted is an order of
// all nodes, position that of the steps in the network.
func (m *merger) arcs(sorted, position []int32) ([]Arc, error) {
	steps := int32(len(m.steps))
	before := make([][]int32, len(m.graph.out)-len(m.steps)) // of each bound: the steps directly before it
	arcs := make([]Arc, 0, 2*steps)
	made := 0
	for _, u := range sorted {
		from := []int32{u}
		if u >= steps {
			from = before[u-steps]
			slices.Sort(from)
			from = slices.Compact(from)
			before[u-steps] = from
		}
		for _, e := range m.graph.out[u] {
			if made += len(from); made > maxArcs {
				return nil, fault.New(fault.Exhausted, "TOO_MANY_ARCS",
					"too many steps are free of order next to %s: list them one after the other", m.near(u))
			}
			if e.to >= steps {
				before[e.to-steps] = append(before[e.to-steps], from...)
				continue
			}
			for _, f := range from {
				arcs = append(arcs, Arc{
					From: int(position[f]), To: int(position[e.to]),
					Lag: m.steps[f].Step.WaitAfter, Joined: e.why == joined,
				})
			}
		}
	}
	m.last = make([][]int32, len(m.preps))
	for i, p := range m.preps {
		m.last[i] = before[p.ends-steps]
	}
	slices.SortFunc(arcs, func(a, b Arc) int {
		if c := cmp.Compare(a.From, b.From); c != 0 {
			return c
		}
		if c := cmp.Compare(a.To, b.To); c != 0 {
			return c
		}
		return -compareBool(a.Joined, b.Joined) // the joined one is kept
	})
	arcs = slices.CompactFunc(arcs, func(a, b Arc) bool { return a.From == b.From && a.To == b.To })
	return arcs, nil
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// near names the step, preparation or procedure of a node.
func (m *merger) near(u int32) string {
	if int(u) < len(m.steps) {
		return m.steps[u].ID
	}
	return m.boundNames([]hop{{node: u}})[0]
}
