package plan

import (
	"cmp"
	"context"
	"math/rand/v2"
	"slices"
	"sync"
)

// score is what an arrangement is judged by, the first thing first.
type score struct {
	unplaced float64 // weights of jobs without a place
	late     float64 // minutes past the promises, weighted
	ends     int64   // sum of hand-backs
	minutes  int64   // in bays
	moves    int64   // of tools from one bay to another
	shift    int64   // minutes by which starts differ from the plan that stands
}

func (s score) compare(o score) int {
	return cmp.Or(cmp.Compare(s.unplaced, o.unplaced), cmp.Compare(s.late, o.late),
		cmp.Compare(s.ends, o.ends), cmp.Compare(s.minutes, o.minutes),
		cmp.Compare(s.moves, o.moves), cmp.Compare(s.shift, o.shift))
}

// Bounds of a turn of the neighbourhood search, in schedules: it is twice as long
// as the last one if that found something better, else half as long. maxWorkers
// bounds the workers.
const (
	leastTurn  = 2
	mostTurn   = 20
	maxWorkers = 64
)

// arranger plans groups by two searches that take turns and feed each other:
// breeding lists of all steps, and large-neighbourhood search, which takes a few
// groups out of the best plan, puts them back in another order, each exactly,
// and keeps what is no worse.
type arranger struct {
	ctx     context.Context
	p       *Problem
	o       ArrangeOptions
	net     *net
	groups  []*group
	stand   []*Plan // of each group in the plan that stands; nil if it has no place there
	workers []*worker
	bound   Time
	lateLow float64
	alone   []float64 // of each group: its lateness if there were no other, at the least
	rivals  [][]int   // of each group: those that want the same rare units
}

// worker is one of the searches that run side by side.
type worker struct {
	*inserter
	rng   *rand.Rand
	herd  *herd // nil if the budget is too small for one
	score score
	left  int64
	built int64
	turn  int // how many times search goes round next
}

func newArranger(ctx context.Context, p *Problem, order []int32, o ArrangeOptions) *arranger {
	a := &arranger{ctx: ctx, p: p, o: o, net: compile(p, order), groups: p.grouped()}
	if pl := o.Standing; pl != nil && len(pl.Steps) == len(p.Steps) && len(pl.Units) == len(p.Claims) {
		for _, g := range a.groups {
			a.stand = append(a.stand, g.from(pl))
		}
	}
	a.alone, a.rivals = make([]float64, len(a.groups)), rivals(a.groups)
	budget := o.Schedules
	if budget <= 0 {
		budget = 1 << 62
	}
	n := min(o.Workers, maxWorkers)
	if n <= 0 {
		n = 2
	}
	for i := range n {
		a.workers = append(a.workers, &worker{
			inserter: newInserter(ctx, p, o.Release, a.groups),
			rng:      rand.New(rand.NewPCG(o.Seed, uint64(i))), left: max(1, budget/int64(n)), turn: leastTurn,
		})
		if w := a.workers[i]; w.left >= herdFrom {
			w.herd = a.newHerd(o.Seed + uint64(i)<<32)
		}
	}
	return a
}

// run searches until the budget or the time is spent.
func (a *arranger) run() Arrangement {
	a.each(func(i int, w *worker) { w.begin(a, i) })
	a.lowest()
	best := a.share()
	exact := best.exact // all groups at once, and to the end
	if exact {
		a.lateLow = best.score.late
	}
	a.tell(best)
	for best.left > 0 && a.ctx.Err() == nil && !exact && (len(a.groups) > 1 || best.herd != nil) {
		before := best.score
		a.each(func(_ int, w *worker) {
			w.breed(a)
			if len(a.groups) > 1 {
				w.search(a)
			}
		})
		best = a.share()
		if best.score.compare(before) < 0 {
			a.tell(best)
		}
	}
	best.settleIn(a)
	return a.answer(best)
}

// each runs f for every worker, side by side.
func (a *arranger) each(f func(int, *worker)) {
	var wg sync.WaitGroup
	for i, w := range a.workers {
		wg.Go(func() { f(i, w) })
	}
	wg.Wait()
}

// share gives every worker the best plan of all.
func (a *arranger) share() *worker {
	best := a.workers[0]
	for _, w := range a.workers {
		if w.score.compare(best.score) < 0 {
			best = w
		}
	}
	for _, w := range a.workers {
		if w != best {
			w.adopt(best.placed, best.score)
		}
	}
	return best
}

// adopt replaces a worker's plan.
func (w *worker) adopt(placed []*Plan, s score) {
	for g, pl := range placed {
		if w.placed[g] != pl {
			w.put(g, pl)
		}
	}
	w.score = s
}

// begin makes a first plan: what stands already, then the rest by promise, on
// every second worker by weight over the time left.
func (w *worker) begin(a *arranger, i int) {
	order := make([]int, len(a.groups))
	for g := range order {
		order[g] = g
	}
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(a.urgency(x, i%2 == 1), a.urgency(y, i%2 == 1)) })
	if a.stand != nil {
		for g, broken := range brokenBy(a.groups, Validate(a.p, a.o.Standing)) {
			if !broken {
				w.put(g, a.stand[g])
			}
		}
	}
	if a.o.Standing != nil || !w.together(a, order, jointFirst) {
		for _, g := range order {
			if w.placed[g] == nil {
				w.insert(g)
			}
		}
	}
	w.built++
	w.left--
	w.score = a.judge(w.placed)
}

// urgency is the first promise of a group, on wish over its weight.
func (a *arranger) urgency(g int, weighted bool) float64 {
	due, weight := Never, 0.0
	for _, j := range a.groups[g].jobs {
		job := a.job(j)
		due, weight = min(due, job.Due), max(weight, job.Weight)
	}
	if weighted {
		return float64(due) / (0.1 + weight)
	}
	return float64(due)
}

// from takes a group's part out of a plan; nil if it is not placed there.
func (g *group) from(pl *Plan) *Plan {
	out := &Plan{}
	for _, s := range g.steps {
		out.Steps = append(out.Steps, pl.Steps[s])
		out.Finish = max(out.Finish, pl.Steps[s].End)
	}
	for i, c := range g.claims {
		if len(pl.Units[c]) != int(g.sub.Claims[i].Count) {
			return nil
		}
		out.Units = append(out.Units, pl.Units[c])
	}
	out.Minutes = g.sub.minutes(out.Steps)
	return out
}

// search is a turn of taking out and putting back, what is no worse kept, the
// rest undone.
func (w *worker) search(a *arranger) {
	saved := make([]*Plan, 0, 8)
	before := w.score
	for range w.turn {
		if w.left <= 0 || w.ctx.Err() != nil {
			return
		}
		out := w.choose(a)
		saved = saved[:0]
		for _, g := range out {
			saved = append(saved, w.placed[g])
		}
		for _, g := range out {
			w.remove(g)
		}
		w.rng.Shuffle(len(out), func(i, j int) { out[i], out[j], saved[i], saved[j] = out[j], out[i], saved[j], saved[i] })
		if w.rng.IntN(3) > 0 || !w.together(a, out, jointNodes) {
			for _, g := range out {
				w.insert(g)
			}
		}
		w.built++
		w.left--
		if s := a.judge(w.placed); s.compare(w.score) <= 0 {
			w.score = s
			continue
		}
		for _, g := range out {
			w.remove(g)
		}
		for i, g := range out {
			w.put(g, saved[i])
		}
	}
	if w.score.compare(before) < 0 {
		w.turn = min(mostTurn, 2*w.turn)
	} else {
		w.turn = max(leastTurn, w.turn/2)
	}
}

// choose picks groups to take out: one that is later than it would be alone, the
// more so the likelier, or any; and some that share its time, every second one of
// those that want the same rare units.
func (w *worker) choose(a *arranger) []int {
	n := len(a.groups)
	seed := w.sore(a)
	out := []int{seed}
	k := min(n, 2+w.rng.IntN(4))
	for tries := 0; len(out) < k && tries < 40; tries++ {
		g := w.rng.IntN(n)
		if rivals := a.rivals[seed]; len(rivals) > 0 && tries%2 == 0 {
			g = rivals[w.rng.IntN(len(rivals))]
		}
		if slices.Contains(out, g) || tries < 20 && !w.near(seed, g) {
			continue
		}
		out = append(out, g)
	}
	return out
}

// sore picks a group by how much later it is than it would be alone, one time in
// four at random.
func (w *worker) sore(a *arranger) int {
	n := len(a.groups)
	excess := func(g int) float64 {
		if w.placed[g] == nil {
			return a.weight(g) * float64(a.p.Horizon)
		}
		return max(0, a.lateness(g, w.placed[g])-a.alone[g])
	}
	sum := 0.0
	for g := range n {
		sum += excess(g)
	}
	if sum > 0 && w.rng.IntN(4) > 0 {
		x := w.rng.Float64() * sum
		for g := range n {
			if x -= excess(g); x < 0 {
				return g
			}
		}
	}
	return w.rng.IntN(n)
}

// near tells whether two placed groups overlap in time.
func (w *worker) near(a, b int) bool {
	if w.placed[a] == nil || w.placed[b] == nil {
		return true
	}
	return overlaps(extent(w.placed[a]), extent(w.placed[b]))
}

// extent is the time from the first start to the last end of a plan.
func extent(pl *Plan) Window {
	w := Window{Never, 0}
	for _, at := range pl.Steps {
		w.Start, w.End = min(w.Start, at.Start), max(w.End, at.End)
	}
	return w
}
