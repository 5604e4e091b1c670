package plan

import (
	"math"
	"slices"
)

// The figures below were chosen on the published sets as a whole, by the
// number of steps and the budget alone.

// population is how many schedules to keep on each side.
func population(n int, budget int64) int {
	size := 0.65 * math.Sqrt(float64(budget)) * math.Pow(120/float64(n), 0.4)
	if n >= sharpFrom { // few schedules of many steps: fewer still to breed from
		size *= math.Pow(min(1, float64(budget)/5000), 0.15)
	}
	return int(min(300, max(8, size)))
}

// shakeWindow is the length of the windows that are redrawn.
const shakeWindow = 10

// sow fills both populations: half of the first one drawn serially, half in
// parallel, the second one justified from the first.
func (br *breeder) sow(more func() bool) bool {
	a := br.axes[0]
	list := make([]int32, a.n)
	for i, g := range br.pops[0] {
		if !more() {
			return false
		}
		if i%2 == 0 {
			br.draw.parallel(a, br.rng, list)
		} else {
			br.draw.serial(a, br.rng, list)
		}
		br.build(0, list, g)
	}
	for i, g := range br.pops[1][:(br.sides-1)*len(br.pops[1])] {
		if !more() {
			return false
		}
		br.build(1, br.pops[0][i].list, g)
	}
	return true
}

// evolve breeds one generation after the other while more says so.
func (br *breeder) evolve(more func() bool) {
	for {
		from, to := br.pops[1-br.side], br.pops[br.side]
		for i := range to {
			if !more() {
				return
			}
			list := br.child(from, i)
			br.build(br.side, list, br.kid)
			limit := to[i].score
			if br.sides == 2 { // equal lengths may drift
				limit.ends, limit.minutes = limit.ends+br.slack(limit.ends), 1<<62
			}
			if br.kid.score.compare(limit) <= 0 && !twin(to, br.kid, i) {
				to[i], br.kid = br.kid, to[i]
			}
		}
		br.side = br.sides - 1 - br.side
	}
}

// timedCycle is how many schedules pass until the populations have become
// strict when there is time instead of a budget; then they are lenient once more.
const timedCycle = 25_000

// slack is by how much a child may be longer than what it replaces: up to an
// eighteenth at first with 120 steps and more, by nothing with 60 and fewer,
// and less and less as the budget is spent. It keeps the populations from being
// all alike too soon.
func (br *breeder) slack(length int64) int64 {
	rest := 1 - float64(br.built%br.cycle)/float64(br.cycle)
	most := 0.055 * min(1, max(0, float64(br.axes[0].n-62)/60))
	return int64(most * rest * br.rng.Float64() * float64(length))
}

// child makes a list of mother i: crossed with the better of two fathers, or
// the father with the mother, or, when the two are nearly the same and now and
// then anyway, with a window redrawn; or, where there are blocks, rather with
// one of them moved.
func (br *breeder) child(from []*genome, i int) []int32 {
	n := br.axes[0].n
	mother, father := from[i], from[br.rng.IntN(len(from))]
	if br.greed > 0 {
		if g := from[br.rng.IntN(len(from))]; br.rng.Float64() < br.greed/2 && g.score.compare(mother.score) < 0 {
			mother = g
		}
		if br.rng.Float64() < br.greed/5 {
			father = slices.MinFunc(from, func(a, b *genome) int { return a.score.compare(b.score) })
		}
	}
	keen := br.sides == 1 || br.rng.Float64() < br.haste
	if g := from[br.rng.IntN(len(from))]; g.score.ends < father.score.ends && !keen || keen && g.score.compare(father.score) < 0 {
		father = g
	}
	often := min(0.5, 400/float64(n)/float64(n))
	if br.alike(mother, father) || br.rng.Float64() < often {
		list := append(br.list[:0], mother.list...)
		w := min(n, shakeWindow/2+br.rng.IntN(shakeWindow+1))
		q := br.rng.IntN(n - w + 1)
		br.draw.shake(br.axes[br.side], br.rng, list[q:q+w])
		return list
	}
	if br.rng.IntN(2) == 0 {
		mother, father = father, mother
	}
	if br.blocks != nil && br.rng.Float64() < moveOften {
		list := br.move(mother)
		if br.rng.Float64() < moveOnly {
			return list
		}
		return br.vary(list)
	}
	w := 7*n/20 + br.rng.IntN(3*n/10+1)
	q := br.rng.IntN(n - w + 1)
	if keen && br.sides == 2 {
		q = br.dense(father, w)
	}
	return br.vary(br.cross(mother.list, father.list, q, q+w))
}

// vary swaps a few neighbours in a list, and every second time moves a step.
func (br *breeder) vary(list []int32) []int32 {
	br.mutate(list)
	if br.rng.IntN(2) == 0 {
		br.advance(list)
	}
	return list
}

// haste is how often a father is chosen among equally long ones, and the densest
// window of it: the more schedules and the fewer steps there are, the more it
// pays to keep the lists from being alike.
func haste(n int, budget int64) float64 {
	if n >= sharpFrom {
		return 1
	}
	return math.Pow(min(1, 5000/float64(budget)), 60/float64(n))
}

// greed is how often half of the mothers are chosen like the fathers, and a fifth
// of the fathers are the best of all: where schedules are few, there is no time
// for the worse ones to come to something. Chosen on every second instance of the
// sets; it helps as much on the others.
func greed(budget int64) float64 {
	x := min(1, 1000/float64(budget))
	return x * x
}

// denseTries is how many windows of a father are compared.
const denseTries = 4

// dense chooses where a window of a father's list begins: of a few at random
// the one in which the pools are used best (after the peaks of Valls,
// Ballestin and Quintanilla 2008).
func (br *breeder) dense(father *genome, w int) int {
	n := len(father.list)
	best := br.rng.IntN(n - w + 1)
	most := br.density(father, best, w)
	for range denseTries - 1 {
		q := br.rng.IntN(n - w + 1)
		if d := br.density(father, q, w); d > most {
			best, most = q, d
		}
	}
	return best
}

// density is the work in a window of a list over the time that it takes.
func (br *breeder) density(g *genome, q, w int) float64 {
	a := br.axes[1-br.side] // that g was built on
	from, to, work := int32(1<<31-1), int32(0), 0.0
	for _, k := range g.list[q : q+w] {
		k = int32(a.n) - 1 - k
		from, to = min(from, g.at[k]-a.dur[k]), max(to, g.at[k])
		work += a.area[k]
	}
	return work / float64(to-from+1)
}

// alike tells whether two schedules differ, in the mean of their steps, by less
// than a third of a step's length.
func (br *breeder) alike(a, b *genome) bool {
	sum := int64(0)
	for k, e := range a.at {
		sum += int64(max(e-b.at[k], b.at[k]-e))
	}
	return 3*sum < br.work
}

// twin tells whether the same schedule is in the population already, other
// than at place i.
func twin(pop []*genome, g *genome, i int) bool {
	for j, o := range pop {
		if j != i && o.print == g.print {
			return true
		}
	}
	return false
}

// mutate swaps a neighbour now and then where no arc forbids it.
func (br *breeder) mutate(list []int32) {
	a := br.axes[br.side]
	for i := 1; i < len(list); i++ {
		if br.rng.IntN(100) > 0 {
			continue
		}
		before, free := list[i-1], true
		for _, p := range a.arcs[a.first[list[i]]:a.first[list[i]+1]] {
			free = free && p.from != before
		}
		if free {
			list[i-1], list[i] = list[i], before
		}
	}
}

// advance moves one step forward in the list, at most to where it follows its
// last predecessor.
func (br *breeder) advance(list []int32) {
	a := br.axes[br.side]
	x := br.rng.IntN(len(list))
	k, first := list[x], x
	for ; first > 0; first-- {
		follows := false
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			follows = follows || p.from == list[first-1]
		}
		if follows {
			break
		}
	}
	if first < x {
		y := first + br.rng.IntN(x-first)
		copy(list[y+1:x+1], list[y:x])
		list[y] = k
	}
}
