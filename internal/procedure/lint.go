package procedure

import (
	"cmp"
	"maps"
	"slices"

	"bayhold/internal/site"
)

// RuleImplausible is the rule by which Lint doubts a torque that such a bolt can
// hardly bear. Its author corrects the torque or accepts the doubt by its code.
const RuleImplausible = "torque-implausible"

// Lint reports everything that Faults does and, as advice, what is doubtful:
// steps and preparations that nothing ties to the work, locks that come off
// early, tools that nothing holds, hold points without a check, torques that
// such a bolt cannot bear, and dangers without their caution. Findings come in
// the order of their lines.
func (l Library) Lint() []Finding {
	fs := l.Faults()
	root := checker{findings: &fs}
	ln := linter{Library: l, holders: make(map[string][]string), lockedOn: make(map[string]map[string]bool)}
	for _, id := range slices.Sorted(maps.Keys(l.Preparations)) {
		for _, h := range l.Preparations[id].Holds {
			if h.Tool.Type != "" {
				ln.holders[h.Tool.Type] = append(ln.holders[h.Tool.Type], id)
			}
		}
	}
	for id := range l.Preparations {
		if ln.locked(id) {
			ln.lockedOn[id] = ln.standing([]string{id})
		}
	}
	ln.used = ln.usedPreparations()
	for _, id := range slices.Sorted(maps.Keys(l.Preparations)) {
		p := l.Preparations[id]
		ln.preparation(root.at(p.Line, "preparations[%s]", clip(id)), p)
	}
	for _, id := range slices.Sorted(maps.Keys(l.Procedures)) {
		p := l.Procedures[id]
		ln.procedure(root.at(p.Line, "procedures[%s]", clip(id)), p)
	}
	slices.SortStableFunc(fs, func(a, b Finding) int { return cmp.Compare(a.Line, b.Line) })
	return fs
}

// linter looks for doubtful things in a library.
type linter struct {
	Library
	holders map[string][]string // preparations that hold a type of tool
	used    map[string]bool     // preparations that some procedure needs
	// lockedOn holds, for each preparation that a lock keeps, what it stands on.
	lockedOn map[string]map[string]bool
}

// usedPreparations walks from the needs of every procedure.
func (ln linter) usedPreparations() map[string]bool {
	used := make(map[string]bool)
	for _, p := range ln.Procedures {
		ln.mark(p.Needs, used)
	}
	return used
}

// mark adds preparations and all they stand on. Unknown ones do no harm.
func (ln linter) mark(ids []string, seen map[string]bool) {
	stack := slices.Clone(ids)
	for len(stack) > 0 {
		id := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if !seen[id] {
			seen[id] = true
			stack = append(stack, ln.Preparations[id].Needs...)
		}
	}
}

// standing gives the preparations that stand while something that needs the
// given ones is worked on.
func (ln linter) standing(needs []string) map[string]bool {
	seen := make(map[string]bool)
	ln.mark(needs, seen)
	return seen
}

func (ln linter) preparation(c checker, p Preparation) {
	if !ln.used[p.ID] {
		c.advise("unreachable", "no procedure needs this preparation: its steps are never reached")
	}
	in := ln.standing(p.Needs)
	in[p.ID] = true
	ln.list(c, "set_up", p.SetUp, in)
	ln.list(c, "put_back", p.PutBack, in)
	ln.notHeld(c, p)
	ln.offBeforeTight(c, p)
}

func (ln linter) procedure(c checker, p Procedure) {
	in := ln.standing(p.Needs)
	ln.list(c, "steps", p.Steps, in)
	for i, s := range p.Steps {
		c := c.at(s.Line, "steps[%d]", i)
		ln.guarded(c, s, in)
		ln.crankedLocked(c, s, p.Family, in)
	}
	ln.twice(c, p, in)
	ln.handTurns(c, p, in)
}

// list looks at each step of a list. in are the preparations it stands in.
func (ln linter) list(c checker, name string, steps []Step, in map[string]bool) {
	tied := tiedSteps(steps)
	for i, s := range steps {
		c := c.at(s.Line, "%s[%d]", name, i)
		if !tied[i] {
			c.at(0, "anytime").advise("isolated", "nothing comes before or after this step: name what it follows")
		}
		if s.HoldPoint && len(s.Checks) == 0 {
			c.at(0, "hold_point").advise("hold-point", "a hold point waits for a check, and there is none")
		}
		ln.tightening(c, s)
		ln.cautioned(c, s, in)
	}
}

// tiedSteps tells which steps of a list come before or after any other. A step
// that is placed by a preparation, or named from elsewhere, names it itself or
// is listed in order; a list of one needs no tie.
func tiedSteps(steps []Step) []bool {
	tied := make([]bool, len(steps))
	at := make(map[string]int, len(steps))
	for i, s := range steps {
		at[s.ID] = i
	}
	tie := func(i int, refs []string) {
		for _, ref := range refs {
			tied[i] = true
			if k, ok := at[ref]; ok {
				tied[k] = true
			}
		}
	}
	for i, s := range steps {
		tie(i, s.After)
		tie(i, s.Before)
		if len(s.OnlyBefore)+len(s.OnlyAfter) > 0 {
			tied[i] = true
		}
		if i > 0 && (steps[i-1].JoinedToNext || len(s.After) == 0 && !s.Anytime) {
			tied[i-1], tied[i] = true, true
		}
	}
	if len(steps) == 1 {
		tied[0] = true
	}
	return tied
}

// tightening looks at how a step tightens fasteners.
func (ln linter) tightening(c checker, s Step) {
	if s.Torque == nil {
		return
	}
	c = c.at(0, "torque")
	for _, w := range s.Torque.Doubts() {
		c.at(0, "stages[%d]", w.Stage).advise(RuleImplausible, "%s: correct it, or accept %q", w.Message, w.Code)
	}
	if !s.Unbroken && len(s.Torque.Stages) > 1 {
		c.advise("not-unbroken", "a tightening in %d stages is not left half done: make the step unbroken", len(s.Torque.Stages))
	}
	renewed := slices.ContainsFunc(s.Parts, func(p Part) bool { return p.SingleUse })
	if s.Torque.SingleUse && !renewed {
		c.advise("not-renewed", "the bolts are single-use, but the step lists no single-use part")
	}
}

// purpose is what a need's tool is for, as far as it can be known.
func (ln linter) purpose(n ToolNeed) site.Purpose {
	if n.Purpose != "" {
		return site.Purpose(n.Purpose)
	}
	return ln.ToolTypes[n.Type].Purpose
}

// twice finds locks that two steps of a procedure name and nothing keeps in
// between: no preparation that both stand in, and no until.
func (ln linter) twice(c checker, p Procedure, in map[string]bool) {
	type use struct{ step, tool, until int }
	last := make(map[string]use)
	place := make(map[string]int, len(p.Steps))
	for i, s := range p.Steps {
		place[s.ID] = i
	}
	for i, s := range p.Steps {
		if len(s.OnlyBefore)+len(s.OnlyAfter) > 0 {
			continue // placed apart from the rest, on purpose
		}
		for k, n := range s.Tools {
			kept := slices.ContainsFunc(ln.holders[n.Type], func(q string) bool { return in[q] })
			if n.Type == "" || kept || !ln.locks(n) {
				continue
			}
			was, named := last[n.Type]
			if named && was.until < i {
				c.at(p.Steps[was.step].Line, "steps[%d].tools[%d]", was.step, was.tool).advise("held-by-nobody",
					"%s is needed here and again at %s, but nothing holds it in between", n, s.ID)
			}
			last[n.Type] = use{i, k, max(was.until, place[n.Until])}
		}
	}
}

// handTurns asks for the hold point that no timing job goes without: locks out,
// two turns of the crank by hand, locks back in (common practice).
func (ln linter) handTurns(c checker, p Procedure, in map[string]bool) {
	ids := slices.Sorted(maps.Keys(in))
	kept := slices.IndexFunc(ids, ln.locked)
	if kept < 0 {
		return
	}
	turned := func(steps []Step) bool {
		return slices.ContainsFunc(steps, func(s Step) bool {
			return s.HoldPoint && (warns(s.Cautions, HandTurns) || handTurned.MatchString(s.words()))
		})
	}
	found := turned(p.Steps)
	for _, id := range ids {
		found = found || turned(ln.Preparations[id].PutBack) || turned(ln.Preparations[id].SetUp)
	}
	if !found {
		c.advise("hand-turns", "%s locks the engine, and no hold point turns it by hand afterwards", ids[kept])
	}
}
