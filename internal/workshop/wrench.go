package workshop

import (
	"slices"

	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

// tightens tells whether a wrench serves the torque of a hold's step: what it is
// set to lies in its range, an adapter and the drive considered. What tightens
// nothing, and a multiplier, is judged by its rating alone.
func (z *puzzle) tightens(u int32, h procedure.NetHold) bool {
	t := z.network.Steps[h.Steps[0]].Step.Torque
	if h.Tool.Torque == 0 || t == nil || z.types[u].Ratio > 0 {
		return true
	}
	choices, _ := torque.Choose([]torque.Tool{wrench(z.types[u])}, nil, t.Need())
	return len(choices) > 0
}

func wrench(t site.ToolType) torque.Tool {
	return torque.Tool{
		ID: t.ID, Min: t.TorqueMin, Max: t.TorqueMax, Resolution: t.Resolution,
		Drive: t.Drive, Length: t.Length, Ratio: t.Ratio,
	}
}

// preferFiner gives each tightening the finest wrench that is free for it. To
// the planner every wrench that covers the torque is as good as another; to the
// technician the one with the finer scale is the better. Places in time stay.
func (z *puzzle) preferFiner(p *plan.Plan) {
	for c, claim := range z.problem.Claims {
		if !z.claims[c].torque || claim.Count != 1 {
			continue
		}
		t := z.network.Steps[claim.Steps[0]].Step.Torque
		if t == nil {
			continue
		}
		for _, u := range z.finer(claim.Eligible, p.Units[c][0], *t) {
			was := p.Units[c]
			p.Units[c] = []int32{u}
			if len(plan.Validate(&z.problem, p)) == 0 {
				break
			}
			p.Units[c] = was
		}
	}
}

// finer gives the units whose type torque.Choose ranks before that of the unit
// chosen, the best first. Units of one type are left as the planner chose.
func (z *puzzle) finer(units []int32, chosen int32, t procedure.Torque) []int32 {
	var tools []torque.Tool
	for _, u := range units {
		kind := wrench(z.types[u])
		if kind.Ratio == 0 && !slices.Contains(tools, kind) {
			tools = append(tools, kind)
		}
	}
	choices, _ := torque.Choose(tools, nil, t.Need())
	rank := func(u int32) int {
		at := slices.IndexFunc(choices, func(c torque.Choice) bool { return c.Tool == z.types[u].ID })
		if at < 0 {
			return len(choices) // multipliers come last
		}
		return at
	}
	out := slices.DeleteFunc(slices.Clone(units), func(u int32) bool { return rank(u) >= rank(chosen) })
	slices.SortStableFunc(out, func(a, b int32) int { return rank(a) - rank(b) })
	return out
}
