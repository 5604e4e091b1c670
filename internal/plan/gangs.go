package plan

import (
	"encoding/binary"
	"slices"
)

// gang is a set of people who work together, with what they have in common
// and the places of every step that they may serve.
type gang struct {
	members []int32
	open    []Window // when all of them are there
	busy    []Window // when any of them is booked
	end     Time     // first of their expiries
	kinds   []gangKind
	seen    int // version of the bookings that the places are for
}

// gangKind is a kind of step that a gang may serve, and which ones.
type gangKind struct {
	duration Time
	unbroken bool
	users    []teamRef
}

// teamRef names a team of a step.
type teamRef struct{ step, team int32 }

// roster makes teams and gathers them into gangs.
type roster struct {
	*net
	byKey  map[string]*gang
	open   [][]Window // of each unit that is in a gang
	busy   [][]Window
	all    []int32 // the members of all teams, one after the other
	sorted []int32 // scratch
	key    []byte  // scratch
}

// choose extends the members chosen so far for claim number c of step k by
// every choice of the rest; got of the claim's units are chosen, the next is
// taken from its eligible ones from index at on.
func (r *roster) choose(k int, chosen []int32, c, got, at int) {
	if c == len(r.crews[k]) {
		if len(r.teams[k]) >= maxTeams {
			r.partial = true
			return
		}
		r.all = append(r.all, chosen...)
		r.enlist(k, r.all[len(r.all)-len(chosen):len(r.all):len(r.all)])
		return
	}
	cl := &r.p.Claims[r.crews[k][c]]
	if got == int(cl.Count) {
		r.choose(k, chosen, c+1, 0, 0)
		return
	}
	for i := at; i < len(cl.Eligible); i++ {
		if len(r.teams[k]) >= maxTeams {
			r.partial = true
			return
		}
		if !slices.Contains(chosen, cl.Eligible[i]) {
			r.choose(k, append(chosen, cl.Eligible[i]), c, got+1, i+1)
		}
	}
}

// enlist adds a team to step k and to its gang.
func (r *roster) enlist(k int, members []int32) {
	ref := teamRef{int32(k), int32(len(r.teams[k]))}
	wanted := 0
	for _, u := range members {
		wanted += r.wanted[u]
	}
	r.teams[k] = append(r.teams[k], team{units: members, wanted: int32(wanted)})
	r.sorted = append(r.sorted[:0], members...)
	slices.Sort(r.sorted)
	r.key = r.key[:0]
	for _, u := range r.sorted {
		r.key = binary.LittleEndian.AppendUint32(r.key, uint32(u))
	}
	g := r.byKey[string(r.key)]
	if g == nil {
		g = r.newGang(slices.Clone(r.sorted))
		r.byKey[string(r.key)] = g
		r.gangs = append(r.gangs, g)
	}
	st := &r.p.Steps[r.orig[k]]
	for i := range g.kinds {
		if x := &g.kinds[i]; x.duration == st.Duration && x.unbroken == st.Unbroken {
			x.users = append(x.users, ref)
			return
		}
	}
	g.kinds = append(g.kinds, gangKind{st.Duration, st.Unbroken, []teamRef{ref}})
}

func (r *roster) newGang(members []int32) *gang {
	g := &gang{members: members, end: r.p.Horizon, open: []Window{{0, r.p.Horizon}}, seen: -1}
	for i, u := range members {
		unit := &r.p.Units[u]
		g.end = min(g.end, unit.Expiry)
		if r.open[u] == nil {
			r.open[u], r.busy[u] = within(openOf(unit), Window{0, r.p.Horizon}), ranges(unit.Busy)
		}
		if i == 0 {
			g.open, g.busy = r.open[u], r.busy[u]
			continue
		}
		g.open = intersect(g.open, r.open[u])
		g.busy = mergeWindows(append(slices.Clone(g.busy), r.busy[u]...))
	}
	return g
}

// settle works out where the steps of a gang can stand, with more bookings of
// its members than the problem has: the stretches in which all of them work,
// grouped by the gaps between bookings, as a step may pause within a gap, not
// across two.
func (w *net) settle(g *gang, more []Window) {
	busy := g.busy
	if len(more) > 0 {
		busy = mergeWindows(append(slices.Clone(busy), more...))
	}
	var groups [][]Window
	for _, gap := range subtract([]Window{{0, max(0, g.end)}}, busy) {
		if ps := within(g.open, gap); len(ps) > 0 {
			groups = append(groups, ps)
		}
	}
	for _, x := range g.kinds {
		segs := segments(groups, x.duration, x.unbroken, w.p.Horizon)
		for _, ref := range x.users {
			st := &w.p.Steps[w.orig[ref.step]]
			if st.Frozen {
				w.teams[ref.step][ref.team].segs = pinSegs(segs, st.At)
			} else {
				w.teams[ref.step][ref.team].segs = segs
			}
		}
	}
}
