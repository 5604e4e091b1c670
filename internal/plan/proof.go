package plan

import (
	"cmp"
	"context"
	"slices"
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
	if improved != nil {
		improved(best)
	}
	if best.proved() || is.ctx.Err() != nil || is.n > learnSteps || best.best.length > learnLength {
		return is.run(false, improved)
	}
	caller := is.ctx
	ctx, cancel := context.WithCancel(caller)
	defer cancel()
	is.ctx = ctx
	l := newLearner(best.axes[0], is.net, best.best.length)
	var shortest atomic.Int32
	shortest.Store(best.best.length)
	proved := make(chan bool, 1)
	go func() {
		proved <- l.run(ctx, &shortest)
		cancel()
	}()
	best = is.run(false, func(br *breeder) {
		if br.best.length < shortest.Load() {
			shortest.Store(br.best.length)
			if improved != nil {
				improved(br)
			}
		}
	})
	cancel()
	done := <-proved
	is.ctx = caller
	if l.best != nil && l.length < best.best.length {
		best.take(l)
		if improved != nil && !done {
			improved(best)
		}
	}
	if done {
		best.bound = best.best.length
	}
	return best
}

// run searches until the context ends, or until nothing shorter than the
// shortest known is left: then it is true.
func (l *learner) run(ctx context.Context, shortest *atomic.Int32) bool {
	stop := func() bool { return ctx.Err() != nil || shortest.Load() < l.length }
	for {
		switch l.search(stop) {
		case noneLeft:
			return true
		case foundOne:
			for s := shortest.Load(); l.length < s && !shortest.CompareAndSwap(s, l.length); s = shortest.Load() {
			}
		case gaveUp:
			if ctx.Err() != nil {
				return false
			}
			l.shorten(shortest.Load())
		}
	}
}

// take builds the learner's schedule as one of the breeder's own: built in the
// order of its starts it gets no longer.
func (br *breeder) take(l *learner) {
	list := make([]int32, l.n)
	for i := range list {
		list[i] = int32(i)
	}
	slices.SortStableFunc(list, func(a, b int32) int { return cmp.Compare(l.best[a], l.best[b]) })
	br.build(0, list, br.kid)
}
