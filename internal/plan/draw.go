package plan

import "math/rand/v2"

// drawer draws lists at random, biased by the regret of not taking the step
// with the longest way still behind it (Drexl 1991, on latest finish times).
type drawer struct {
	wait    []int32 // predecessors not drawn yet
	ready   []int32
	fits    []int32
	running []int32
	end     []int32
	free    []uint64
	held    []bool
}

func newDrawer(a *axis) drawer {
	return drawer{
		wait: make([]int32, a.n), ready: make([]int32, 0, a.n), fits: make([]int32, 0, a.n),
		running: make([]int32, 0, a.n), end: make([]int32, a.n), free: make([]uint64, a.words), held: make([]bool, a.n),
	}
}

// start makes the steps without predecessors ready.
func (d *drawer) start(a *axis) {
	d.ready = d.ready[:0]
	for i := range a.n {
		if d.wait[i] = a.first[i+1] - a.first[i]; d.wait[i] == 0 {
			d.ready = append(d.ready, int32(i))
		}
	}
}

// take takes a ready step out and lets its successors become ready.
func (d *drawer) take(a *axis, at int32) int32 {
	k, last := d.ready[at], len(d.ready)-1
	d.ready[at] = d.ready[last]
	d.ready = d.ready[:last]
	for _, s := range a.succ[k] {
		if d.wait[s]--; d.wait[s] == 0 {
			d.ready = append(d.ready, s)
		}
	}
	return k
}

// pick draws one of the ready steps named by their places.
func (d *drawer) pick(a *axis, rng *rand.Rand, among []int32) int32 {
	least := a.tail[d.ready[among[0]]]
	for _, i := range among {
		least = min(least, a.tail[d.ready[i]])
	}
	sum := int64(0)
	for _, i := range among {
		sum += d.regret(a, i, least)
	}
	x := rng.Int64N(sum)
	for _, i := range among {
		if x -= d.regret(a, i, least); x < 0 {
			return i
		}
	}
	return among[len(among)-1]
}

// sharpFrom is from how many steps on regrets are squared: the more steps, the
// less there is to hope of a list that does not follow them.
const sharpFrom = 90

// regret is the weight of a ready step in a draw. Of few steps those with less of
// a way behind them have a better chance: all orders are soon tried.
func (d *drawer) regret(a *axis, i, least int32) int64 {
	r := int64(a.tail[d.ready[i]]-least) + int64(max(1, 9-a.n/7))
	if a.n >= sharpFrom {
		r *= r
	}
	return r
}

// serial draws a list step by step among whatever may come next.
func (d *drawer) serial(a *axis, rng *rand.Rand, out []int32) {
	d.start(a)
	for x := range out {
		d.fits = d.fits[:0]
		for i := range d.ready {
			d.fits = append(d.fits, int32(i))
		}
		out[x] = d.take(a, d.pick(a, rng, d.fits))
	}
}

// parallel draws a list by parallel schedule generation: time goes on from end
// to end, and at each what is ready and fits is started.
func (d *drawer) parallel(a *axis, rng *rand.Rand, out []int32) {
	d.start(a)
	copy(d.free, a.empty)
	d.running = d.running[:0]
	t := int32(0)
	for x := 0; x < a.n; {
		if d.fitting(a, t); len(d.fits) == 0 {
			t = d.next(a, t)
			d.release(a, t)
			continue
		}
		k := d.take(a, d.pick(a, rng, d.fits))
		out[x] = k
		x++
		d.end[k] = t + a.dur[k]
		for w := range d.free {
			d.free[w] -= a.need[int(k)*a.words+w]
		}
		d.running = append(d.running, k)
	}
}

// fitting gathers the ready steps that can start at t.
func (d *drawer) fitting(a *axis, t int32) {
	d.fits = d.fits[:0]
	for i, k := range d.ready {
		ok := true
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			ok = ok && d.end[p.from]+p.lag <= t
		}
		for w, g := range a.guard {
			ok = ok && ((d.free[w]|g)-a.need[int(k)*a.words+w])&g == g
		}
		if ok {
			d.fits = append(d.fits, int32(i))
		}
	}
}

// next is the first moment after t at which something ends or becomes ready.
func (d *drawer) next(a *axis, t int32) int32 {
	next := int32(1<<31 - 1)
	for _, k := range d.running {
		if d.end[k] > t {
			next = min(next, d.end[k])
		}
	}
	for _, k := range d.ready {
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			if e := d.end[p.from] + p.lag; e > t {
				next = min(next, e)
			}
		}
	}
	return next
}

// release gives back what the steps that have ended by t used.
func (d *drawer) release(a *axis, t int32) {
	keep := d.running[:0]
	for _, k := range d.running {
		if d.end[k] > t {
			keep = append(keep, k)
			continue
		}
		for w := range d.free {
			d.free[w] += a.need[int(k)*a.words+w]
		}
	}
	d.running = keep
}

// shake redraws a window of a list at random, all orders that the arcs allow.
func (d *drawer) shake(a *axis, rng *rand.Rand, window []int32) {
	rest := append(d.ready[:0], window...)
	for _, k := range rest {
		d.held[k] = true
	}
	for x := range window {
		pick, seen := 0, 0
		for i, k := range rest {
			if d.waits(a, k) {
				continue
			}
			if seen++; rng.IntN(seen) == 0 {
				pick = i
			}
		}
		k, last := rest[pick], len(rest)-1
		rest[pick] = rest[last]
		rest = rest[:last]
		d.held[k] = false
		window[x] = k
	}
}

// waits tells whether a predecessor of step k is still held.
func (d *drawer) waits(a *axis, k int32) bool {
	for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
		if d.held[p.from] {
			return true
		}
	}
	return false
}
