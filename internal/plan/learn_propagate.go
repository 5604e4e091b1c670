package plan

// propagate draws conclusions until there are none left. It is false on a
// conflict, whose reasons are then set.
func (l *learner) propagate() bool {
	for {
		if !l.propagateClauses() {
			return false
		}
		size := len(l.trail)
		if !l.arcs() || !l.orders() {
			return false
		}
		if len(l.trail) > size {
			continue
		}
		for r := range l.pools {
			if !l.timetable(r) {
				return false
			}
			if len(l.trail) > size {
				break
			}
		}
		if len(l.trail) == size {
			return true
		}
	}
}

// propagateClauses wakes the clauses that watch what has grown.
func (l *learner) propagateClauses() bool {
	for l.head < len(l.trail) {
		x, old := l.trail[l.head].x, l.trail[l.head].old
		l.head++
		ws := l.watches[x]
		keep := ws[:0]
		for i, w := range ws {
			if w.at > l.b[x] || w.at <= old || l.holds(w.unless) {
				keep = append(keep, w)
				continue
			}
			moved, ok := l.wakeClause(w.clause, x)
			if !moved {
				keep = append(keep, w)
			}
			if !ok {
				keep = append(keep, ws[i+1:]...)
				l.watches[x] = keep
				return false
			}
		}
		l.watches[x] = keep
	}
	return true
}

// wakeClause looks at a clause of which a watched statement on the contrary
// of side x has become false. It moves the watch if another one may be true.
func (l *learner) wakeClause(c *clause, x int32) (moved, ok bool) {
	lits := c.lits
	if lits[0].x == x^1 && !l.canHold(lits[0]) {
		lits[0], lits[1] = lits[1], lits[0]
	}
	if l.holds(lits[0]) {
		return false, true
	}
	if lits[1].x != x^1 || l.canHold(lits[1]) {
		return false, true // the entry is of a statement that still may hold
	}
	for k := 2; k < len(lits); k++ {
		if l.canHold(lits[k]) {
			lits[1], lits[k] = lits[k], lits[1]
			n := lits[1].not()
			l.watches[n.x] = append(l.watches[n.x], watch{c, n.c, lits[0]})
			return true, true
		}
	}
	at := len(l.store)
	if !l.canHold(lits[0]) {
		l.reason = l.reason[:0]
		for _, b := range lits {
			l.reason = append(l.reason, b.not())
		}
		c.activity += l.bumpC
		return false, false
	}
	for _, b := range lits[1:] {
		l.store = append(l.store, b.not())
	}
	l.push(lits[0].x, lits[0].c, int32(at), int32(len(lits)-1))
	return false, true
}

// canHold tells whether the other side leaves room for the statement.
func (l *learner) canHold(b bound) bool { return b.c+l.b[b.x^1] <= 0 }

// arcs pushes starts along the arcs, forwards and backwards.
func (l *learner) arcs() bool {
	a := l.a
	for k := range int32(l.n) {
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			d := a.dur[p.from] + p.lag
			if s := l.b[2*p.from]; l.b[2*k] < s+d && !l.follow(2*k, s+d, bound{2 * p.from, s}) {
				return false
			}
		}
	}
	for k := int32(l.n) - 1; k >= 0; k-- {
		for _, p := range a.arcs[a.first[k]:a.first[k+1]] {
			d := a.dur[p.from] + p.lag
			if s := l.b[2*k+1]; l.b[2*p.from+1] < s+d && !l.follow(2*p.from+1, s+d, bound{2*k + 1, s}) {
				return false
			}
		}
	}
	return true
}

// orders keeps steps that cannot run together apart.
func (l *learner) orders() bool {
	for _, p := range l.pairs {
		if l.b[2*p.v] == 0 && l.b[2*p.v+1] == -1 {
			if !l.force(p.i, p.j, 2*p.v+1, 0) || !l.force(p.j, p.i, 2*p.v, 1) {
				return false
			}
		}
		if l.b[2*p.v] == 1 && !l.before(p.i, p.j, bound{2 * p.v, 1}) {
			return false
		}
		if l.b[2*p.v+1] == 0 && !l.before(p.j, p.i, bound{2*p.v + 1, 0}) {
			return false
		}
	}
	return true
}

// force rules out that step i comes before step j if it cannot.
func (l *learner) force(i, j, x, c int32) bool {
	s := l.b[2*i]
	end := s + l.a.dur[i]
	if end+l.b[2*j+1] <= 0 {
		return true
	}
	// Any split of the overlap would do as reasons; this one leaves all of
	// the freedom to the first step.
	latest := -l.b[2*j+1]
	return l.grow(x, c, bound{2 * i, latest + 1 - l.a.dur[i]}, bound{2*j + 1, -latest})
}

// before keeps step i before step j for a reason.
func (l *learner) before(i, j int32, why bound) bool {
	d := l.a.dur[i]
	if s := l.b[2*i]; l.b[2*j] < s+d && !l.follow(2*j, s+d, why, bound{2 * i, s}) {
		return false
	}
	s := l.b[2*j+1]
	return l.b[2*i+1] >= s+d || l.follow(2*i+1, s+d, why, bound{2*j + 1, s})
}

// timetable sums up when steps run wherever they are placed, and moves others
// off the minutes where that leaves them too little.
func (l *learner) timetable(r int) bool {
	need, limit := l.pools[r], l.caps[r]
	clear(l.usage)
	some := false
	for k, q := range need {
		if q == 0 {
			continue
		}
		for t, e := -l.b[2*k+1], l.b[2*k]+l.a.dur[k]; t < e; t++ {
			l.usage[t] += q
			some = true
			if l.usage[t] > limit {
				l.reason = l.runningAt(r, t, -1, limit, l.reason[:0])
				return false
			}
		}
	}
	if !some {
		return true
	}
	for k := range need {
		if need[k] > 0 && -l.b[2*k+1] > l.b[2*k] && !(l.later(r, k) && l.earlier(r, k)) {
			return false
		}
	}
	return true
}

// later moves the earliest start of step k past minutes that leave it too
// little, the last one first. Where the step runs for sure at the bounds that
// the profile was made with, it is itself part of the profile.
func (l *learner) later(r, k int) bool {
	q, d, room := l.pools[r][k], l.a.dur[k], l.caps[r]
	from := -l.b[2*k+1]   // it runs from here for sure
	until := l.b[2*k] + d // to here
	for {
		s := l.b[2*k]
		t := min(s+d, l.horizon) - 1
		for ; t >= s; t-- {
			if (t < from || t >= until) && l.usage[t]+q > room {
				break
			}
		}
		if t < s {
			return true
		}
		why := append(l.runningAt(r, t, k, room-q, nil), bound{int32(2 * k), t + 1 - d})
		if !l.grow(int32(2*k), t+1, why...) {
			return false
		}
	}
}

// earlier is later's mirror image.
func (l *learner) earlier(r, k int) bool {
	q, d, room := l.pools[r][k], l.a.dur[k], l.caps[r]
	from := -l.b[2*k+1]
	until := l.b[2*k] + d
	for {
		s := -l.b[2*k+1]
		t := s
		for ; t < min(s+d, l.horizon); t++ {
			if (t < from || t >= until) && l.usage[t]+q > room {
				break
			}
		}
		if t >= min(s+d, l.horizon) {
			return true
		}
		why := append(l.runningAt(r, t, k, room-q, nil), bound{int32(2*k + 1), -t})
		if !l.grow(int32(2*k+1), -(t - d), why...) {
			return false
		}
	}
}

// runningAt gives as reasons that steps other than k run at t which use more
// than limit of a pool, greatest use first.
func (l *learner) runningAt(r int, t int32, k int, limit int32, out []bound) []bound {
	sum := int32(0)
	for sum <= limit {
		big := -1
		for i, q := range l.pools[r] {
			if i == k || q == 0 || -l.b[2*i+1] > t || l.b[2*i]+l.a.dur[i] <= t {
				continue
			}
			if (big < 0 || q > l.pools[r][big]) && !named(out, int32(2*i)) {
				big = i
			}
		}
		if big < 0 {
			return out
		}
		sum += l.pools[r][big]
		out = append(out, bound{int32(2 * big), t + 1 - l.a.dur[big]}, bound{int32(2*big + 1), -t})
	}
	return out
}

func named(bs []bound, x int32) bool {
	for _, b := range bs {
		if b.x == x {
			return true
		}
	}
	return false
}
