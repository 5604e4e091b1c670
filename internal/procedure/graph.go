package procedure

import "container/heap"

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

// reach tells, for each of some nodes, which of the targets come after it. What
// comes before or after one step of a joined run does so with the whole run.
// sorted is an order of all nodes.
func (g *graph) reach(sorted, from, targets []int32) []bits {
	after := make([]bits, len(g.out)) // by first node of a run
	target := make(map[int32]int, len(targets))
	for i, t := range targets {
		target[t] = i
	}
	for i := len(sorted) - 1; i >= 0; i-- {
		u := g.first[sorted[i]]
		if after[u] == nil {
			after[u] = newBits(len(targets))
		}
		if t, ok := target[sorted[i]]; ok {
			after[u].set(t)
		}
		for _, e := range g.out[sorted[i]] {
			if to := g.first[e.to]; to != u {
				after[u].join(after[to])
			}
		}
	}
	rows := make([]bits, len(from))
	for i, f := range from {
		rows[i] = after[g.first[f]]
	}
	return rows
}

// bits is a set of small numbers.
type bits []uint64

func newBits(n int) bits { return make(bits, (n+63)/64) }

func (b bits) set(i int)      { b[i/64] |= 1 << (i % 64) }
func (b bits) has(i int) bool { return b[i/64]>>(i%64)&1 == 1 }
func (b bits) join(c bits) {
	for i := range b {
		b[i] |= c[i]
	}
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

// waiting counts, for the first node of each joined run, the edges that enter
// the run. An edge that leads backwards inside a run counts too: it keeps the
// run from ever being ready.
func (g *graph) waiting() []int32 {
	waiting := make([]int32, len(g.out))
	for u := range g.out {
		for _, e := range g.out[u] {
			if g.first[e.to] != g.first[u] || e.to <= int32(u) {
				waiting[g.first[e.to]]++
			}
		}
	}
	return waiting
}

// order sorts the nodes so that each comes after all that precede it, joined
// runs in one piece, and otherwise the lowest number first. If that cannot be,
// the order is short.
func (g *graph) order() []int32 {
	waiting := g.waiting()
	// Bounds have no length and go as soon as they can: they have the highest
	// numbers, so they wait on a stack of their own.
	var bounds []int32
	ready := &nodes{}
	release := func(u int32) {
		if int(u) >= g.steps {
			bounds = append(bounds, u)
		} else {
			heap.Push(ready, u)
		}
	}
	for u := range int32(len(g.out)) {
		if g.first[u] == u && waiting[u] == 0 {
			release(u)
		}
	}
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
				if waiting[to]--; waiting[to] == 0 {
					release(to)
				}
			}
		}
	}
	return sorted
}
