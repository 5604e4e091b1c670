package plan

import (
	"cmp"
	"slices"

	"bayhold/internal/fault"
)

// cost is what a repair does to people, the worst first.
type cost struct {
	promises float64 // weights of promises newly broken
	bookings int     // claims with other units or times
	minutes  int64   // by which starts move
}

func (c cost) compare(o cost) int {
	return cmp.Or(cmp.Compare(c.promises, o.promises), cmp.Compare(c.bookings, o.bookings), cmp.Compare(c.minutes, o.minutes))
}

func (c cost) plus(o cost) cost {
	return cost{c.promises + o.promises, c.bookings + o.bookings, c.minutes + o.minutes}
}

// cost compares a plan of a group with how the group stood.
func (r *rippler) cost(g int, pl *Plan) cost {
	var c cost
	gr, stand := r.in.groups[g], r.stand[g]
	for _, j := range r.newlyLate(g, pl) {
		c.promises++
		if int(j) < len(r.p.Jobs) {
			c.promises += r.p.Jobs[j].Weight
		}
	}
	for i := range gr.claims {
		if r.changed(g, i, pl) {
			c.bookings++
		}
	}
	if stand != nil {
		for i := range pl.Steps {
			c.minutes += int64(max(pl.Steps[i].Start-stand.Steps[i].Start, stand.Steps[i].Start-pl.Steps[i].Start))
		}
	}
	return c
}

// newlyLate lists the jobs that end after their promise and later than they
// stood.
func (r *rippler) newlyLate(g int, pl *Plan) []int32 {
	var out []int32
	gr := r.in.groups[g]
	for _, j := range gr.jobs {
		if int(j) >= len(r.p.Jobs) {
			continue
		}
		end, stood := Time(0), Time(0)
		for i, s := range gr.steps {
			if r.p.Steps[s].Job == j {
				end = max(end, pl.Steps[i].End)
				if r.stand[g] != nil {
					stood = max(stood, r.stand[g].Steps[i].End)
				}
			}
		}
		if end > r.p.Jobs[j].Due && end > stood {
			out = append(out, j)
		}
	}
	return out
}

// changed tells whether claim number i of a group is not as it stood.
func (r *rippler) changed(g, i int, pl *Plan) bool {
	stand := r.stand[g]
	if stand == nil {
		return true
	}
	sub := r.in.groups[g].sub
	return sub.Hold(i, pl) != sub.Hold(i, stand) || !slices.Equal(pl.Units[i], stand.Units[i])
}

// report writes the repaired plan and what it changes.
func (r *rippler) report(out *Repair) {
	pl := Plan{Steps: make([]Window, len(r.p.Steps)), Units: make([][]int32, len(r.p.Claims))}
	for g, part := range r.in.placed {
		gr := r.in.groups[g]
		if part == nil {
			out.Unplaced = append(out.Unplaced, gr.jobs...)
			out.Changed = append(out.Changed, gr.claims...)
			continue
		}
		for i, s := range gr.steps {
			pl.Steps[s] = part.Steps[i]
		}
		for i, c := range gr.claims {
			pl.Units[c] = part.Units[i]
			if r.changed(g, i, part) {
				out.Changed = append(out.Changed, c)
			}
		}
		pl.Finish = max(pl.Finish, part.Finish)
		out.Promises = append(out.Promises, r.newlyLate(g, part)...)
		out.Moved += r.cost(g, part).minutes
	}
	pl.Minutes = r.p.minutes(pl.Steps)
	slices.Sort(out.Changed)
	slices.Sort(out.Promises)
	out.Plan = pl
}

func shapeFault(p *Problem, pl *Plan) error {
	return fault.New(fault.Invalid, "PLAN_SHAPE", "the standing plan has %d steps and %d claims, the problem %d and %d",
		len(pl.Steps), len(pl.Units), len(p.Steps), len(p.Claims))
}
