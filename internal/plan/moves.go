package plan

import (
	"cmp"
	"slices"
)

// stay is a hold of a unit for a group that stands in a place.
type stay struct{ unit, start, place int32 }

// moves counts how often a unit that is held goes from one place to another.
func (a *arranger) moves(placed []*Plan) int64 {
	var all []stay
	for g, pl := range placed {
		place := int32(-1)
		if pl == nil {
			continue
		}
		for c := range a.groups[g].sub.Claims {
			for _, u := range pl.Units[c] {
				if a.p.Units[u].Place {
					place = u
				}
			}
		}
		for c, cl := range a.groups[g].sub.Claims {
			for _, u := range pl.Units[c] {
				if place >= 0 && !cl.Crew && !a.p.Units[u].Place {
					all = append(all, stay{u, int32(a.groups[g].sub.Hold(c, pl).Start), place})
				}
			}
		}
	}
	slices.SortFunc(all, func(x, y stay) int { return cmp.Or(cmp.Compare(x.unit, y.unit), cmp.Compare(x.start, y.start)) })
	n := int64(0)
	for i := 1; i < len(all); i++ {
		if all[i].unit == all[i-1].unit && all[i].place != all[i-1].place {
			n++
		}
	}
	return n
}

// settleIn lets groups change places and other units, times kept, to save moves:
// sideways steps too, once towards lower units and once towards higher ones, but
// nothing stays changed that has not saved any.
func (w *worker) settleIn(a *arranger) {
	if !slices.ContainsFunc(a.p.Units, func(u Unit) bool { return u.Place }) {
		return
	}
	for _, up := range []bool{false, true} {
		was, score := slices.Clone(w.placed), w.score
		for again := true; again && w.ctx.Err() == nil; {
			again = false
			for g, pl := range w.placed {
				for c, cl := range a.groups[g].sub.Claims {
					if pl != nil && !cl.Crew && cl.Count == 1 {
						again = w.changeUnit(a, g, c, up) || again
					}
				}
			}
		}
		if w.score.compare(score) >= 0 {
			w.adopt(was, score)
		}
	}
}

// changeUnit serves a claim of a group by another unit if that saves moves, or
// costs none and leads the way wished.
func (w *worker) changeUnit(a *arranger, g, c int, up bool) bool {
	was := w.placed[g]
	sub := a.groups[g].sub
	at := sub.Hold(c, was)
	for _, u := range sub.Claims[c].Eligible {
		i := gapReaching(a.net.gaps[u], at.End)
		if i < 0 || a.net.gaps[u][i].Start > at.Start || slices.ContainsFunc(w.book[u], func(b booking) bool { return crosses(b.Window, at) }) {
			continue
		}
		pl := *was
		pl.Units = slices.Clone(was.Units)
		pl.Units[c] = []int32{u}
		w.put(g, &pl)
		s := a.judge(w.placed)
		if n := s.compare(w.score); n < 0 || n == 0 && u != was.Units[c][0] && up == (u > was.Units[c][0]) {
			w.score = s
			return true
		}
		w.put(g, was)
	}
	return false
}
