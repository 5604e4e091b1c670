package procedure

import (
	"maps"
	"regexp"
	"slices"

	"bayhold/internal/site"
)

// locks reports whether the need is for a locking tool: one that stays on the
// engine from one step to another.
func (ln linter) locks(n ToolNeed) bool { return ln.purpose(n) == site.Locking }

// locked reports whether a preparation is kept by a locking tool.
func (ln linter) locked(id string) bool {
	return slices.ContainsFunc(ln.Preparations[id].Holds, func(h Hold) bool { return ln.locks(h.Tool) })
}

// cranked is turning the engine by its starter or its own power.
var cranked = regexp.MustCompile(ranIndoors.String() + "|" + crankedOver.String())

// crankedLocked finds steps that crank or run the engine and that nothing keeps
// apart from a preparation which locks it: in a merged job the one may run
// while the locks of the other are in (common practice: all locks out and
// counted before the engine is cranked).
func (ln linter) crankedLocked(c checker, s Step, family string, in map[string]bool) {
	powered := cranked.MatchString(s.words())
	if powered && !s.TurnsEngine {
		c.at(0, "turns_engine").advise("turns-engine", "it cranks or runs the engine: say turns_engine, so that it never starts while a lock is fitted")
	}
	if !powered && !s.TurnsEngine {
		return
	}
	for _, id := range slices.Sorted(maps.Keys(ln.lockedOn)) {
		stands := ln.lockedOn[id]
		if f := ln.Preparations[id].Family; f != "" && f != family {
			continue
		}
		placed := slices.ContainsFunc(slices.Concat(s.OnlyBefore, s.OnlyAfter), func(q string) bool { return stands[q] })
		switch {
		case placed:
		case in[id]:
			c.advise("cranked-locked", "it cranks or runs the engine while %s locks it: say only_after %s", id, id)
		case !ln.excluded(stands, in):
			c.advise("cranked-locked", "it cranks or runs the engine, and in a job with %s nothing keeps it from the time when that locks it: "+
				"say only_after, or need a preparation that excludes it", id)
		}
	}
}

// excluded reports whether one preparation of a set excludes one of another.
func (ln linter) excluded(a, b map[string]bool) bool {
	for p := range a {
		for q := range b {
			if slices.Contains(ln.Preparations[p].Excludes, q) || slices.Contains(ln.Preparations[q].Excludes, p) {
				return true
			}
		}
	}
	return false
}

// offBeforeTight finds tightenings of a preparation's put-back that come after
// its lock is off.
func (ln linter) offBeforeTight(c checker, p Preparation) {
	for i, h := range p.Holds {
		off := lastNaming(p.PutBack, h.Tool.Type, h.To)
		if off < 0 || !ln.locks(h.Tool) {
			continue
		}
		for k := off + 1; k < len(p.PutBack); k++ {
			if s := p.PutBack[k]; s.Torque != nil {
				c.at(s.Line, "put_back[%d]", k).advise("lock-off-early",
					"it tightens after holds[%d] (%s) is off, at %s", i, h.Tool, p.PutBack[off].ID)
			}
		}
	}
}

// guarded finds tightenings that wait until a lock which their procedure needs
// is off.
func (ln linter) guarded(c checker, s Step, in map[string]bool) {
	if s.Torque == nil {
		return
	}
	for _, id := range s.OnlyAfter {
		if in[id] && ln.locked(id) {
			c.at(0, "only_after").advise("lock-off-early", "it tightens after %s is put back, so without its lock", id)
		}
	}
}

// notHeld finds locks that set-up steps fit and nothing keeps.
func (ln linter) notHeld(c checker, p Preparation) {
	for i, s := range p.SetUp {
		for k, n := range s.Tools {
			held := slices.ContainsFunc(p.Holds, func(h Hold) bool {
				return h.Tool.Type == n.Type && (n.Type != "" || h.Tool.Purpose == n.Purpose)
			})
			if ln.locks(n) && !held && n.Until == "" {
				c.at(s.Line, "set_up[%d].tools[%d]", i, k).advise("held-by-nobody",
					"%s is fitted here, but no hold keeps it: it would be free as soon as the step ends", n)
			}
		}
	}
}
