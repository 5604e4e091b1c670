package plan

// Propagation works on lower bounds only. Once units, teams and orders are
// decided, every constraint has the form "this start is not before a growing
// function of that one", so the componentwise earliest placement that obeys
// them all exists, is the limit of raising bounds, and ends no later than any
// other. A bound that runs past the deadline refutes the decisions.

// limits are what a search is asked for beyond the problem.
type limits struct {
	deadline Time // every step ends by it
	span     Time // from the first start to the last end; Never: any
	from     Time // no step starts before it
	pinned   bool // the first step starts at exactly from
}

// propagator raises the bounds of states.
type propagator struct {
	*net
	limits
	steps  bitset // to be looked at again
	claims bitset
	ends   []Time // scratch: longest way to each step
	fill   []Time // scratch: earliest gaps of a hold's units
	rounds int64
}

func newPropagator(w *net, l limits) *propagator {
	return &propagator{
		net: w, limits: l, steps: newBitset(w.n), claims: newBitset(len(w.holds)),
		ends: make([]Time, w.n),
	}
}

// begin sets the bounds from which everything starts.
func (pr *propagator) begin(st *state) {
	for k := range pr.n {
		st.s[k] = max(pr.from, pr.release[k])
		st.e[k] = 0
	}
	st.root = pr.from
}

// wakeAll marks everything to be looked at.
func (pr *propagator) wakeAll() {
	for k := range pr.n {
		pr.steps.add(k)
	}
	for h := range pr.holds {
		pr.claims.add(h)
	}
}

// run raises bounds until nothing moves. It is false if they cannot be met.
func (pr *propagator) run(st *state) bool {
	ok := pr.settle(st)
	if !ok {
		clear(pr.steps)
		clear(pr.claims)
	}
	return ok
}

func (pr *propagator) settle(st *state) bool {
	if pr.span != Never && !pr.fitsSpan(st) {
		return false
	}
	for {
		for {
			if k := pr.steps.pop(); k >= 0 {
				if !pr.step(st, k) {
					return false
				}
			} else if h := pr.claims.pop(); h >= 0 {
				if !pr.hold(st, h) {
					return false
				}
			} else {
				break
			}
		}
		if pr.pinned && pr.start(st) > pr.from {
			return false
		}
		if pr.span == Never || !pr.compress(st) {
			return true
		}
		pr.rounds++
	}
}

// raise moves the start bound of step k to at least t.
func (pr *propagator) raise(st *state, k int32, t Time) {
	if t > st.s[k] {
		st.s[k] = t
		pr.steps.add(int(k))
	}
}

// step places step k at its earliest and hands its end on.
func (pr *propagator) step(st *state, k int) bool {
	s, e := Never, Never
	for t := range pr.teams[k] {
		if st.teamOut.has(pr.teamAt[k] + t) {
			continue
		}
		if ts, te, ok := firstPlace(pr.teams[k][t].segs, st.s[k], st.e[k]); ok {
			s, e = min(s, ts), min(e, te)
		}
	}
	if e > pr.deadline {
		return false
	}
	st.s[k], st.e[k] = s, e
	for _, l := range pr.succ[k] {
		pr.raise(st, l.step, e+l.lag)
	}
	if pr.joined[k] {
		for _, l := range pr.pred[k] {
			if l.joined && st.e[l.step] < s-l.lag {
				st.e[l.step] = s - l.lag
				pr.steps.add(int(l.step))
			}
		}
	}
	for _, o := range st.orders {
		if pr.inGroup(k, o.a) {
			pr.raiseGroup(st, o.b, e)
		}
	}
	for _, h := range pr.holdsOf[k] {
		pr.claims.add(int(h))
	}
	return true
}

// inGroup tells whether step k belongs to group g.
func (pr *propagator) inGroup(k int, g int32) bool {
	if int(g) < pr.n {
		return int32(k) == g
	}
	for _, s := range pr.holds[int(g)-pr.n].steps {
		if s == int32(k) {
			return true
		}
	}
	return false
}

// raiseGroup lets no step of group g start before t.
func (pr *propagator) raiseGroup(st *state, g int32, t Time) {
	if int(g) < pr.n {
		pr.raise(st, g, t)
		return
	}
	for _, s := range pr.holds[int(g)-pr.n].steps {
		pr.raise(st, s, t)
	}
}

// hold starts a hold no earlier than enough units have a gap that reaches to
// its end.
func (pr *propagator) hold(st *state, h int) bool {
	hd := &pr.holds[h]
	_, end := pr.span0(st, hd)
	fill := pr.fill[:0]
	for i, u := range hd.units {
		if st.unitOut.has(pr.unitAt[h] + i) {
			continue
		}
		if g := gapReaching(pr.gaps[u], end); g >= 0 {
			fill = append(fill, pr.gaps[u][g].Start)
		}
	}
	pr.fill = fill
	if len(fill) < hd.count {
		return false
	}
	from := kth(fill, hd.count)
	for _, k := range hd.steps {
		pr.raise(st, k, from)
	}
	return true
}

// span0 is the range of a hold at the present bounds.
func (pr *propagator) span0(st *state, hd *hold) (start, end Time) {
	start = Never
	for _, k := range hd.steps {
		start, end = min(start, st.s[k]), max(end, st.e[k])
	}
	return start, end
}

// gapReaching is the first gap that does not end before t; -1 if none.
func gapReaching(gaps []Window, t Time) int {
	lo, hi := 0, len(gaps)
	for lo < hi {
		m := (lo + hi) / 2
		if gaps[m].End < t {
			lo = m + 1
		} else {
			hi = m
		}
	}
	if lo == len(gaps) {
		return -1
	}
	return lo
}

// kth gives the k-th smallest, k from 1; it shuffles its argument.
func kth(ts []Time, k int) Time {
	for i := range k {
		least := i
		for j := i + 1; j < len(ts); j++ {
			if ts[j] < ts[least] {
				least = j
			}
		}
		ts[i], ts[least] = ts[least], ts[i]
	}
	return ts[k-1]
}
