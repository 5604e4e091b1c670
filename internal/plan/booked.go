package plan

import "slices"

// judge scores what is built.
func (b *booker) judge() score {
	var s score
	for j := range b.spans {
		b.spans[j] = Window{Never, 0}
	}
	for g, steps := range b.members {
		end := Time(0)
		for _, k := range steps {
			if !b.placed[k] {
				end = -1
				break
			}
			end = max(end, b.at[k].End)
		}
		if end < 0 {
			for _, j := range b.groups[g].jobs {
				s.unplaced += 1 + b.jobs[j].Weight
			}
			continue
		}
		s.ends += int64(end)
		for _, k := range steps {
			w := &b.spans[b.p.Steps[b.orig[k]].Job]
			w.Start, w.End = min(w.Start, b.at[k].Start), max(w.End, b.at[k].End)
		}
	}
	for j, w := range b.spans {
		if w.Start < w.End {
			s.late += b.jobs[j].late(w.End)
			s.minutes += int64(w.End - w.Start)
		}
	}
	return s
}

// plans gives what is built as plans of the groups, their holds made no longer
// than needed; nil for those without a place.
func (b *booker) plans() []*Plan {
	pl := &Plan{Steps: make([]Window, b.n), Units: make([][]int32, len(b.p.Claims))}
	for h := range b.holds {
		pl.Units[b.holds[h].claim] = slices.Sorted(slices.Values(b.units[h]))
	}
	whole := true
	for k, at := range b.at {
		pl.Steps[b.orig[k]] = at
		pl.Finish = max(pl.Finish, at.End)
		if whole = whole && b.placed[k]; !b.placed[k] {
			continue
		}
		members := b.teams[k][b.team[k]].units
		for _, c := range b.crews[k] {
			n := b.p.Claims[c].Count
			pl.Units[c] = slices.Sorted(slices.Values(members[:n]))
			members = members[n:]
		}
	}
	if whole {
		b.tighten(pl, -1)
	}
	out := make([]*Plan, len(b.groups))
	for g, gr := range b.groups {
		if !slices.ContainsFunc(b.members[g], func(k int32) bool { return !b.placed[k] }) {
			out[g] = gr.from(pl)
		}
	}
	return out
}
