package procedure

import "slices"

// hop is a node on a ring and the edge by which the ring leaves it.
type hop struct {
	node int32
	edge edge
}

// ring finds nodes that come before each other, as a list of hops; the last hop
// leads back to the first node. With runs it takes each joined run for one
// node, so that two hops may lie in one run without an edge between them. It is
// nil if there is none.
func (g *graph) ring(runs bool) []hop {
	s := seeker{graph: g, runs: runs, state: make([]int8, len(g.out))}
	for u := range int32(len(g.out)) {
		if s.group(u) == u && s.state[u] == unseen {
			if ring := s.from(u); ring != nil {
				return ring
			}
		}
	}
	return nil
}

// The states of a group in a search.
const (
	unseen int8 = iota
	onTheWay
	finished
)

// seeker is a depth-first search for a ring.
type seeker struct {
	*graph
	runs  bool
	state []int8 // by group
}

// group is what a node counts as: itself, or the first of its run.
func (s *seeker) group(u int32) int32 {
	if s.runs {
		return s.first[u]
	}
	return u
}

// visit is a group on the way, with the edge that is looked at.
type visit struct {
	group, node int32 // the node is the member whose edges are looked at
	edge        int   // the next of them
	via         hop   // the one taken last
}

// from searches onwards from a group that has not been seen.
func (s *seeker) from(root int32) []hop {
	way := []visit{{group: root, node: root}}
	s.state[root] = onTheWay
	for len(way) > 0 {
		top := &way[len(way)-1]
		e, ok := s.step(top)
		if !ok {
			s.state[top.group] = finished
			way = way[:len(way)-1]
			continue
		}
		to := s.group(e.to)
		switch s.state[to] {
		case unseen:
			s.state[to] = onTheWay
			way = append(way, visit{group: to, node: to})
		case onTheWay:
			start := slices.IndexFunc(way, func(v visit) bool { return v.group == to })
			hops := make([]hop, 0, len(way)-start)
			for _, v := range way[start:] {
				hops = append(hops, v.via)
			}
			return hops
		}
	}
	return nil
}

// step takes the next edge that leaves a group; there may be none.
func (s *seeker) step(v *visit) (edge, bool) {
	for {
		for v.edge < len(s.out[v.node]) {
			e := s.out[v.node][v.edge]
			v.edge++
			if s.runs && s.group(e.to) == v.group && e.to > v.node {
				continue // forwards inside its own run
			}
			v.via = hop{v.node, e}
			return e, true
		}
		if !s.runs || s.next[v.node] < 0 {
			return edge{}, false
		}
		v.node, v.edge = s.next[v.node], 0
	}
}
