package workshop

import (
	"fmt"
	"slices"
	"strings"

	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// puzzle is a job put to the planner: the merged network against the yard.
type puzzle struct {
	*yard
	network  procedure.Network
	problem  plan.Problem
	claims   []claim // of each plan.Claim
	arrivals []Arrival
	progress *progress // how far the job has come; nil if nothing is recorded
}

// claim is what a plan.Claim stands for.
type claim struct {
	kind   site.Kind
	need   string // in words
	torque bool   // whether a torque has to be borne
}

// newPuzzle builds the problem, for one bay only if it is named, and with parts
// that are yet to come. Invalid if a part is not on the job's list.
func newPuzzle(y *yard, net procedure.Network, bay string, arrivals []Arrival) (*puzzle, error) {
	z := &puzzle{yard: y, network: net}
	z.problem = plan.Problem{
		Horizon: y.horizon, Units: y.units,
		Jobs: []plan.Job{{Due: plan.Never, Weight: 1}},
	}
	for _, s := range net.Steps {
		z.problem.Steps = append(z.problem.Steps, plan.Step{
			Duration: plan.Time(s.Step.Estimate.Likely),
			Elapsed:  s.Step.Mode == procedure.Unattended,
			Unbroken: s.Step.Unbroken,
		})
	}
	for _, a := range net.Arcs {
		z.problem.Arcs = append(z.problem.Arcs, plan.Arc{
			From: int32(a.From), To: int32(a.To), Lag: plan.Time(a.Lag), Joined: a.Joined,
		})
	}
	z.claimBay(bay)
	for _, h := range net.Holds {
		z.claimTool(h)
	}
	for i, s := range net.Steps {
		if s.Step.Mode != procedure.Unattended {
			z.claimCrew(int32(i))
		}
	}
	if err := z.claimParts(arrivals); err != nil {
		return nil, err
	}
	z.problem.Units = z.units // parts have come in
	return z, nil
}

func (z *puzzle) claimBay(bay string) {
	all := make([]int32, len(z.network.Steps))
	for i := range all {
		all[i] = int32(i)
	}
	need := "a bay"
	if len(z.network.BayFeatures) > 0 {
		need += " with " + strings.Join(z.network.BayFeatures, ", ")
	}
	if bay != "" {
		need += ", and it must be " + bay
	}
	eligible := z.choose(site.KindBay, func(u int32) bool {
		return (bay == "" || z.refs[u].ID == bay) && hasAll(z.traits[u], z.network.BayFeatures)
	})
	z.add(plan.Claim{Steps: all, Eligible: eligible, Count: 1}, claim{kind: site.KindBay, need: need})
}

func (z *puzzle) claimTool(h procedure.NetHold) {
	steps := make([]int32, len(h.Steps))
	for i, s := range h.Steps {
		steps[i] = int32(s)
	}
	slices.Sort(steps)
	eligible := z.choose(site.KindTool, func(u int32) bool {
		return !z.retired[u] && procedure.Fits(z.types[u], h.Tool, z.network.Family) && z.tightens(u, h)
	})
	z.add(plan.Claim{Steps: steps, Eligible: eligible, Count: 1},
		claim{kind: site.KindTool, need: z.needOf(h.Tool), torque: h.Tool.Torque > 0})
}

func (z *puzzle) claimCrew(step int32) {
	for _, c := range z.network.Steps[step].Step.Crew {
		eligible := z.choose(site.KindTechnician, func(u int32) bool { return hasAll(z.skills[u], c.Skills) })
		z.add(plan.Claim{Steps: []int32{step}, Eligible: eligible, Count: int32(c.People), Crew: true},
			claim{kind: site.KindTechnician, need: crewNeed(c)})
	}
}

func (z *puzzle) choose(kind site.Kind, fits func(int32) bool) []int32 {
	var out []int32
	for i, ref := range z.refs {
		if ref.Kind == kind && fits(int32(i)) {
			out = append(out, int32(i))
		}
	}
	return out
}

func (z *puzzle) add(c plan.Claim, what claim) {
	z.problem.Claims = append(z.problem.Claims, c)
	z.claims = append(z.claims, what)
}

func (z *puzzle) needOf(n procedure.ToolNeed) string {
	what := "a tool"
	switch {
	case n.Type != "":
		what = n.Type
		for _, t := range z.types {
			if t.ID == n.Type {
				what = t.Name
				break
			}
		}
	case n.Purpose != "":
		what = fmt.Sprintf("a %s tool", strings.ToLower(n.Purpose))
	}
	if n.Torque > 0 {
		what += fmt.Sprintf(" for %g N·m", n.Torque)
		if n.TorqueLow > 0 && n.TorqueLow < n.Torque {
			what += fmt.Sprintf(" and down to %g N·m", n.TorqueLow)
		}
	}
	return what
}

func crewNeed(c procedure.Crew) string {
	who := "a technician"
	if c.People > 1 {
		who = fmt.Sprintf("%d technicians", c.People)
	}
	if len(c.Skills) > 0 {
		who += " with " + strings.Join(c.Skills, ", ")
	}
	return who
}

func hasAll(have, want []string) bool {
	for _, w := range want {
		if !slices.Contains(have, w) {
			return false
		}
	}
	return true
}
