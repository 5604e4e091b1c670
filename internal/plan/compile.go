package plan

import "slices"

// maxTeams bounds how many ways to choose the crew of one step are looked at.
// Past it an answer is never called proved.
const maxTeams = 1500

// link is an arc seen from one of its ends; step is the other one.
type link struct {
	step   int32
	lag    Time
	joined bool
}

// amount is a use of a pool by a step.
type amount struct{ pool, n int32 }

// team is one choice of people for one step: its members, the choices of its
// claims one after the other, and where the step can stand with them.
type team struct {
	units []int32
	segs  []seg
	// wanted is how many crew claims its members could serve, each counted: the
	// more, the more flexible.
	wanted int32
}

// hold is a claim that keeps its units without a break.
type hold struct {
	claim int32
	count int
	steps []int32
	units []int32
}

// net is a problem made ready for search. Its steps are numbered in an order
// in which every arc leads upwards.
type net struct {
	p       *Problem
	n       int
	own     int     // steps that are the problem's own; the others come after them
	orig    []int32 // to the problem's numbering
	pos     []int32 // from the problem's numbering
	release []Time
	succ    [][]link
	pred    [][]link
	joined  []bool    // a joined arc leads to the step
	teams   [][]team  // choices of crew; one without members if none is asked for
	crews   [][]int32 // crew claims of each step, problem's numbering
	teamAt  []int     // first number of each step's teams in a set of all teams
	holds   []hold
	unitAt  []int // the same for the units of holds
	holdsOf [][]int32
	gaps    [][]Window // of each unit, for holds
	minDur  []Time     // the least time from start to end
	uses    [][]amount
	wanted  []int   // for how many crew claims a unit is eligible
	gangs   []*gang // the sets of people that the teams are
	partial bool    // some choices of crew were left out
}

// compile makes a checked problem ready. Claims without enough eligible units
// leave steps or holds that can never be placed.
func compile(p *Problem, order []int32) *net {
	n := len(p.Steps)
	w := &net{
		p: p, n: n, own: n - p.beside, orig: order, pos: make([]int32, n), release: make([]Time, n),
		succ: make([][]link, n), pred: make([][]link, n), joined: make([]bool, n),
		teams: make([][]team, n), crews: make([][]int32, n), holdsOf: make([][]int32, n),
		gaps: make([][]Window, len(p.Units)), wanted: make([]int, len(p.Units)),
		minDur: make([]Time, n), uses: make([][]amount, n),
	}
	for k, o := range order {
		w.pos[o] = int32(k)
		w.release[k] = max(0, p.Steps[o].Release)
	}
	for _, a := range p.Arcs {
		f, t := w.pos[a.From], w.pos[a.To]
		w.succ[f] = append(w.succ[f], link{t, a.Lag, a.Joined})
		w.pred[t] = append(w.pred[t], link{f, a.Lag, a.Joined})
		w.joined[t] = w.joined[t] || a.Joined
	}
	for _, u := range p.Uses {
		k := w.pos[u.Step]
		w.uses[k] = append(w.uses[k], amount{u.Pool, u.Amount})
	}
	w.compileHolds()
	w.compileTeams()
	w.teamAt, w.unitAt = make([]int, n+1), make([]int, len(w.holds)+1)
	for k := range w.teams {
		w.teamAt[k+1] = w.teamAt[k] + len(w.teams[k])
	}
	for h := range w.holds {
		w.unitAt[h+1] = w.unitAt[h] + len(w.holds[h].units)
	}
	return w
}

// compileHolds gathers the claims that are not for crews, and the gaps of
// the units that may serve them.
func (w *net) compileHolds() {
	for c := range w.p.Claims {
		cl := &w.p.Claims[c]
		if cl.Crew {
			k := w.pos[cl.Steps[0]]
			w.crews[k] = append(w.crews[k], int32(c))
			for _, u := range cl.Eligible {
				w.wanted[u]++
			}
			continue
		}
		h := hold{claim: int32(c), count: int(cl.Count), units: cl.Eligible}
		for _, s := range cl.Steps {
			k := w.pos[s]
			h.steps = append(h.steps, k)
			w.holdsOf[k] = append(w.holdsOf[k], int32(len(w.holds)))
		}
		slices.Sort(h.steps)
		w.holds = append(w.holds, h)
		for _, u := range cl.Eligible {
			if w.gaps[u] == nil {
				w.gaps[u] = w.gapsOf(&w.p.Units[u])
			}
		}
	}
}

// gapsOf is where a unit can serve a hold.
func (w *net) gapsOf(u *Unit) []Window {
	g := until(subtract(openOf(u), ranges(u.Busy)), min(w.p.Horizon, u.Expiry))
	if g == nil {
		g = []Window{}
	}
	return g
}

// compileTeams lists the choices of crew of each step with their places.
func (w *net) compileTeams() {
	units := len(w.p.Units)
	shop := &roster{net: w, byKey: map[string]*gang{}, open: make([][]Window, units), busy: make([][]Window, units)}
	for k := range w.n {
		st := &w.p.Steps[w.orig[k]]
		w.minDur[k] = st.Duration
		if len(w.crews[k]) == 0 {
			w.teams[k] = []team{{segs: w.place(k)}}
			continue
		}
		w.teams[k] = make([]team, 0, len(w.p.Claims[w.crews[k][0]].Eligible))
		shop.choose(k, nil, 0, 0, 0)
	}
	for _, g := range w.gangs {
		w.settle(g, nil)
	}
	for k := range w.n {
		if len(w.crews[k]) == 0 {
			continue
		}
		least := Never
		for _, t := range w.teams[k] {
			for _, g := range t.segs {
				least = min(least, g.shift)
			}
		}
		if least != Never {
			w.minDur[k] = least
		}
	}
}

// place gives the lone segment of a step without crew.
func (w *net) place(k int) []seg {
	st := &w.p.Steps[w.orig[k]]
	s := []seg{{0, w.p.Horizon - st.Duration, st.Duration}}
	if st.Frozen {
		s = pinSegs(s, st.At)
	}
	return s
}
