package plan

import (
	"context"
	"sync"
)

// islandsFrom is the budget from which the search runs as several populations
// that exchange their best; below it one population makes better use of it.
const islandsFrom = 100_000

// epoch is how many schedules an island builds between two exchanges.
const epoch = 2_500

// mirrored tells whether a problem looks the same from its end: nothing but
// steps, lags and pools, and no wish but an early finish. It is then planned by
// breeding lists on both axes.
func (p *Problem) mirrored() bool {
	if len(p.Claims) > 0 {
		return false
	}
	for _, a := range p.Arcs {
		if a.Joined {
			return false
		}
	}
	for i := range p.Steps {
		if p.Steps[i].Frozen || p.Steps[i].Release > 0 {
			return false
		}
	}
	for i := range p.Jobs {
		if p.Jobs[i].Due != Never && p.Jobs[i].Weight > 0 {
			return false
		}
	}
	return true
}

// longestList bounds the minutes that a schedule of a list can take.
func (w *net) longestList() int {
	sum := 0
	for k := range w.n {
		lag := Time(0)
		for _, l := range w.pred[k] {
			lag = max(lag, l.lag)
		}
		sum += int(w.p.Steps[w.orig[k]].Duration + lag)
	}
	return sum
}

// islands are breeders that run side by side.
type islands struct {
	*net
	ctx  context.Context
	brs  []*breeder
	left []int64
}

func newIslands(ctx context.Context, w *net, o ArrangeOptions) *islands {
	axes := [2]*axis{newAxis(w, false), newAxis(w, true)}
	is := &islands{net: w, ctx: ctx}
	n, budget := 1, o.Schedules
	if budget > islandsFrom {
		n = 2
	}
	if budget <= 0 { // one island, and the learner on the other core
		budget = 1 << 62
	}
	size := population(w.n, min(budget, 200_000)/int64(n))
	for i := range n {
		br := newBreeder(axes, &packed{axes, newBuilder(axes[0], w.longestList())}, w.longestList(), size, o.Seed+uint64(i)<<32)
		br.bound = axes[0].lowerBound(w)
		br.haste, br.greed = haste(w.n, budget/int64(n)), greed(budget/int64(n))
		br.cycle = budget / int64(n)
		if o.Schedules <= 0 {
			br.cycle = timedCycle
		}
		is.brs = append(is.brs, br)
		is.left = append(is.left, budget/int64(n))
	}
	return is
}

// run breeds until the budget or the time is spent or the bound is reached. It
// calls improved with the best island after each epoch that bettered it.
func (is *islands) run(first bool, improved func(*breeder)) *breeder {
	told := int32(1<<31 - 1)
	for ; ; first = false {
		var wg sync.WaitGroup
		for i := range is.brs {
			wg.Go(func() { is.breed(i, first) })
		}
		wg.Wait()
		best := is.bestOf()
		if improved != nil && best.best.length() < told {
			told = best.best.length()
			improved(best)
		}
		if best.proved() || is.left[0] <= 0 || is.ctx.Err() != nil {
			return best
		}
		is.exchange(best)
	}
}

// bestOf gives the island with the shortest schedule.
func (is *islands) bestOf() *breeder {
	best := is.brs[0]
	for _, br := range is.brs {
		if br.best.score.compare(best.best.score) < 0 {
			best = br
		}
	}
	return best
}

// breed runs one island for an epoch.
func (is *islands) breed(i int, first bool) {
	br := is.brs[i]
	chunk := is.left[i]
	if len(is.brs) > 1 || chunk > 1<<40 {
		chunk = min(chunk, epoch)
	}
	start := br.built
	more := func() bool {
		done := br.built - start
		return done < chunk && !br.proved() && (done%64 != 63 || is.ctx.Err() == nil)
	}
	if !first || br.sow(more) {
		br.evolve(more)
	}
	is.left[i] -= br.built - start
}

// exchange sends the best schedule to every other island, in the place of the
// longest there.
func (is *islands) exchange(best *breeder) {
	for _, br := range is.brs {
		if br == best {
			continue
		}
		pop := br.pops[best.bestOn]
		worst := 0
		for i, g := range pop {
			if g.score.compare(pop[worst].score) > 0 {
				worst = i
			}
		}
		if !twin(pop, best.best, -1) {
			pop[worst].copyFrom(best.best)
		}
	}
}
