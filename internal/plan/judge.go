package plan

// judge scores the plans of all groups.
func (a *arranger) judge(placed []*Plan) score {
	var s score
	for g, pl := range placed {
		if pl == nil {
			for _, j := range a.groups[g].jobs {
				s.unplaced += 1 + a.job(j).Weight
			}
			continue
		}
		s.late += a.lateness(g, pl)
		s.ends += int64(pl.Finish)
		s.minutes += int64(pl.Minutes)
	}
	return s
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

// late is the weighted minutes of a hand-back past the promise.
func (j Job) late(finish Time) float64 {
	return j.Weight * float64(max(0, int64(finish)-int64(j.Due)))
}

// lowest finds what each group could have if it were alone: from it follow
// lower bounds of the last hand-back and of the lateness.
func (a *arranger) lowest() {
	for g := range a.groups {
		f := newFinder(a.ctx, a.groups[g].sub, a.groups[g].order, FindOptions{Release: a.o.Release, Points: 1, Nodes: 1})
		st := f.searcher
		st.limits = f.lim
		root := st.rootState()
		if root == nil {
			continue
		}
		a.bound = max(a.bound, root.finish())
		if len(a.groups[g].jobs) == 1 {
			a.lateLow += a.job(a.groups[g].jobs[0]).late(root.finish())
		}
	}
}

// tell hands the best plan to the caller who wants to see it grow.
func (a *arranger) tell(best *worker) {
	if a.o.Improved != nil {
		a.o.Improved(a.answer(best))
	}
}

// answer writes the plans of the groups as one.
func (a *arranger) answer(best *worker) Arrangement {
	pl := Plan{Steps: make([]Window, len(a.p.Steps)), Units: make([][]int32, len(a.p.Claims))}
	out := Arrangement{Late: best.score.late, LateBound: a.lateLow}
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
