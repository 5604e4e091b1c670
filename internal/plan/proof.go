package plan

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"sync/atomic"
)

// Limits past which the learner is not tried: its profiles are by the minute.
const (
	learnSteps  = 500
	learnLength = 20_000
)

// runTimed breeds lists for as long as the context lasts and beside them lets
// the learner prove that there is nothing shorter, or find it.
func (is *islands) runTimed(improved func(*breeder)) *breeder {
	for i := range is.brs {
		is.breed(i, true)
	}
	best := is.bestOf()
	if best.proved() || is.ctx.Err() != nil || is.n > learnSteps || best.best.length() > learnLength {
		return is.run(false, improved)
	}
	if improved != nil {
		improved(best)
	}
	caller := is.ctx
	ctx, cancel := context.WithCancel(caller)
	defer cancel()
	is.ctx = ctx
	told := best.best.length()
	pf := &proof{ctx: ctx, cancel: cancel}
	pf.shortest.Store(best.best.length())
	var wg sync.WaitGroup
	pf.learners[0] = newLearner(best.axes[0], is.net, best.best.length())
	wg.Go(func() { pf.run(0, 1<<62) })
	for best = is.brs[0]; ctx.Err() == nil && !best.proved(); {
		if pf.stale++; pf.stale > patience {
			if pf.learners[1] == nil {
				pf.learners[1] = newLearner(best.axes[1], is.net.reversed(), pf.shortest.Load())
			}
			pf.run(1, turn)
		}
		is.breed(0, false)
		if pf.better(best.best.length()) {
			pf.stale, told = 0, best.best.length()
			if improved != nil {
				improved(best)
			}
		}
	}
	cancel()
	wg.Wait()
	is.ctx = caller
	for side, l := range pf.learners {
		if l != nil && l.best != nil && l.length < best.best.length() {
			best.take(side, l)
		}
	}
	if pf.proved.Load() {
		best.bound = best.best.length()
	}
	if improved != nil && best.best.length() < told {
		improved(best)
	}
	return best
}

// patience is how many epochs without a shorter schedule the breeding goes on
// for before a second learner, on the other axis, takes turns with it, and turn
// how many times that may ask whether to stop before the turn is over.
const (
	patience = 16
	turn     = 64
)

// proof is what breeding and learners share.
type proof struct {
	ctx      context.Context
	cancel   context.CancelFunc
	shortest atomic.Int32 // length of the best schedule known
	proved   atomic.Bool  // that there is none shorter
	learners [2]*learner
	stale    int
}

// better notes a length if it is the shortest.
func (pf *proof) better(length int32) bool {
	for s := pf.shortest.Load(); length < s; s = pf.shortest.Load() {
		if pf.shortest.CompareAndSwap(s, length) {
			return true
		}
	}
	return false
}

// run lets a learner search until its turn or the context ends, or nothing
// shorter than the shortest known is left, which ends the context for all.
func (pf *proof) run(side, turn int) {
	l := pf.learners[side]
	stop := func() bool {
		turn--
		return turn < 0 || pf.ctx.Err() != nil || pf.shortest.Load() < l.length
	}
	for turn > 0 && pf.ctx.Err() == nil {
		switch l.search(stop) {
		case noneLeft:
			pf.proved.Store(true)
			pf.cancel()
			return
		case foundOne:
			pf.better(l.length)
		case gaveUp:
			l.shorten(pf.shortest.Load())
		}
	}
}

// reversed is the net seen from its end, as far as a learner needs it.
func (w *net) reversed() *net {
	r := &net{p: w.p, n: w.n, uses: slices.Clone(w.uses)}
	slices.Reverse(r.uses)
	return r
}

// take builds a learner's schedule as one of the breeder's own: built in the
// order of its starts it gets no longer.
func (br *breeder) take(side int, l *learner) {
	list := make([]int32, l.n)
	for i := range list {
		list[i] = int32(i)
	}
	slices.SortStableFunc(list, func(a, b int32) int { return cmp.Compare(l.best[a], l.best[b]) })
	br.build(side, list, br.kid)
}
