package plan

import "slices"

// atPlaces notes what keeps the claims from being served where a plan has
// their steps: first claim by claim, then those that could be served alone but
// not together.
func (c *checker) atPlaces(pl *Plan) {
	var fit []wanted
	for i := range c.p.Claims {
		if c.without[i] {
			continue
		}
		w, bars := c.wants(i, pl)
		if len(w.units) < int(c.p.Claims[i].Count) {
			c.res.Blockers = append(c.res.Blockers, bars...)
			continue
		}
		fit = append(fit, w)
	}
	for _, w := range smallestConflict(fit) {
		c.res.Blockers = append(c.res.Blockers, Blocker{BlockContention, w.step, w.claim, -1, -1, w.at.End})
		_, bars := c.wants(int(w.claim), pl)
		c.res.Blockers = append(c.res.Blockers, bars...)
	}
}

// wanted is a claim at its place with the units that could serve it.
type wanted struct {
	claim, step int32
	count       int
	at          Window
	units       []int32
}

// wants gives the units that could serve a claim at its place, and what bars
// the others.
func (c *checker) wants(i int, pl *Plan) (wanted, []Blocker) {
	cl := &c.p.Claims[i]
	w := wanted{claim: int32(i), step: c.p.stepOf(i, pl), count: int(cl.Count), at: c.p.Hold(i, pl)}
	var work []Window
	if cl.Crew {
		empty := c.p.lifted()
		work = empty.Stretches(int(w.step), c.p.CrewOf(int(w.step), pl), w.at)
	}
	var bars []Blocker
	for _, u := range cl.Eligible {
		if b := c.p.bars(w.claim, w.step, u, w.at, work); b != nil {
			bars = append(bars, b...)
		} else {
			w.units = append(w.units, u)
		}
	}
	return w, bars
}

// smallestConflict gives claims that cannot all be served at once, but could
// without any one of them; nil if all can.
func smallestConflict(ws []wanted) []wanted {
	if servable(ws) {
		return nil
	}
	for i := 0; i < len(ws); {
		rest := slices.Delete(slices.Clone(ws), i, i+1)
		if !servable(rest) {
			ws = rest
		} else {
			i++
		}
	}
	return ws
}

// servableTries bounds the choices looked at; past it claims count as not
// servable.
const servableTries = 20_000

// servable tells whether every claim can have its units, none of them twice
// at once.
func servable(ws []wanted) bool {
	tries := 0
	given := make([][]int32, len(ws))
	var serve func(i, from int) bool
	serve = func(i, from int) bool {
		if i == len(ws) {
			return true
		}
		w := &ws[i]
		if len(given[i]) == w.count {
			return serve(i+1, 0)
		}
		for k := from; k < len(w.units); k++ {
			if tries++; tries > servableTries {
				return false
			}
			if takenBy(ws[:i], given, w.at, w.units[k]) {
				continue
			}
			given[i] = append(given[i], w.units[k])
			if serve(i, k+1) {
				return true
			}
			given[i] = given[i][:len(given[i])-1]
		}
		return false
	}
	return serve(0, 0)
}

// takenBy tells whether a unit is given to one of the claims in a range.
func takenBy(ws []wanted, given [][]int32, at Window, unit int32) bool {
	for j := range ws {
		if crosses(ws[j].at, at) && slices.Contains(given[j], unit) {
			return true
		}
	}
	return false
}
