package plan

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// Lists are bred in two populations that feed each other (Debels and Vanhoucke
// 2005): parents that were built on one axis are crossed in the order in which
// their steps end, and the child is built on the other axis. So every schedule
// that is built is a crossing and a justification pass at once.

//
// Schedules with claims are built on one axis only: there the two populations
// are one, and the steps are taken up again in the order of their starts.

// decoder builds the schedule of a list on a side. It writes a time for each
// step: its end on that side's axis, or its start if there is one side only.
type decoder interface {
	decode(side int, list, at []int32) score
}

// packed is the decoder for steps and pools alone.
type packed struct {
	axes [2]*axis
	*builder
}

// decode scores a schedule by its length, then by how early its work is done:
// of equally long ones that which leaves the most room at its end is the best
// to breed from.
func (p *packed) decode(side int, list, at []int32) score {
	a := p.axes[side]
	length := p.build(a, list, at)
	late, scale := 0.0, 1/float64(max(1, length))
	for k, e := range at {
		x := (float64(e) - float64(a.dur[k])/2) * scale
		late += a.area[k] * x * x
	}
	return score{ends: int64(length), minutes: int64(1e6 * late / max(1, a.sum))}
}

// genome is a schedule with the order in which the other axis takes it up.
type genome struct {
	at    []int32 // what the decoder wrote
	list  []int32 // steps by falling end, numbered for the other axis; or by start
	score score
	print uint64 // of at
}

// length is the end of the last step of a schedule without claims.
func (g *genome) length() int32 { return int32(g.score.ends) }

// breeder is a pair of populations. All its memory is taken once.
type breeder struct {
	axes   [2]*axis
	dec    decoder
	sides  int
	rng    *rand.Rand
	pops   [2][]*genome
	kid    *genome
	side   int     // the axis that the next children are built on
	built  int64   // schedules so far
	cycle  int64   // schedules until only children as good are kept
	best   *genome // nil before the first schedule
	bestOn int     // axis of best
	bound  int32   // no schedule is shorter
	work   int64   // sum of durations
	draw   drawer
	count  []int32 // scratch: a place for each end
	taken  []bool  // scratch: by step
	list   []int32 // scratch: the child
	spare  []int32 // scratch: another list
	haste  float64 // how often a child is made with a choice among equals
	greed  float64 // how often parents are chosen among more
	blocks []int32 // by step: which of them may be moved together; nil if none
	due    []int32 // by step, if there are blocks: from when on its block is late
	keys   []int32 // scratch: by step, if there are blocks
}

func newBreeder(axes [2]*axis, dec decoder, horizon, size int, seed uint64) *breeder {
	n := axes[0].n
	br := &breeder{
		axes: axes, dec: dec, sides: 2, rng: rand.New(rand.NewPCG(seed, 0x6c697374)),
		draw:  newDrawer(axes[0]),
		count: make([]int32, horizon+2), taken: make([]bool, n), list: make([]int32, n), spare: make([]int32, 0, n),
	}
	if axes[0] == axes[1] {
		br.sides = 1
	}
	for _, d := range axes[0].dur {
		br.work += int64(d)
	}
	genomes := make([]genome, 2*size+2)
	room := make([]int32, 2*n*len(genomes))
	for i := range genomes {
		at := room[2*n*i : 2*n*(i+1)]
		genomes[i].at, genomes[i].list = at[:n:n], at[n:]
	}
	for i := range size {
		br.pops[0] = append(br.pops[0], &genomes[i])
		br.pops[1] = append(br.pops[1], &genomes[size+i])
	}
	br.kid, br.best = &genomes[2*size], &genomes[2*size+1]
	if br.sides == 1 {
		br.pops[1] = br.pops[0]
	}
	br.best.score = score{unplaced: math.Inf(1), ends: 1<<31 - 1}
	return br
}

// proved tells that no schedule can be shorter than the best.
func (br *breeder) proved() bool { return br.best.length() <= br.bound }

// build builds a list on a side into g and makes g ready to be a parent.
func (br *breeder) build(side int, list []int32, g *genome) {
	br.built++
	g.score = br.dec.decode(side, list, g.at)
	h := uint64(14695981039346656037) // FNV-1a
	for _, e := range g.at {
		h = (h ^ uint64(e)) * 1099511628211
	}
	g.print = h
	if br.sides == 1 {
		copy(g.list, list)
		slices.SortStableFunc(g.list, func(a, b int32) int { return cmp.Compare(g.at[a], g.at[b]) })
	} else {
		br.order(list, g)
	}
	if g.score.compare(br.best.score) < 0 {
		br.bestOn = side
		br.best.copyFrom(g)
	}
}

func (g *genome) copyFrom(o *genome) {
	g.score, g.print = o.score, o.print
	copy(g.at, o.at)
	copy(g.list, o.list)
}

// order sorts the steps by falling end, later in the list first among equals,
// and numbers them for the other axis.
func (br *breeder) order(list []int32, g *genome) {
	n, length := int32(len(list)), g.length()
	count := br.count[:length+2]
	clear(count)
	for _, e := range g.at {
		count[length-e+1]++
	}
	for t := 1; t < len(count); t++ {
		count[t] += count[t-1]
	}
	for _, k := range slices.Backward(list) {
		at := &count[length-g.at[k]]
		g.list[*at] = n - 1 - k
		*at++
	}
}

// cross makes a list from two: the mother's, but from place q1 to q2 in the
// father's order (the two-point crossover of Hartmann 1998).
func (br *breeder) cross(mother, father []int32, q1, q2 int) []int32 {
	clear(br.taken)
	out := append(br.list[:0], mother[:q1]...)
	for _, k := range out {
		br.taken[k] = true
	}
	for _, k := range father {
		if len(out) == q2 {
			break
		}
		if !br.taken[k] {
			br.taken[k] = true
			out = append(out, k)
		}
	}
	for _, k := range mother {
		if !br.taken[k] {
			out = append(out, k)
		}
	}
	return out
}

// places gives the best schedule along the first axis.
func (br *breeder) places() []Window {
	out := make([]Window, len(br.best.at))
	a := br.axes[br.bestOn]
	for i, e := range br.best.at {
		if br.bestOn == 0 {
			out[i] = Window{Time(e - a.dur[i]), Time(e)}
		} else {
			s := Time(br.best.length() - e)
			out[len(out)-1-i] = Window{s, s + Time(a.dur[i])}
		}
	}
	return out
}
