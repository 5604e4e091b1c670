package forecast

import (
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// Asking says how the times lie at which a work is asked for. The zero value is
// Poisson: at random, at the same rate at all times.
type Asking struct {
	// Gaps, if set, is how the times from one asking to the next are spread.
	Gaps *Gaps
	// Batch is how many jobs are asked for at once; 0 is one. Askings are so much
	// rarer, the jobs a week stay the same.
	Batch int
	// Times are the very times, rising, from minute 0 on, one for each job; nothing
	// is drawn then.
	Times []plan.Time
}

// Gaps are times from one asking to the next with a gamma distribution.
type Gaps struct {
	// CV is the standard deviation over the mean: 0 is at even intervals, 1 is
	// Poisson, above that askings come in spells.
	CV float64
}

// Bounds of askings.
const (
	MaxCV    = 10
	MaxBatch = 100
	maxTimes = 200_000
)

func (a *Asking) check(fs *fault.Fields, at string) {
	if g := a.Gaps; g != nil && !(g.CV >= 0 && g.CV <= MaxCV) {
		fs.Add(at+".gap_variation", "must be 0 to %d", MaxCV)
	}
	if a.Batch < 0 || a.Batch > MaxBatch {
		fs.Add(at+".batch", "must be 1 to %d", MaxBatch)
	}
	if a.Times == nil {
		return
	}
	switch {
	case a.Gaps != nil || a.Batch > 1:
		fs.Add(at, "has the very times of its askings, and gaps or batches besides")
	case len(a.Times) > maxTimes:
		fs.Add(at, "is asked for %d times; at most %d can be studied", len(a.Times), maxTimes)
	case !slices.IsSorted(a.Times) || len(a.Times) > 0 && a.Times[0] < 0:
		fs.Add(at, "has times that do not rise from 0")
	}
}

// draw calls f for each time at which a work is asked for before stop.
func (w *Work) draw(rng *rand.PCG, stop plan.Time, f func(plan.Time)) {
	if w.Asking.Times != nil {
		for _, t := range w.Asking.Times {
			if t < stop {
				f(t)
			}
		}
		return
	}
	batch := max(1, w.Asking.Batch)
	mean := weekMinutes * float64(batch) / w.PerWeek
	gap := func() float64 { return mean }
	switch g := w.Asking.Gaps; {
	case g == nil:
		gap = distuv.Exponential{Rate: 1 / mean, Src: rng}.Rand
	case g.CV > 0:
		shape := 1 / (g.CV * g.CV)
		gap = distuv.Gamma{Alpha: shape, Beta: shape / mean, Src: rng}.Rand
	}
	t := gap()
	if w.Asking.Gaps != nil {
		t *= uniform(rng) // nobody knows when the last asking was
	}
	for ; t < float64(stop); t += gap() {
		for range batch {
			f(plan.Time(t))
		}
	}
}

// demand draws when jobs are asked for: the same in every variant.
func (c *studyCase) demand(rep uint64) []asks {
	var out []asks
	for k := range c.works {
		rng := rand.NewPCG(mix(c.o.Seed, rep), mix(uint64(k), 0x64656d616e64))
		c.works[k].draw(rng, c.stop, func(t plan.Time) { out = append(out, asks{t, int32(k)}) })
	}
	slices.SortStableFunc(out, func(a, b asks) int { return int(a.at) - int(b.at) })
	return out
}
