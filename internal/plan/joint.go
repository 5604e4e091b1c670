package plan

import "slices"

// Budgets of a joint search: the most steps it takes on, and its nodes, in the
// course of a search and at its start.
const (
	jointSteps  = 40
	jointNodes  = 300
	jointFirst  = 10_000
	jointGroups = 4
)

// together finds places for some groups at once, with the least weighted
// lateness that the book leaves them, by the exact search with a budget. Where
// inserting one after the other lets the first take what the next needs more,
// this does not. It is false, and the book unchanged, if nothing was found. The
// groups must not be in the book.
func (in *inserter) together(a *arranger, groups []int, nodes int64) bool {
	if len(groups) < 2 || len(groups) > jointGroups {
		return false
	}
	q, wishes := in.union(a, groups)
	if len(q.Steps) > jointSteps {
		return false
	}
	order, _ := q.sort()
	se := newSearcher(in.ctx, compile(q, order), nodes)
	pl := se.leastLate(limits{deadline: q.Horizon, span: Never, from: max(0, in.release)}, wishes)
	in.exact = false
	if pl == nil {
		return false
	}
	in.exact = !se.out && !se.partial
	pl = se.tightened(pl)
	step, claim := 0, 0
	for _, g := range groups {
		gr := in.groups[g]
		part := &Plan{Steps: pl.Steps[step : step+len(gr.steps)], Units: pl.Units[claim : claim+len(gr.claims)]}
		step, claim = step+len(gr.steps), claim+len(gr.claims)
		in.put(g, gr.own(part))
	}
	return true
}

// union makes the problem of some groups, with the book written into its
// units, and the promises of its jobs.
func (in *inserter) union(a *arranger, groups []int) (*Problem, []Job) {
	q := &Problem{Horizon: in.p.Horizon, Units: slices.Clone(in.p.Units), Pools: in.p.Pools}
	var wishes []Job
	for u := range q.Units {
		for _, b := range in.book[u] {
			q.Units[u].Busy = append(slices.Clip(q.Units[u].Busy), Blocked{b.Window, -1})
		}
	}
	for _, g := range groups {
		gr, base := in.groups[g], int32(len(q.Steps))
		job := map[int32]int32{}
		for _, j := range gr.jobs {
			job[j] = int32(len(wishes))
			wishes = append(wishes, a.job(j))
		}
		for i, st := range gr.sub.Steps {
			st.Job = job[in.p.Steps[gr.steps[i]].Job]
			q.Steps = append(q.Steps, st)
		}
		for _, arc := range gr.sub.Arcs {
			q.Arcs = append(q.Arcs, Arc{arc.From + base, arc.To + base, arc.Lag, arc.Joined})
		}
		for _, cl := range gr.sub.Claims {
			cl.Steps = slices.Clone(cl.Steps)
			for i := range cl.Steps {
				cl.Steps[i] += base
			}
			q.Claims = append(q.Claims, cl)
		}
		for _, u := range gr.sub.Uses {
			q.Uses = append(q.Uses, Use{u.Step + base, u.Pool, u.Amount})
		}
	}
	in.freeze(q, int32(len(wishes)))
	return q, append(wishes, Job{Due: Never})
}

// tightened makes the holds of a plan no longer than needed, unless a job would
// end later for it.
func (se *searcher) tightened(pl *Plan) *Plan {
	tight := &Plan{Steps: slices.Clone(pl.Steps), Units: pl.Units, Finish: pl.Finish}
	se.tighten(tight, -1)
	before, after := se.jobEnds(pl), se.jobEnds(tight)
	for j := range before {
		if after[j] > before[j] {
			return pl
		}
	}
	return tight
}

// jobEnds gives the end of each job's last step.
func (se *searcher) jobEnds(pl *Plan) []Time {
	ends := make([]Time, max(1, len(se.ends)))
	for s, at := range pl.Steps {
		j := se.p.Steps[s].Job
		ends[j] = max(ends[j], at.End)
	}
	return ends
}
