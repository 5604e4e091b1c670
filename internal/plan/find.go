package plan

import "context"

// FindOptions says what Find is to look for.
type FindOptions struct {
	// Release is the earliest start of any step: the vehicle's arrival.
	Release Time
	// Pinned asks for plans whose first step starts at exactly Start.
	Pinned bool
	Start  Time
	// By is the latest finish; 0 and Never leave it to the horizon.
	By Time
	// Nodes is the budget of the search in nodes; 0 is DefaultNodes.
	Nodes int64
	// Points is the most plans that the front may hold; 0 is DefaultPoints.
	// With 1 only the earliest finish is looked for.
	Points int
}

// Budgets of Find that zero options stand for.
const (
	DefaultNodes  = 200_000
	DefaultPoints = 24
)

// Front is the plans between which a choice has to be made: the earliest
// finish first, each next one later and shorter in the bay.
type Front struct {
	Plans []Plan
	// Bound is a proved lower bound of the finish of every plan; Proved says
	// that the first plan attains it.
	Bound  Time
	Proved bool
	// Complete says that no plan is better in finish and in minutes than one
	// of Plans without being worse in the other, none left out: the first
	// plan's minutes are the fewest at its finish, the last one's of all.
	Complete bool
	// Impossible is why there is no plan; empty unless that is proved. No
	// plans and nothing here means that the budget or the time ran out.
	Impossible []Blocker
	// Nodes is what the search has looked at.
	Nodes int64
}

// Find looks for the plans of the earliest finish, of the fewest minutes in
// the bay, and what lies between. Of several jobs only the earliest common
// finish is proved; their minutes in the bay are made few, not fewest.
//
// It is exact: a depth-first branch and bound, ended early by the budget or
// the context. Then the answer holds the best found with Proved unset. The
// error is a fault of kind Invalid for an unsound problem.
func Find(ctx context.Context, p *Problem, o FindOptions) (Front, error) {
	order, err := p.prepare()
	if err != nil {
		return Front{}, err
	}
	return newFinder(ctx, p, order, o).find(), nil
}

// finder runs the searches that make up one front.
type finder struct {
	*searcher
	opts  FindOptions
	lim   limits
	front Front
	start int64
	quiet bool // does without reasons
	cut   bool // a part of the search was broken off
}

// share is the part of the budget, one in so many, that one point of the front
// may take beyond the earliest finish: what is hard to prove must not keep the
// other points from being found.
const share = 16

// partly runs a search on a share of the budget.
func (f *finder) partly(search func()) {
	all := f.nodes
	f.nodes = min(all, f.opts.Nodes/share)
	given := f.nodes
	search()
	f.nodes += all - given
	if f.out && f.nodes > 0 && f.ctx.Err() == nil {
		f.out, f.cut = false, true
	}
}

func newFinder(ctx context.Context, p *Problem, order []int32, o FindOptions) *finder {
	if o.Nodes <= 0 {
		o.Nodes = DefaultNodes
	}
	if o.Points <= 0 {
		o.Points = DefaultPoints
	}
	if o.By <= 0 {
		o.By = Never
	}
	lim := limits{deadline: min(p.Horizon, o.By), span: Never, from: max(0, o.Release)}
	if o.Pinned {
		lim.from, lim.pinned = max(lim.from, o.Start), true
	}
	f := &finder{opts: o, lim: lim, start: o.Nodes}
	f.searcher = newSearcher(ctx, compile(p, order), o.Nodes)
	return f
}

// find walks along the front from its early end.
func (f *finder) find() Front {
	fr := &f.front
	var best *Plan
	if f.opts.Pinned && f.opts.Start < f.lim.from {
		fr.Bound = Never
		fr.Impossible = []Blocker{{BlockNotOpen, f.orig[0], -1, -1, -1, f.lim.from}}
		return f.done()
	}
	best, fr.Bound = f.earliest(f.lim)
	if best == nil {
		if !f.out && !f.partial && !f.quiet {
			fr.Impossible = f.reasons()
		}
		return f.done()
	}
	fr.Proved = best.Finish <= fr.Bound && !f.partial
	single := len(f.p.Jobs) <= 1
	lim := f.lim
	for best != nil {
		if single && !f.out {
			best = f.compact(best, lim)
		}
		fr.Plans = append(fr.Plans, f.finished(best))
		if !single || f.out || len(fr.Plans) >= f.opts.Points {
			break
		}
		lim.span = fr.Plans[len(fr.Plans)-1].Minutes - 1
		f.partly(func() {
			var bound Time
			if best, bound = f.earliest(lim); best != nil {
				best.Bound, best.Proved = bound, best.Finish <= bound
			}
		})
		fr.Complete = best == nil && !f.out && !f.cut && !f.partial
	}
	f.lead(&fr.Plans[0])
	return f.done()
}

// quietly is find for callers who only ask whether there is a plan.
func (f *finder) quietly() Front {
	f.quiet = true
	return f.find()
}

// lead marks the earliest plan with what is proved of the whole front.
func (f *finder) lead(pl *Plan) { pl.Bound, pl.Proved = f.front.Bound, f.front.Proved }

// compact gives the shortest plan that finishes as early as best.
func (f *finder) compact(best *Plan, lim limits) *Plan {
	bound, proved := best.Bound, best.Proved
	lim.deadline, lim.span = best.Finish, best.Minutes-1
	f.partly(func() {
		if short := f.shortest(lim); short != nil {
			best = short
		}
	})
	best.Bound, best.Proved = bound, proved
	return best
}

// finished gives the plan with its holds made no longer than needed and its
// minutes counted job by job.
func (f *finder) finished(pl *Plan) Plan {
	keep := Time(-1)
	if f.lim.pinned {
		keep = f.lim.from
	}
	f.tighten(pl, keep)
	pl.Minutes = f.p.minutes(pl.Steps)
	pl.Proved = pl.Proved && !f.partial
	return *pl
}

func (f *finder) done() Front {
	f.front.Nodes = f.start - f.nodes
	return f.front
}

// minutes sums the time from start to end of each job.
func (p *Problem) minutes(places []Window) Time {
	jobs := make([]Window, max(1, len(p.Jobs)))
	for j := range jobs {
		jobs[j].Start = Never
	}
	for k, at := range places[:len(places)-p.beside] {
		j := &jobs[p.Steps[k].Job]
		j.Start, j.End = min(j.Start, at.Start), max(j.End, at.End)
	}
	sum := Time(0)
	for _, j := range jobs {
		if j.Start < j.End {
			sum += j.End - j.Start
		}
	}
	return sum
}
