package plan

import (
	"cmp"
	"slices"
)

// Breeding of lists for problems with claims. The lists hold the steps of all
// jobs, so that jobs may take turns on what they share, which inserting them one
// after the other cannot do.

// Sizes of the breeding beside the neighbourhood search: from which budget of a
// worker it pays, and how many lists are built in a turn.
const (
	herdFrom  = 200
	herdRound = 60
)

// herdSize is how many lists there are: of many steps fewer, or they would be
// long in coming.
func herdSize(n int) int { return min(30, max(10, 6000/max(1, n))) }

// herd is a population of lists with the booker that builds them.
type herd struct {
	*booker
	br    *breeder
	plans []*Plan // of the best list
	score score
	sown  bool
	known score // of the plan that was last let in
	tried score // of the plans that were last tried out
}

func (a *arranger) newHerd(seed uint64) *herd {
	jobs := make([]Job, max(1, len(a.p.Jobs)))
	for j := range jobs {
		jobs[j] = a.job(int32(j))
	}
	h := &herd{booker: newBooker(a.net, a.groups, max(0, a.o.Release), jobs)}
	h.score.unplaced = 1e300
	ax := newAxis(a.net, false)
	ax.hurry(a.net, jobs)
	h.br = newBreeder([2]*axis{ax, ax}, h, 0, herdSize(a.net.n), seed)
	if len(a.groups) > 1 {
		h.br.blocks, h.br.keys = h.groupOf, make([]int32, h.n)
		for k := range h.n {
			h.br.due = append(h.br.due, int32(jobs[a.p.Steps[h.orig[k]].Job].Due))
		}
	}
	return h
}

// hurry makes the steps of jobs that are promised soon the ones to draw first.
func (a *axis) hurry(w *net, jobs []Job) {
	last := Time(0)
	for _, j := range jobs {
		if j.Due != Never {
			last = max(last, j.Due)
		}
	}
	for k := range a.n {
		j := jobs[w.p.Steps[w.orig[k]].Job]
		if j.Due != Never && j.Weight > 0 {
			a.tail[k] += int32(last - j.Due)
		}
	}
}

// decode builds a list of steps and keeps the plan if it is the best so far.
func (h *herd) decode(_ int, list, at []int32) score {
	s := h.build(list, at)
	if s.compare(h.score) < 0 {
		h.score, h.plans = s, h.booker.plans()
	}
	return s
}

// sow draws half of the lists step by step, and half job by job, as promised
// and by weight, give or take.
func (h *herd) sow(a *arranger, more func() bool) bool {
	list, order, keys := make([]int32, 0, h.n), make([]int, len(h.groups)), make([]float64, len(h.groups))
	for i, g := range h.br.pops[0] {
		if !more() {
			return false
		}
		if i%2 == 0 {
			h.br.draw.serial(h.br.axes[0], h.br.rng, list[:h.n])
		} else {
			for x := range order {
				order[x], keys[x] = x, a.urgency(x, i%4 == 1)*(0.7+0.6*h.br.rng.Float64())
			}
			slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(keys[x], keys[y]) })
			for x, list := 0, list[:0]; x < len(order); x++ {
				list = append(list, h.members[order[x]]...)
			}
		}
		h.br.build(0, list[:h.n], g)
	}
	return true
}

// breed lets the worker's herd know the worker's plan, breeds for a turn, and
// takes the herd's best plan if it is better.
func (w *worker) breed(a *arranger) {
	h := w.herd
	if h == nil {
		return
	}
	left := min(herdRound, int(w.left))
	more := func() bool {
		left--
		return left >= 0 && w.ctx.Err() == nil
	}
	before := h.br.built
	if !h.sown {
		left = min(3*len(h.br.pops[0]), int(w.left))
		h.sown = h.sow(a, more)
	}
	if h.sown {
		if h.known != w.score {
			h.known = w.score
			h.letIn(w)
		}
		h.br.evolve(more)
	}
	w.built += h.br.built - before
	w.left -= h.br.built - before
	if h.score != h.tried && (h.score.unplaced > 0 || h.score.compare(w.score) < 0) {
		h.tried = h.score
		w.tryOut(a, h.plans)
	}
}

// tryOut replaces the worker's plan by plans of all groups, inserting those
// that have none, if that is better.
func (w *worker) tryOut(a *arranger, plans []*Plan) {
	if plans == nil {
		return
	}
	was := slices.Clone(w.placed)
	for g := range plans {
		w.remove(g)
	}
	for g, pl := range plans {
		w.put(g, pl)
	}
	for g, pl := range plans {
		if pl == nil {
			w.insert(g)
		}
	}
	if s := a.judge(w.placed); s.compare(w.score) < 0 {
		w.score = s
		return
	}
	for g, pl := range was {
		w.put(g, pl)
	}
}

// letIn builds the worker's plan as a list, in the order of its starts, in the
// place of the worst one.
func (h *herd) letIn(w *worker) {
	list, at := make([]int32, h.n), make([]Time, h.n)
	for k := range list {
		list[k] = int32(k)
	}
	for g, pl := range w.placed {
		for i, s := range h.groups[g].steps {
			if pl != nil {
				at[h.pos[s]] = pl.Steps[i].Start
			}
		}
	}
	slices.SortStableFunc(list, func(a, b int32) int { return int(at[a]) - int(at[b]) })
	pop := h.br.pops[0]
	worst := 0
	for i, g := range pop {
		if g.score.compare(pop[worst].score) > 0 {
			worst = i
		}
	}
	h.br.build(0, list, h.br.kid)
	if !twin(pop, h.br.kid, -1) {
		pop[worst], h.br.kid = h.br.kid, pop[worst]
	}
}
