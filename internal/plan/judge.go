package plan

import (
	"cmp"
	"slices"
)

// judge scores the plans of all groups.
func (a *arranger) judge(placed []*Plan) score {
	var s score
	for g, pl := range placed {
		if pl == nil {
			s.unplaced += a.weight(g)
			continue
		}
		s.late += a.lateness(g, pl)
		s.ends += int64(pl.Finish)
		s.minutes += int64(pl.Minutes)
		s.shift += a.shift(g, pl)
	}
	s.moves = a.moves(placed)
	return s
}

// shift sums by how many minutes the starts of a group differ from where they
// stand.
func (a *arranger) shift(g int, pl *Plan) int64 {
	sum := int64(0)
	if a.stand != nil && a.stand[g] != nil {
		for i, at := range pl.Steps {
			was := a.stand[g].Steps[i].Start
			sum += int64(max(at.Start-was, was-at.Start))
		}
	}
	return sum
}

// job gives the wishes of a job; none if the problem lists no jobs.
func (a *arranger) job(j int32) Job {
	if int(j) < len(a.p.Jobs) {
		return a.p.Jobs[j]
	}
	return Job{Due: Never}
}

// lateness is the weighted minutes past the promises of a group's jobs.
func (a *arranger) lateness(g int, pl *Plan) float64 {
	gr := a.groups[g]
	if len(gr.jobs) == 1 {
		return a.job(gr.jobs[0]).late(pl.Finish)
	}
	ends := map[int32]Time{}
	for i, s := range gr.steps {
		j := a.p.Steps[s].Job
		ends[j] = max(ends[j], pl.Steps[i].End)
	}
	sum := 0.0
	for _, j := range gr.jobs {
		sum += a.job(j).late(ends[j])
	}
	return sum
}

// weight is what counts for a group without a place.
func (a *arranger) weight(g int) float64 {
	sum := 0.0
	for _, j := range a.groups[g].jobs {
		sum += 1 + a.job(j).Weight
	}
	return sum
}

// late is the weighted minutes of a hand-back past the promise.
func (j Job) late(finish Time) float64 {
	return j.Weight * float64(max(0, int64(finish)-int64(j.Due)))
}

// Budgets in nodes of the bounds: for a group alone, and for two of them.
const (
	aloneNodes = 1000
	pairNodes  = 3000
)

// lowest finds what each group could have if it were alone, and two and two
// what they could have if they were: from the first follows a lower bound of the
// last hand-back, from both a lower bound of the lateness.
func (a *arranger) lowest() {
	order := make([]int, len(a.groups))
	for g, gr := range a.groups {
		order[g] = g
		f := newFinder(a.ctx, gr.sub, gr.order, FindOptions{Release: a.o.Release, Points: 1, Nodes: aloneNodes})
		_, bound := f.earliest(f.lim)
		if bound == Never || f.partial {
			continue
		}
		a.bound = max(a.bound, bound)
		if len(gr.jobs) == 1 {
			a.alone[g] = a.job(gr.jobs[0]).late(bound)
			a.lateLow += a.alone[g]
		}
	}
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(a.urgency(x, false), a.urgency(y, false)) })
	in := newInserter(a.ctx, a.p, a.o.Release, a.groups)
	for len(order) > 1 && len(a.groups) <= maxPaired {
		pair := order[:2]
		if order = order[1:]; !in.together(a, pair, pairNodes) {
			continue
		}
		sum := a.lateness(pair[0], in.placed[pair[0]]) + a.lateness(pair[1], in.placed[pair[1]])
		in.remove(pair[0])
		in.remove(pair[1])
		if more := sum - a.alone[pair[0]] - a.alone[pair[1]]; in.exact && more > 0 {
			a.lateLow += more
			order = order[1:] // both have had their say
		}
	}
}

// maxPaired is up to how many groups pairs of them are looked at.
const maxPaired = 20

// tell hands the best plan to the caller who wants to see it grow.
func (a *arranger) tell(best *worker) {
	if a.o.Improved != nil {
		a.o.Improved(a.answer(best))
	}
}

// answer writes the plans of the groups as one.
func (a *arranger) answer(best *worker) Arrangement {
	pl := Plan{Steps: make([]Window, len(a.p.Steps)), Units: make([][]int32, len(a.p.Claims))}
	out := Arrangement{Late: best.score.late, LateBound: a.lateLow, Moves: best.score.moves}
	for g, part := range best.placed {
		gr := a.groups[g]
		if part == nil {
			out.Unplaced = append(out.Unplaced, gr.jobs...)
			continue
		}
		for i, s := range gr.steps {
			pl.Steps[s] = part.Steps[i]
		}
		for i, c := range gr.claims {
			pl.Units[c] = part.Units[i]
		}
		pl.Finish = max(pl.Finish, part.Finish)
	}
	pl.Minutes = a.p.minutes(pl.Steps)
	pl.Bound, pl.Proved = a.bound, len(out.Unplaced) == 0 && pl.Finish <= a.bound
	out.Plan = pl
	for _, w := range a.workers {
		out.Schedules += w.built
	}
	return out
}
