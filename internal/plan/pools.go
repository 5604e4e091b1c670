package plan

import (
	"cmp"
	"slices"
)

// poolSweep looks for overloads of pools in a placement.
type poolSweep struct{ at []int32 }

// overload gives the steps of a smallest set that together ask too much of a
// pool at one moment, at the earliest such moment; nil if there is none.
func (ps *poolSweep) overload(w *net, places []Window) []int32 {
	if len(w.p.Uses) == 0 {
		return nil
	}
	var worst []int32
	when := Never
	for pool := range w.p.Pools {
		for k := range w.n {
			if w.usage(k, pool) == 0 || places[k].Start >= when {
				continue
			}
			if set := ps.overloadAt(w, places, pool, places[k].Start); set != nil {
				worst, when = set, places[k].Start
			}
		}
	}
	return worst
}

// usage is what step k takes from a pool.
func (w *net) usage(k, pool int) int64 {
	n := int64(0)
	for _, u := range w.uses[k] {
		if int(u.pool) == pool {
			n += int64(u.n)
		}
	}
	return n
}

// overloadAt gives steps, greatest use first, that exceed a pool at t.
func (ps *poolSweep) overloadAt(w *net, places []Window, pool int, t Time) []int32 {
	ps.at = ps.at[:0]
	for k := range w.n {
		if places[k].Start <= t && t < places[k].End && w.usage(k, pool) > 0 {
			ps.at = append(ps.at, int32(k))
		}
	}
	slices.SortStableFunc(ps.at, func(a, b int32) int {
		return cmp.Compare(w.usage(int(b), pool), w.usage(int(a), pool))
	})
	sum := int64(0)
	for i, k := range ps.at {
		if sum += w.usage(int(k), pool); sum > int64(w.p.Pools[pool].Capacity) {
			return slices.Clone(ps.at[:i+1])
		}
	}
	return nil
}
