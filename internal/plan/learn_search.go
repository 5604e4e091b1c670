package plan

import (
	"cmp"
	"slices"
)

// verdict is what a search of the learner came to.
type verdict int

const (
	gaveUp verdict = iota // the budget or the caller ended it
	foundOne
	noneLeft
)

// search looks for one schedule shorter than the length, for at most some
// conflicts between restarts, until stop says so. The next call goes on with
// what was learnt.
func (l *learner) search(stop func() bool) verdict {
	for ; ; l.round++ {
		conflicts := 100 * luby(l.round)
		for {
			if l.dead {
				return noneLeft
			}
			if !l.propagate() {
				if len(l.levels) == 0 {
					l.dead = true
					continue
				}
				l.learn()
				if conflicts--; conflicts%32 == 0 && stop() {
					l.undo(0)
					return gaveUp
				}
				continue
			}
			if conflicts <= 0 {
				break
			}
			b, open := l.choice()
			if !open {
				l.keep()
				return foundOne
			}
			l.decide(b)
		}
		l.undo(0)
		l.forget()
		if stop() {
			return gaveUp
		}
	}
}

// luby is the sequence 1 1 2 1 1 2 4 ... of Luby, Sinclair and Zuckerman.
func luby(i int) int {
	for k := 1; ; k++ {
		if i == 1<<k-1 {
			return 1 << (k - 1)
		}
		if i < 1<<k-1 {
			return luby(i - (1<<(k-1) - 1))
		}
	}
}

// choice picks the hottest open variable: an order as it was last, a start at
// its earliest.
func (l *learner) choice() (bound, bool) {
	pick := int32(-1)
	for v := range int32(l.vars) {
		if l.b[2*v]+l.b[2*v+1] < 0 && (pick < 0 || l.heat[v] > l.heat[pick]) {
			pick = v
		}
	}
	if pick < 0 {
		return bound{}, false
	}
	if int(pick) >= l.n {
		if l.phase[pick] == 1 {
			return bound{2 * pick, 1}, true
		}
		return bound{2*pick + 1, 0}, true
	}
	return bound{2*pick + 1, -l.b[2*pick]}, true
}

// keep notes the schedule that all bounds agree on, and asks for a shorter one.
func (l *learner) keep() {
	if l.best == nil {
		l.best = make([]int32, l.n)
	}
	last := int32(0)
	for k := range l.n {
		l.best[k] = l.b[2*k]
		last = max(last, l.b[2*k]+l.a.dur[k])
	}
	l.undo(0)
	l.shorten(last)
}

// shorten asks for schedules shorter than length from now on; it is called
// with no decision standing.
func (l *learner) shorten(length int32) {
	l.length = min(l.length, length)
	for k := range int32(l.n) {
		x, c := 2*k+1, -(l.length - 1 - l.a.tail[k] - l.a.dur[k])
		if c+l.b[x^1] > 0 {
			l.dead = true
			return
		}
		if l.b[x] < c {
			l.push(x, c, int32(len(l.store)), 0)
		}
	}
}

// need marks the entry that made a statement true, unless it was true from the
// start, and tells whether it is one of the present level not marked before.
func (l *learner) need(b bound, out []int32) ([]int32, int) {
	i := l.top[b.x]
	for i >= 0 && l.trail[i].old >= b.c {
		i = l.trail[i].prev
	}
	if i < 0 || len(l.levels) > 0 && i < l.levels[0] {
		return out, 0
	}
	v := b.x / 2
	if l.marks[i] == unneeded {
		l.heat[v] += l.step
		l.marks[i] = b.c
		if i >= l.levels[len(l.levels)-1] {
			return out, 1
		}
		return append(out, i), 0
	}
	l.marks[i] = max(l.marks[i], b.c)
	return out, 0
}

// learn turns the conflict into a clause at its first point of unity (one
// statement of the present level that alone leads to it), goes back as far as
// the clause has only one open statement, and draws it.
func (l *learner) learn() {
	for len(l.marks) < len(l.trail) {
		l.marks = append(l.marks, unneeded)
	}
	var low []int32 // marked entries of lower levels
	open, n := 0, 0
	for _, b := range l.reason {
		low, n = l.need(b, low)
		open += n
	}
	if open == 0 {
		// The conflict was there before the last decision.
		last := int32(-1)
		for _, i := range low {
			l.marks[i] = unneeded
			last = max(last, i)
		}
		if l.dead = last < 0; !l.dead {
			l.undo(l.levelOf(last))
			l.learn()
		}
		return
	}
	at := len(l.trail) - 1
	for ; ; at-- {
		if l.marks[at] == unneeded {
			continue
		}
		if open == 1 {
			break
		}
		ch := &l.trail[at]
		spare := ch.now - l.marks[at]
		l.marks[at] = unneeded
		open--
		for i, b := range l.store[ch.why : ch.why+ch.many] {
			if ch.slides && i == int(ch.many)-1 {
				b.c -= spare
			}
			low, n = l.need(b, low)
			open += n
		}
	}
	lits := []bound{bound{l.trail[at].x, l.marks[at]}.not()}
	l.marks[at] = unneeded
	low = l.spare(low)
	slices.SortFunc(low, func(i, j int32) int { return cmp.Compare(j, i) })
	back := 0
	for _, i := range low {
		b := bound{l.trail[i].x, l.marks[i]}.not()
		l.marks[i] = unneeded
		if !named(lits, b.x) { // else a stronger statement of that side is there
			back = max(back, l.levelOf(i))
			lits = append(lits, b)
		}
	}
	l.undo(back)
	l.add(lits)
	l.cool()
}

// spare drops marked entries whose reasons are all marked or true from the
// start: they follow from the others.
func (l *learner) spare(low []int32) []int32 {
	return slices.DeleteFunc(low, func(i int32) bool {
		ch := &l.trail[i]
		if ch.why < 0 {
			return false
		}
		for _, b := range l.store[ch.why : ch.why+ch.many] {
			e := l.top[b.x]
			for e >= 0 && l.trail[e].old >= b.c {
				e = l.trail[e].prev
			}
			if e >= l.levels[0] && (l.marks[e] == unneeded || l.marks[e] < b.c) {
				return false
			}
		}
		l.marks[i] = unneeded
		return true
	})
}

// levelOf tells how many decisions stood when an entry was made.
func (l *learner) levelOf(i int32) int {
	k, _ := slices.BinarySearchFunc(l.levels, i, func(at, i int32) int {
		if at <= i {
			return -1
		}
		return 1
	})
	return k
}

// add takes in a clause whose first statement follows now.
func (l *learner) add(lits []bound) {
	c := &clause{lits: lits, activity: l.bumpC}
	at := len(l.store)
	for _, b := range lits[1:] {
		l.store = append(l.store, b.not())
	}
	if len(lits) > 1 {
		l.clauses = append(l.clauses, c)
		l.watch(c)
	}
	if l.b[lits[0].x] < lits[0].c {
		l.push(lits[0].x, lits[0].c, int32(at), int32(len(lits)-1))
	}
}

// cool makes what is learnt later count for more.
func (l *learner) cool() {
	l.step /= 0.95
	l.bumpC /= 0.999
	if l.step > 1e100 {
		for v := range l.heat {
			l.heat[v] *= 1e-100
		}
		l.step *= 1e-100
	}
	if l.bumpC > 1e20 {
		for _, c := range l.clauses {
			c.activity *= 1e-20
		}
		l.bumpC *= 1e-20
	}
}

// mostClauses is how many clauses are kept before the least active half goes.
const mostClauses = 10_000

// forget drops the less active half when there are too many; it is called with
// no decision standing.
func (l *learner) forget() {
	if len(l.clauses) < mostClauses {
		return
	}
	slices.SortFunc(l.clauses, func(a, b *clause) int { return cmp.Compare(b.activity, a.activity) })
	l.clauses = l.clauses[:len(l.clauses)/2]
	for x := range l.watches {
		l.watches[x] = l.watches[x][:0]
	}
	l.head = len(l.trail)
	kept := l.clauses[:0]
	for _, c := range l.clauses {
		if l.rewatch(c) {
			kept = append(kept, c)
		}
	}
	l.clauses = kept
}

// rewatch watches two statements of a clause that may still hold. It is false
// if the clause says nothing any more; if only one statement is left, it is
// made to hold.
func (l *learner) rewatch(c *clause) bool {
	open := 0
	for i, b := range c.lits {
		if l.holds(b) {
			return false
		}
		if l.canHold(b) {
			c.lits[open], c.lits[i] = c.lits[i], c.lits[open]
			open++
		}
	}
	if open < 2 {
		l.dead = l.dead || open == 0
		if open == 1 {
			l.push(c.lits[0].x, c.lits[0].c, int32(len(l.store)), 0)
		}
		return false
	}
	l.watch(c)
	return true
}

// watch has the first two statements of a clause watched.
func (l *learner) watch(c *clause) {
	for i, b := range c.lits[:2] {
		n := b.not()
		l.watches[n.x] = append(l.watches[n.x], watch{c, n.c, c.lits[1-i]})
	}
}
