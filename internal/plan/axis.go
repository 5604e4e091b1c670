package plan

import "math/bits"

// An axis is the direction in which a schedule is built. A problem of steps
// and pools looks the same from its end: a schedule that is built on the
// reversed axis is one that is justified to the right. Building on the other
// axis in the order in which steps end on this one is the justification pass
// of Valls, Ballestin and Quintanilla (2005): it never makes a schedule longer.

// arcTo is an arc seen from its later step.
type arcTo struct {
	from int32
	lag  int32
}

// axis is a network of steps and pools ready to be built along one direction.
// The free amounts of all pools at a minute are packed into words: a lane for
// each pool with a guard bit on top, so that one subtraction compares all.
type axis struct {
	n     int
	words int
	dur   []int32
	need  []uint64 // words for each step
	empty []uint64 // what is free when nothing runs
	guard []uint64
	first []int32 // of each step's arcs, into arcs
	arcs  []arcTo
	succ  [][]int32
	tail  []int32   // longest way from a step's end to the end of all
	head  []int32   // longest way to a step's start
	area  []float64 // of each step: minutes times the shares of pools that it takes
	sum   float64   // of the areas
}

// lanes lays the pools out in words; word and shift of each.
func lanes(p *Problem) (word, shift, width []int) {
	w, used := 0, 0
	for _, pool := range p.Pools {
		b := bits.Len32(uint32(pool.Capacity)) + 1
		if used+b > 64 {
			w, used = w+1, 0
		}
		word, shift, width = append(word, w), append(shift, used), append(width, b)
		used += b
	}
	return word, shift, width
}

// newAxis makes the axis of a net; back reverses it.
func newAxis(w *net, back bool) *axis {
	word, shift, width := lanes(w.p)
	a := &axis{n: w.n, words: 1, dur: make([]int32, w.n), succ: make([][]int32, w.n)}
	if len(word) > 0 {
		a.words = word[len(word)-1] + 1
	}
	a.empty, a.guard = make([]uint64, a.words), make([]uint64, a.words)
	for i, pool := range w.p.Pools {
		a.empty[word[i]] |= uint64(pool.Capacity) << shift[i]
		a.guard[word[i]] |= 1 << (shift[i] + width[i] - 1)
	}
	a.need, a.area = make([]uint64, w.n*a.words), make([]float64, w.n)
	preds := make([][]arcTo, w.n)
	for k := range w.n {
		i := a.index(k, back)
		a.dur[i] = int32(w.p.Steps[w.orig[k]].Duration)
		for _, u := range w.uses[k] {
			if a.dur[i] > 0 {
				a.need[i*a.words+word[u.pool]] += uint64(u.n) << shift[u.pool]
				a.area[i] += float64(a.dur[i]) * float64(u.n) / float64(max(1, w.p.Pools[u.pool].Capacity))
			}
		}
		a.sum += a.area[i]
		for _, l := range w.succ[k] {
			from, to := i, a.index(int(l.step), back)
			if back {
				from, to = to, from
			}
			preds[to] = append(preds[to], arcTo{int32(from), int32(l.lag)})
			a.succ[from] = append(a.succ[from], int32(to))
		}
	}
	for i := range preds {
		a.first = append(a.first, int32(len(a.arcs)))
		a.arcs = append(a.arcs, preds[i]...)
	}
	a.first = append(a.first, int32(len(a.arcs)))
	a.ways()
	return a
}

// index numbers the steps so that arcs lead upwards on the reversed axis too.
func (a *axis) index(k int, back bool) int {
	if back {
		return a.n - 1 - k
	}
	return k
}

// ways finds the longest ways to and from each step without the pools.
func (a *axis) ways() {
	a.head, a.tail = make([]int32, a.n), make([]int32, a.n)
	for i := range a.n {
		for _, p := range a.arcs[a.first[i]:a.first[i+1]] {
			a.head[i] = max(a.head[i], a.head[p.from]+a.dur[p.from]+p.lag)
		}
	}
	for i := a.n - 1; i >= 0; i-- {
		for _, p := range a.arcs[a.first[i]:a.first[i+1]] {
			a.tail[p.from] = max(a.tail[p.from], a.tail[i]+a.dur[i]+p.lag)
		}
	}
}

// critical is the length of the longest way.
func (a *axis) critical() int32 {
	var c int32
	for i := range a.n {
		c = max(c, a.head[i]+a.dur[i])
	}
	return c
}

// builder builds schedules along axes of one problem. Its profile is clean
// between calls.
type builder struct {
	free []uint64
}

func newBuilder(a *axis, horizon int) *builder {
	b := &builder{free: make([]uint64, (horizon+1)*a.words)}
	for t := range horizon + 1 {
		copy(b.free[t*a.words:], a.empty)
	}
	return b
}

// build is serial schedule generation: the steps of the list, which must not
// name one before its predecessors, each at its earliest time. It writes the
// ends and gives the last.
func (b *builder) build(a *axis, list []int32, end []int32) int32 {
	if a.words != 1 {
		return b.buildWide(a, list, end)
	}
	free, guard := b.free, a.guard[0]
	var last int32
	for _, k := range list {
		var t int32
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			t = max(t, end[p.from]+p.lag)
		}
		d := a.dur[k]
		if need := a.need[k]; need != 0 {
			t = fit(free, guard, need, t, d, last)
			w := free[t : t+d]
			for i := range w {
				w[i] -= need
			}
		}
		t += d
		end[k] = t
		last = max(last, t)
	}
	w := free[:last]
	for i := range w {
		w[i] = a.empty[0]
	}
	return last
}

// fit gives the earliest start from t on where need is free for d minutes. It
// looks at a window from its right end, so that a conflict moves the window
// past it at once, and not again at what it has seen to be free.
func fit(free []uint64, guard, need uint64, t, d, last int32) int32 {
	seen := t // nothing from seen on has been looked at
	for {
		x := min(t+d, last) - 1
		top := x
		for x >= seen && ((free[x]|guard)-need)&guard == guard {
			x--
		}
		if x < seen {
			return t
		}
		t = x + 1
		seen = max(top+1, t)
	}
}

// buildWide is build for pools that need more than one word.
func (b *builder) buildWide(a *axis, list []int32, end []int32) int32 {
	var last int32
	for _, k := range list {
		var t int32
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			t = max(t, end[p.from]+p.lag)
		}
		need := a.need[int(k)*a.words : (int(k)+1)*a.words]
		d := a.dur[k]
		for x := min(t+d, last) - 1; x >= t; x-- {
			if !b.fits(a, x, need) {
				t = x + 1
				x = min(t+d, last)
			}
		}
		for x := t; x < t+d; x++ {
			for w, v := range need {
				b.free[int(x)*a.words+w] -= v
			}
		}
		t += d
		end[k] = t
		last = max(last, t)
	}
	for x := range int(last) {
		copy(b.free[x*a.words:(x+1)*a.words], a.empty)
	}
	return last
}

func (b *builder) fits(a *axis, x int32, need []uint64) bool {
	for w, v := range need {
		if g := a.guard[w]; ((b.free[int(x)*a.words+w]|g)-v)&g != g {
			return false
		}
	}
	return true
}

// lowerBound is a length that no schedule is shorter than: the longest way, or
// for a pool the least time before its first user, its work spread evenly, and
// the least time after its last.
func (a *axis) lowerBound(w *net) int32 {
	least := int64(a.critical())
	for pool, p := range w.p.Pools {
		work, head, tail := int64(0), int64(1<<31), int64(1<<31)
		for k := range a.n {
			if q := w.usage(k, pool); q > 0 && a.dur[k] > 0 {
				work += q * int64(a.dur[k])
				head, tail = min(head, int64(a.head[k])), min(tail, int64(a.tail[k]))
			}
		}
		if work > 0 {
			least = max(least, head+tail+(work+int64(p.Capacity)-1)/int64(p.Capacity))
		}
	}
	return int32(min(least, 1<<31-1))
}
