package forecast

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// Options say how to simulate.
type Options struct {
	Runs int // 0: DefaultRuns
	Seed uint64
	// Workers is how many goroutines share the runs; 0 is 1. The answer does
	// not depend on it.
	Workers int
	// Focus is the job whose deciding steps are counted; a negative number
	// counts those of the job that is handed back last.
	Focus int
	// TakeOver lets others with the skills take over a step from whom it was
	// planned for, where they can begin sooner. The order of the plan stays.
	TakeOver bool
}

// Bounds of a simulation.
const (
	DefaultRuns = 10_000
	MaxRuns     = 1_000_000
	maxSamples  = 200_000_000 // runs times jobs
)

// Forecast is what came out of the runs.
type Forecast struct {
	Runs int
	// Jobs is the hand-back of each job over the runs.
	Jobs []Sample
	// Decides is, for each step, in how many runs it lay on the chain of steps
	// that decided the hand-back of the job in focus.
	Decides []int
	// Planned is the planned hand-back of each job.
	Planned []plan.Time
}

// Simulate plays a placed network. The error is a fault of kind Invalid for an
// unsound network, or that of the context.
func Simulate(ctx context.Context, p *Placed, o Options) (*Forecast, error) {
	if o.Runs == 0 {
		o.Runs = DefaultRuns
	}
	if o.Runs < 1 || o.Runs > MaxRuns || o.Runs*max(1, p.Jobs) > maxSamples {
		return nil, fault.New(fault.Invalid, "RUNS", "%d runs of %d jobs: ask for 1 to %d runs", o.Runs, p.Jobs, MaxRuns)
	}
	if o.Focus >= p.Jobs {
		return nil, fault.New(fault.Invalid, "FOCUS", "there is no job %d", o.Focus)
	}
	w, err := compile(p, o.TakeOver)
	if err != nil {
		return nil, err
	}
	out := &Forecast{Runs: o.Runs, Jobs: make([]Sample, p.Jobs), Decides: make([]int, len(p.Steps)), Planned: make([]plan.Time, p.Jobs)}
	for j := range out.Jobs {
		out.Jobs[j] = make(Sample, o.Runs)
	}
	for _, s := range p.Steps {
		out.Planned[s.Job] = max(out.Planned[s.Job], s.Place.End)
	}
	workers := max(1, min(o.Workers, o.Runs))
	players := make([]*player, workers)
	var wait sync.WaitGroup
	for k := range players {
		players[k] = newPlayer(w, o)
		wait.Go(func() { players[k].playAll(ctx, out, k*o.Runs/workers, (k+1)*o.Runs/workers) })
	}
	wait.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for _, pl := range players {
		for k, n := range pl.decides {
			out.Decides[w.nodes[k].step] += n
		}
	}
	sortAll(out.Jobs, workers)
	return out, nil
}

// sortAll sorts the samples of the jobs, side by side.
func sortAll(jobs []Sample, workers int) {
	var wait sync.WaitGroup
	for k := range workers {
		wait.Go(func() {
			for j := k; j < len(jobs); j += workers {
				slices.Sort(jobs[j])
			}
		})
	}
	wait.Wait()
}

// player plays runs; it belongs to one goroutine and allocates nothing as it
// plays.
type player struct {
	w       *net
	seed    uint64
	focus   int
	rng     rand.PCG
	end     []plan.Time // of each node
	binding []int32     // the node that each one waited for last; -1: none
	back    []plan.Time // hand-back of each job
	last    []int32     // its last node
	decides []int
	// If others may take over: until when each unit is at something and what, and
	// of each node which crew was sent, and when it began.
	free  []plan.Time
	has   []int32
	sent  []int32
	start []plan.Time
}

func newPlayer(w *net, o Options) *player {
	n := len(w.nodes)
	return &player{
		w: w, seed: o.Seed, focus: o.Focus, end: make([]plan.Time, n), binding: make([]int32, n),
		back: make([]plan.Time, w.jobs), last: make([]int32, w.jobs), decides: make([]int, n),
		free: make([]plan.Time, w.units), has: make([]int32, w.units), sent: make([]int32, n), start: make([]plan.Time, n),
	}
}

// glances is how many runs go by between looks at the context.
const glances = 64

func (pl *player) playAll(ctx context.Context, out *Forecast, from, to int) {
	for run := from; run < to; run++ {
		if run%glances == 0 && ctx.Err() != nil {
			return
		}
		pl.play(uint64(run))
		for j, at := range pl.back {
			out.Jobs[j][run] = at
		}
	}
}

// play plays one run.
func (pl *player) play(run uint64) {
	pl.rng.Seed(mix(pl.seed, run), mix(run, ^pl.seed))
	for j := range pl.back {
		pl.back[j], pl.last[j] = -Beyond, -1
	}
	for u := range pl.free {
		pl.free[u], pl.has[u] = 0, -1
	}
	for k := range pl.w.nodes {
		nd := &pl.w.nodes[k]
		u := uniform(&pl.rng)
		ready, bind := nd.release, int32(-1)
		for _, p := range nd.preds {
			if t := pl.end[p.step] + p.lag; t > ready || t == ready && bind < 0 {
				ready, bind = t, p.step
			}
		}
		end := Beyond
		if len(nd.crews) > 0 && !nd.fact.Done {
			end, bind = pl.send(int32(k), min(ready, Beyond), bind, u)
		} else {
			end = nd.place(min(ready, Beyond), u)
		}
		if nd.fact.Begun {
			bind = -1
		}
		pl.end[k], pl.binding[k] = end, bind
		if end > pl.back[nd.job] {
			pl.back[nd.job], pl.last[nd.job] = end, int32(k)
		}
	}
	pl.trace()
}

// place gives the end of a step that can begin at ready.
func (nd *node) place(ready plan.Time, u float64) plan.Time {
	switch {
	case nd.fact.Done:
		return nd.fact.End
	case nd.fact.Begun:
		return nd.goOn(u)
	}
	d := nd.draw(u)
	switch {
	case ready >= Beyond:
		return Beyond
	case nd.cal == nil:
		return ready + d
	}
	at := nd.cal.begin(ready, nd.unbroken, nd.planned)
	if at >= Beyond {
		return Beyond
	}
	if nd.unbroken {
		return at + d
	}
	return nd.cal.finish(at, d)
}

// draw is a number of minutes, rounded.
func (nd *node) draw(u float64) plan.Time {
	return nd.spread.draw(nd.table, u)
}

// draw is the number of minutes at probability u, rounded, read off a table.
func (s *Spread) draw(t *table, u float64) plan.Time {
	x := s.low
	if t != nil {
		x += s.scale * t.at(u)
	}
	if s.log {
		x = math.Exp(x)
	}
	return plan.Time(min(max(x, 0)+0.5, maxDraw))
}

// maxDraw is more minutes than any step is let take.
const maxDraw = 5_000_000

// goOn gives the end of a step that has begun: what it takes is drawn among the
// durations longer than what it has taken. One that has outlived its
// distribution has up to a quarter of that still before it, at least up to a
// quarter of an hour: nobody knows, and it must not count as done.
func (nd *node) goOn(u float64) plan.Time {
	left := plan.Time(0)
	if nd.table != nil && nd.floor < 1-1e-9 {
		u = nd.floor + u*(1-nd.floor)
		left = nd.draw(min(u, 1-1e-12)) - nd.fact.Worked
	} else if nd.table == nil {
		left = nd.draw(u) - nd.fact.Worked
	}
	if left <= 0 {
		left = 1 + plan.Time(u*float64(max(15, nd.fact.Worked/4)))
	}
	if nd.cal == nil || nd.unbroken {
		return left
	}
	return nd.cal.finish(0, left)
}

// trace counts the steps that decided the hand-back.
func (pl *player) trace() {
	job := pl.focus
	if job < 0 {
		for j, at := range pl.back {
			if job < 0 || at > pl.back[job] {
				job = j
			}
		}
	}
	for k := pl.last[job]; k >= 0; k = pl.binding[k] {
		pl.decides[k]++
	}
}

// mix spreads two numbers over 64 bits (Steele, Lea and Flood 2014, the
// finalizer of SplitMix64), so that neighbouring runs draw unlike numbers.
func mix(a, b uint64) uint64 {
	z := a + 0x9e3779b97f4a7c15*(b+1)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// uniform is a number within (0, 1).
func uniform(rng *rand.PCG) float64 {
	return (float64(rng.Uint64()>>11) + 0.5) / (1 << 53)
}
