package plan

import "slices"

// The learner proves: it shows that no schedule of steps and pools is shorter
// than the best one, or finds one. It searches depth first over bounds of
// starts and over which of two steps comes first that can never run together,
// and learns from every dead end a clause that keeps it from the same reason
// anywhere else (lazy clause generation: Ohrimenko, Stuckey and Codish 2009;
// for projects Schutt, Feydy, Stuckey and Wallace 2011).
//
// Every variable has two sides, 2v for "at least" and 2v+1 for "at most" with
// the value negated, so that a bound on any side only ever grows.

// bound is the statement that side x has grown to at least c.
type bound struct{ x, c int32 }

// not is the contrary statement.
func (b bound) not() bound { return bound{b.x ^ 1, 1 - b.c} }

// change is an entry of the trail: side x grew from old to now.
type change struct {
	x, now, old int32
	prev        int32 // the entry before it of the same side; -1 if none
	why         int32 // start of its reasons in the store; -1 for a decision
	many        int32 // how many reasons
	slides      bool  // the last reason may be as much weaker as the growth need be
}

// clause is a disjunction; the first two are watched.
type clause struct {
	lits     []bound
	activity float32
}

// watch wakes a clause when a side has grown to at, unless another of its
// statements holds.
type watch struct {
	clause *clause
	at     int32
	unless bound
}

// either says that two steps cannot run together: v is 1 if i comes first and
// 0 if j does.
type either struct{ i, j, v int32 }

// learner is the solver. Variables below n are starts, the others orders.
type learner struct {
	a       *axis
	n       int
	vars    int
	pools   [][]int32 // need of each step, by pool
	caps    []int32
	pairs   []either
	b       []int32 // by side: how far it has grown
	top     []int32 // by side: its last entry on the trail; -1 if none
	trail   []change
	store   []bound // reasons of the trail's entries
	levels  []int32 // length of the trail when each decision was made
	stores  []int32 // length of the store then
	watches [][]watch
	clauses []*clause
	head    int // of the trail: what is not propagated to clauses yet
	heat    []float64
	step    float64
	phase   []int32
	reason  []bound // scratch: the reasons of a conflict
	usage   []int32 // scratch: profile of a pool
	marks   []int32 // scratch: by trail entry, what is needed of it, or none
	bumpC   float32
	best    []int32 // starts of the best schedule found here; nil if none
	length  int32   // schedules must be shorter
	horizon int32
	round   int  // of restarts
	dead    bool // nothing shorter is left
}

const unneeded = -1 << 31

// newLearner makes a learner for schedules shorter than length.
func newLearner(a *axis, w *net, length int32) *learner {
	l := &learner{a: a, n: a.n, step: 1, bumpC: 1, length: length, horizon: length, round: 1}
	for r, pool := range w.p.Pools {
		need := make([]int32, a.n)
		for k := range a.n {
			if a.dur[k] > 0 {
				need[k] = int32(w.usage(k, r))
			}
		}
		l.pools, l.caps = append(l.pools, need), append(l.caps, pool.Capacity)
	}
	l.findPairs()
	l.vars = l.n + len(l.pairs)
	l.b, l.top = make([]int32, 2*l.vars), make([]int32, 2*l.vars)
	l.watches, l.heat, l.phase = make([][]watch, 2*l.vars), make([]float64, l.vars), make([]int32, l.vars)
	for x := range l.top {
		l.top[x] = -1
	}
	for k := range l.n {
		l.b[2*k], l.b[2*k+1] = a.head[k], -(length - 1 - a.tail[k] - a.dur[k])
		l.dead = l.dead || l.b[2*k]+l.b[2*k+1] > 0
	}
	for _, p := range l.pairs {
		l.b[2*p.v], l.b[2*p.v+1] = 0, -1
		if a.head[p.i]+a.tail[p.j] < a.head[p.j]+a.tail[p.i] {
			l.phase[p.v] = 1
		}
	}
	l.usage = make([]int32, length+1)
	return l
}

// findPairs lists the pairs of steps that ask together for more than a pool
// has and that no chain of arcs orders.
func (l *learner) findPairs() {
	reach := make([]bitset, l.n)
	for k := l.n - 1; k >= 0; k-- {
		reach[k] = newBitset(l.n)
		for _, s := range l.a.succ[k] {
			reach[k].add(int(s))
			for w := range reach[k] {
				reach[k][w] |= reach[s][w]
			}
		}
	}
	for i := range l.n {
		for j := i + 1; j < l.n; j++ {
			if reach[i].has(j) || reach[j].has(i) {
				continue
			}
			for r := range l.pools {
				if l.pools[r][i]+l.pools[r][j] > l.caps[r] && l.pools[r][i] > 0 && l.pools[r][j] > 0 {
					l.pairs = append(l.pairs, either{int32(i), int32(j), int32(l.n + len(l.pairs))})
					break
				}
			}
		}
	}
}

func (l *learner) holds(b bound) bool { return l.b[b.x] >= b.c }

// grow lets side x grow to c for the reasons; it is false if the other side
// forbids that, and then the reasons of the conflict are set.
func (l *learner) grow(x, c int32, reasons ...bound) bool {
	if l.b[x] >= c {
		return true
	}
	if c+l.b[x^1] > 0 { // at least c and at most less
		l.reason = append(append(l.reason[:0], reasons...), bound{x ^ 1, 1 - c})
		return false
	}
	l.push(x, c, int32(len(l.store)), int32(len(reasons)))
	l.store = append(l.store, reasons...)
	return true
}

// follow is grow for a side that must stay at a distance from the side of the
// last reason.
func (l *learner) follow(x, c int32, reasons ...bound) bool {
	before := len(l.trail)
	ok := l.grow(x, c, reasons...)
	if len(l.trail) > before {
		l.trail[before].slides = true
	}
	return ok
}

func (l *learner) push(x, c, why, many int32) {
	l.trail = append(l.trail, change{x, c, l.b[x], l.top[x], why, many, false})
	l.top[x] = int32(len(l.trail) - 1)
	l.b[x] = c
}

// undo goes back to a level of decisions.
func (l *learner) undo(level int) {
	if level >= len(l.levels) {
		return
	}
	keep := int(l.levels[level])
	for _, ch := range slices.Backward(l.trail[keep:]) {
		l.b[ch.x], l.top[ch.x] = ch.old, ch.prev
		if v := ch.x / 2; int(v) >= l.n {
			l.phase[v] = max(ch.now, 0) // 1 for "at least 1", 0 for "at most 0"
		}
	}
	l.trail, l.store = l.trail[:keep], l.store[:l.stores[level]]
	l.levels, l.stores = l.levels[:level], l.stores[:level]
	l.head = min(l.head, keep)
}

// decide opens a level with a statement.
func (l *learner) decide(b bound) {
	l.levels = append(l.levels, int32(len(l.trail)))
	l.stores = append(l.stores, int32(len(l.store)))
	l.push(b.x, b.c, -1, 0)
}
