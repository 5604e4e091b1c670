package plan

import "slices"

// group is a set of jobs that must be placed together: one job, as a rule;
// several if an arc or a claim ties them. It is placed as one block, with all
// its holds or none, so that two jobs never wait for each other's tools.
type group struct {
	jobs   []int32
	steps  []int32 // problem's numbering
	claims []int32
	order  []int32 // of the steps within sub
	sub    *Problem
}

// grouped splits a problem into groups.
func (p *Problem) grouped() []*group {
	parent := make([]int32, max(1, len(p.Jobs)))
	for j := range parent {
		parent[j] = int32(j)
	}
	var root func(int32) int32
	root = func(j int32) int32 {
		if parent[j] != j {
			parent[j] = root(parent[j])
		}
		return parent[j]
	}
	tie := func(a, b int32) { parent[root(p.Steps[a].Job)] = root(p.Steps[b].Job) }
	for _, a := range p.Arcs {
		tie(a.From, a.To)
	}
	for _, c := range p.Claims {
		for _, s := range c.Steps {
			tie(c.Steps[0], s)
		}
	}
	byRoot := map[int32]*group{}
	var out []*group
	for j := range parent {
		r := root(int32(j))
		if byRoot[r] == nil {
			byRoot[r] = &group{}
			out = append(out, byRoot[r])
		}
		byRoot[r].jobs = append(byRoot[r].jobs, int32(j))
	}
	for s := range p.Steps {
		g := byRoot[root(p.Steps[s].Job)]
		g.steps = append(g.steps, int32(s))
	}
	for c := range p.Claims {
		g := byRoot[root(p.Steps[p.Claims[c].Steps[0]].Job)]
		g.claims = append(g.claims, int32(c))
	}
	out = slices.DeleteFunc(out, func(g *group) bool { return len(g.steps) == 0 })
	for _, g := range out {
		g.cut(p)
	}
	return out
}

// cut makes the problem of a group alone.
func (g *group) cut(p *Problem) {
	local := make(map[int32]int32, len(g.steps))
	q := &Problem{Horizon: p.Horizon, Units: p.Units, Pools: p.Pools}
	for i, s := range g.steps {
		local[s] = int32(i)
		st := p.Steps[s]
		st.Job = 0
		q.Steps = append(q.Steps, st)
	}
	for _, a := range p.Arcs {
		if f, ok := local[a.From]; ok {
			q.Arcs = append(q.Arcs, Arc{f, local[a.To], a.Lag, a.Joined})
		}
	}
	for _, c := range g.claims {
		cl := p.Claims[c]
		cl.Steps = slices.Clone(cl.Steps)
		for i := range cl.Steps {
			cl.Steps[i] = local[cl.Steps[i]]
		}
		q.Claims = append(q.Claims, cl)
	}
	for _, u := range p.Uses {
		if s, ok := local[u.Step]; ok {
			q.Uses = append(q.Uses, Use{s, u.Pool, u.Amount})
		}
	}
	g.order, _ = q.sort()
	g.sub = q
}

// rare is up to how many units a claim may choose from for these to be rare.
const rare = 4

// rivals gives for each group those that hold, or may hold, the same rare units.
func rivals(groups []*group) [][]int {
	wants := map[int32][]int{}
	for g, gr := range groups {
		gr.eachRare(func(u int32) { wants[u] = append(wants[u], g) })
	}
	out := make([][]int, len(groups))
	for g, gr := range groups {
		gr.eachRare(func(u int32) { out[g] = append(out[g], wants[u]...) })
		slices.Sort(out[g])
		out[g] = slices.DeleteFunc(slices.Compact(out[g]), func(o int) bool { return o == g })
	}
	return out
}

// eachRare names the rare units that a group may hold, some of them twice.
func (g *group) eachRare(f func(unit int32)) {
	for _, c := range g.sub.Claims {
		if !c.Crew && len(c.Eligible) <= rare {
			for _, u := range c.Eligible {
				f(u)
			}
		}
	}
}

// booking is a range of a unit that a placed group has.
type booking struct {
	Window
	group int32
}

// bookings lists what a plan of the group takes, unit by unit.
func (g *group) bookings(pl *Plan, f func(unit int32, at Window)) {
	for c := range g.sub.Claims {
		at := g.sub.Hold(c, pl)
		if at.Start < at.End {
			for _, u := range pl.Units[c] {
				f(u, at)
			}
		}
	}
}

// brokenBy tells which groups a plan's violations concern.
func brokenBy(groups []*group, broken []Violation) []bool {
	steps, claims := map[int32]bool{}, map[int32]bool{}
	for _, v := range broken {
		if v.Step >= 0 {
			steps[int32(v.Step)] = true
		}
		if v.Claim >= 0 {
			claims[int32(v.Claim)] = true
		}
	}
	out := make([]bool, len(groups))
	for g, gr := range groups {
		for _, s := range gr.steps {
			out[g] = out[g] || steps[s]
		}
		for _, c := range gr.claims {
			out[g] = out[g] || claims[c]
		}
	}
	return out
}
