package procedure

import (
	"container/heap"
	"slices"
)

// reason says why one node comes before another, for the words of a refusal.
type reason uint8

const (
	boundary reason = iota // a list's steps lie between its two bounds
	listed                 // the order of the list
	named                  // after, before
	joined                 // no gap
	needed                 // a preparation stands while it is needed
	placed                 // only before, only after a preparation
	opposite               // preparations that exclude each other
)

// edge leads to a node that comes later.
type edge struct {
	to  int32
	why reason
}

// graph is the order of a job in the making. Its first nodes are the steps;
// after them come bounds: moments without length, such as "the cover is off",
// that keep the number of edges linear in the number of steps. Bounds vanish
// when the arcs between steps are made.
type graph struct {
	steps int      // nodes below it are steps
	out   [][]edge // by node
	// next is the step that must follow without a gap, or -1; first is the
	// step that begins the joined run a node is in, itself for most.
	next, first []int32
}

func newGraph(steps, bounds int) *graph {
	n := steps + bounds
	g := &graph{steps: steps, out: make([][]edge, n), next: make([]int32, n), first: make([]int32, n)}
	for i := range n {
		g.next[i], g.first[i] = -1, int32(i)
	}
	return g
}

// add puts from before to.
func (g *graph) add(from, to int32, why reason) {
	g.out[from] = append(g.out[from], edge{to, why})
}

// join puts to right after from. Runs are joined in listed order.
func (g *graph) join(from, to int32) {
	g.add(from, to, joined)
	g.next[from] = to
	g.first[to] = g.first[from]
}

// reaches reports whether from comes before to, or is it. What comes before or
// after one step of a joined run does so with the whole run.
func (g *graph) reaches(from, to int32) bool {
	seen := make([]bool, len(g.out)) // by first node of a run
	stack := []int32{g.first[from]}
	for len(stack) > 0 {
		u := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if u == g.first[to] {
			return true
		}
		for ; u >= 0; u = g.next[u] {
			for _, e := range g.out[u] {
				if run := g.first[e.to]; !seen[run] {
					seen[run] = true
					stack = append(stack, run)
				}
			}
		}
	}
	return false
}

// nodes is a heap of node numbers: the lowest ready one goes first.
type nodes []int32

func (h nodes) Len() int           { return len(h) }
func (h nodes) Less(i, j int) bool { return h[i] < h[j] }
func (h nodes) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *nodes) Push(x any)        { *h = append(*h, x.(int32)) }
func (h *nodes) Pop() any {
	old := *h
	x := old[len(old)-1]
	*h = old[:len(old)-1]
	return x
}

// order sorts the nodes so that each comes after all that precede it, joined
// runs in one piece, and otherwise the lowest number first. If that cannot be,
// the order is short.
func (g *graph) order() []int32 {
	waiting := make([]int32, len(g.out)) // of the first node of each run
	for u := range g.out {
		for _, e := range g.out[u] {
			switch {
			case g.first[e.to] != g.first[u]:
				waiting[g.first[e.to]]++
			case e.to <= int32(u): // backwards inside its own run: never ready
				waiting[g.first[u]]++
			}
		}
	}
	// Bounds have no length and go as soon as they can: they have the highest
	// numbers, so they wait on a stack of their own.
	var bounds []int32
	ready := &nodes{}
	for u := range int32(len(g.out)) {
		switch {
		case g.first[u] != u || waiting[u] > 0:
		case int(u) >= g.steps:
			bounds = append(bounds, u)
		default:
			*ready = append(*ready, u)
		}
	}
	heap.Init(ready)
	sorted := make([]int32, 0, len(g.out))
	for len(bounds) > 0 || ready.Len() > 0 {
		var u int32
		if k := len(bounds); k > 0 {
			u, bounds = bounds[k-1], bounds[:k-1]
		} else {
			u = heap.Pop(ready).(int32)
		}
		for ; u >= 0; u = g.next[u] {
			sorted = append(sorted, u)
			for _, e := range g.out[u] {
				to := g.first[e.to]
				if to == g.first[u] {
					continue
				}
				waiting[to]--
				switch {
				case waiting[to] > 0:
				case int(to) >= g.steps:
					bounds = append(bounds, to)
				default:
					heap.Push(ready, to)
				}
			}
		}
	}
	return sorted
}

// ring finds nodes that come before each other, as a list of hops, each the
// node and the edge that leaves it; the last hop leads back to the first node.
// With runs it takes each joined run for one node, so that two hops may lie in
// one run without an edge between them. It is nil if there is none.
func (g *graph) ring(runs bool) []hop {
	at := func(u int32) int32 {
		if runs {
			return g.first[u]
		}
		return u
	}
	const (
		open = 1
		done = 2
	)
	type visit struct {
		group    int32
		node     int32 // the member whose edges are being looked at
		nextEdge int
		via      hop // the hop taken last from here
	}
	state := make([]int8, len(g.out))
	for root := range int32(len(g.out)) {
		if at(root) != root || state[root] == done {
			continue
		}
		stack := []visit{{group: root, node: root}}
		state[root] = open
		for len(stack) > 0 {
			top := &stack[len(stack)-1]
			if top.nextEdge == len(g.out[top.node]) {
				if runs && g.next[top.node] >= 0 {
					top.node, top.nextEdge = g.next[top.node], 0
					continue
				}
				state[top.group] = done
				stack = stack[:len(stack)-1]
				continue
			}
			e := g.out[top.node][top.nextEdge]
			top.nextEdge++
			top.via = hop{top.node, e}
			to := at(e.to)
			if runs && to == top.group && e.to > top.node {
				continue // forwards inside its own run
			}
			switch state[to] {
			case open:
				from := slices.IndexFunc(stack, func(v visit) bool { return v.group == to })
				var hops []hop
				for _, v := range stack[from:] {
					hops = append(hops, v.via)
				}
				return hops
			case done:
			default:
				state[to] = open
				stack = append(stack, visit{group: to, node: to})
			}
		}
	}
	return nil
}

// hop is a node on a ring and the edge by which the ring leaves it.
type hop struct {
	node int32
	edge edge
}
