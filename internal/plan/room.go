package plan

import (
	"cmp"
	"context"
	"slices"
)

// Room is a way to hand a job back earlier that disturbs another one.
type Room struct {
	// Plan is the plan of all jobs then.
	Plan Plan
	// Finish is when the job is handed back.
	Finish Time
	// Moved are the jobs that give way, Promises those of them that end after
	// their promise and later than they stood.
	Moved, Promises []int32
	// Changed are the claims of Moved whose units or times are not what they
	// were.
	Changed []int32
	// Minutes is the sum over the steps of Moved of the minutes by which their
	// starts move.
	Minutes int64
}

// maxRooms is how many ways MakeRoom tells.
const maxRooms = 3

// MakeRoom tells how a job that has no place in the standing plan could be
// handed back before by, if one of the jobs that stand gave way: earliest
// hand-back first, each next one later and less of a disturbance. Steps do not
// move to before Now, and frozen ones not at all. That is a heuristic: there may
// be more ways, and such as move several jobs. It tells none while something that
// stands is broken. The error is a fault of kind
// Invalid for an unsound problem.
func MakeRoom(ctx context.Context, p *Problem, o RippleOptions, job int32, by Time) ([]Room, error) {
	r, err := newRippler(ctx, p, o)
	if err != nil {
		return nil, err
	}
	r.find(Validate(p, r.o.Standing))
	g := slices.IndexFunc(r.in.groups, func(gr *group) bool { return slices.Contains(gr.jobs, job) })
	if g < 0 || len(r.hit) != 1 || r.hit[0] != g {
		return nil, nil
	}
	type way struct {
		cost
		Room
	}
	var ways []way
	for other, was := range slices.Clone(r.in.placed) {
		if was == nil || ctx.Err() != nil {
			continue
		}
		r.in.remove(other)
		if mine := r.try(g, wholeGroup); mine != nil && mine.Finish < by {
			r.in.put(g, mine)
			if theirs := r.giveWay(other); theirs != nil {
				r.in.put(other, theirs)
				ways = append(ways, way{r.cost(other, theirs), r.room(g, other)})
			}
		}
		r.in.remove(g)
		r.in.put(other, was)
	}
	slices.SortStableFunc(ways, func(a, b way) int { return cmp.Or(cmp.Compare(a.Finish, b.Finish), a.cost.compare(b.cost)) })
	var out []Room
	var least cost
	for _, w := range ways {
		if len(out) < maxRooms && (len(out) == 0 || w.cost.compare(least) < 0) {
			out, least = append(out, w.Room), w.cost
		}
	}
	return out, nil
}

// giveWay finds a new place for a group that another has displaced, the
// cheapest of: only later, or anywhere.
func (r *rippler) giveWay(g int) *Plan {
	var best *Plan
	for _, now := range []Time{extent(r.stand[g]).Start, r.o.Now} {
		was := r.o.Now
		r.o.Now = max(was, now)
		pl := r.try(g, wholeGroup)
		r.o.Now = was
		if pl != nil && (best == nil || r.cost(g, pl).compare(r.cost(g, best)) < 0) {
			best = pl
		}
	}
	return best
}

// room tells what stands once group g has a place and another gave way.
func (r *rippler) room(g, other int) Room {
	var rep Repair
	r.report(&rep)
	out := Room{Plan: rep.Plan, Finish: r.in.placed[g].Finish, Moved: r.in.groups[other].jobs}
	out.Promises = r.newlyLate(other, r.in.placed[other])
	for _, c := range rep.Changed {
		if slices.Contains(r.in.groups[other].claims, c) {
			out.Changed = append(out.Changed, c)
		}
	}
	out.Minutes = r.cost(other, r.in.placed[other]).minutes
	return out
}
