package plan

import "context"

// ArrangeOptions says how to arrange.
type ArrangeOptions struct {
	// Release is the earliest start of any step.
	Release Time
	// Schedules is the budget in schedules built; 0 leaves it to the
	// context, which should then have a deadline.
	Schedules int64
	// Seed makes the search what it is: the same problem, seed, budget and
	// workers give the same plan, on any number of cores.
	Seed uint64
	// Workers is how many searches run side by side and share their best; 0
	// is 2. Of problems of steps and pools alone there are two at most.
	Workers int
	// Standing is the plan that people have been told, if there is one: the
	// places of its jobs are where the search begins, as far as they hold.
	// Nil if there is none.
	Standing *Plan
	// Improved is called, one call at a time, whenever a better plan stands.
	Improved func(Arrangement)
}

// Arrangement is a plan for many jobs.
type Arrangement struct {
	Plan Plan
	// Late is the sum over the jobs of their minutes past the promise times
	// their weight.
	Late float64
	// LateBound is a proved lower bound of Late.
	LateBound float64
	// Moves is how often a unit goes from a job in one place to one in another.
	Moves int64
	// Unplaced are the jobs for which the search found no place before the
	// horizon; their steps have none in Plan (an empty window at 0) and their
	// claims no units.
	Unplaced []int32
	// Schedules is how many schedules were built.
	Schedules int64
}

// defaultSchedules is the budget of a call that sets none and has no deadline.
const defaultSchedules = 20_000

// Arrange plans many jobs at once: first as little weighted lateness as can
// be, then early hand-backs, then few minutes in the bay, then few moves of tools
// between bays, then near the plan that stands; steps and pools alone, without
// claims, releases and promises, for the earliest end of all. It is an anytime
// search that ends with its budget or its context and gives the best it
// has.
// The error is a fault of kind Invalid for an unsound problem.
func Arrange(ctx context.Context, p *Problem, o ArrangeOptions) (Arrangement, error) {
	order, err := p.prepare()
	if err != nil {
		return Arrangement{}, err
	}
	if _, timed := ctx.Deadline(); o.Schedules <= 0 && !timed {
		o.Schedules = defaultSchedules
	}
	if p.mirrored() && o.Release <= 0 && p.poolsSuffice() {
		return arrangeLists(ctx, compile(p, order), o), nil
	}
	return newArranger(ctx, p, order, o).run(), nil
}

// poolsSuffice tells whether every step alone can have what it uses.
func (p *Problem) poolsSuffice() bool {
	type key struct{ step, pool int32 }
	sum := map[key]int64{}
	for _, u := range p.Uses {
		k := key{u.Step, u.Pool}
		if sum[k] += int64(u.Amount); sum[k] > int64(p.Pools[u.Pool].Capacity) {
			return false
		}
	}
	return true
}

// arrangeLists plans a mirrored problem.
func arrangeLists(ctx context.Context, w *net, o ArrangeOptions) Arrangement {
	is := newIslands(ctx, w, o)
	answer := func(br *breeder) Arrangement {
		pl := Plan{Steps: make([]Window, w.n), Units: [][]int32{}}
		for k, at := range br.places() {
			pl.Steps[w.orig[k]] = at
			pl.Finish = max(pl.Finish, at.End)
		}
		pl.Minutes = w.p.minutes(pl.Steps)
		pl.Bound, pl.Proved = Time(br.bound), br.proved()
		a := Arrangement{Plan: pl}
		if pl.Finish > w.p.Horizon {
			for j := range max(1, len(w.p.Jobs)) {
				a.Unplaced = append(a.Unplaced, int32(j))
			}
			a.Plan = Plan{Steps: make([]Window, w.n), Units: [][]int32{}}
		}
		for _, b := range is.brs {
			a.Schedules += b.built
		}
		return a
	}
	var tell func(*breeder)
	if o.Improved != nil {
		tell = func(br *breeder) { o.Improved(answer(br)) }
	}
	if o.Schedules <= 0 {
		return answer(is.runTimed(tell))
	}
	return answer(is.run(true, tell))
}
