package plan

// fitsSpan is false if the longest chain of least durations and lags, with
// the orders decided so far, is longer than the span allowed. Without it the
// bounds would creep through the whole horizon to find that out.
func (pr *propagator) fitsSpan(st *state) bool {
	clear(pr.ends)
	for k := range pr.n {
		pr.ends[k] = pr.minDur[k]
	}
	for again := true; again; {
		again = false
		for k := range pr.n {
			e := pr.ends[k]
			if e > pr.span && k < pr.own {
				return false
			}
			for _, l := range pr.succ[k] {
				if t := e + l.lag + pr.minDur[l.step]; t > pr.ends[l.step] {
					pr.ends[l.step] = t
				}
			}
			for _, o := range st.orders {
				if pr.inGroup(k, o.a) && pr.lengthen(o.b, e, k) {
					again = true
				}
			}
		}
	}
	return true
}

// lengthen lets the steps of group g follow an end at t; it is true if one of
// them comes before step k and so must be looked at once more.
func (pr *propagator) lengthen(g int32, t Time, k int) bool {
	if int(g) < pr.n {
		return pr.lengthenStep(g, t, k)
	}
	again := false
	for _, s := range pr.holds[int(g)-pr.n].steps {
		again = pr.lengthenStep(s, t, k) || again
	}
	return again
}

func (pr *propagator) lengthenStep(s int32, t Time, k int) bool {
	if t += pr.minDur[s]; t > pr.ends[s] {
		pr.ends[s] = t
		return int(s) < k
	}
	return false
}

// compress keeps the job within its span: nothing starts earlier than the
// last end less the span. It is false if that is so already.
//
// Raising the start may push the end by just as much, minute by minute. So
// where a chain of steps leads rigidly from the start to the end, the start
// goes at once past the point where the chain stops being rigid.
func (pr *propagator) compress(st *state) bool {
	start, end := pr.start(st), pr.finish(st)
	if end-start <= pr.span {
		return false
	}
	to := end - pr.span
	if room, ok := pr.rigid(st, start, end); ok {
		to = max(to, start+room+1)
	}
	st.root = to
	for k := range pr.own {
		pr.raise(st, int32(k), to)
	}
	return true
}

// rigid follows the chain of steps that leads to the end back to one that
// starts with the job, and tells for how many more minutes the end moves at
// least as much as the start.
func (pr *propagator) rigid(st *state, start, end Time) (Time, bool) {
	k := -1
	for i := range pr.own {
		if st.e[i] == end {
			k = i
			break
		}
	}
	room := Never
	for range pr.n {
		room = min(room, pr.stiff(st, k))
		if st.s[k] == start {
			return room, true
		}
		if k = pr.tightPred(st, k); k < 0 {
			return 0, false
		}
	}
	return 0, false
}

// tightPred is a step whose end fixes the start of step k; -1 if none.
func (pr *propagator) tightPred(st *state, k int) int {
	for _, l := range pr.pred[k] {
		if st.e[l.step]+l.lag == st.s[k] {
			return int(l.step)
		}
	}
	for _, o := range st.orders {
		if !pr.inGroup(k, o.b) {
			continue
		}
		if int(o.a) < pr.n {
			if st.e[o.a] == st.s[k] {
				return int(o.a)
			}
			continue
		}
		for _, s := range pr.holds[int(o.a)-pr.n].steps {
			if st.e[s] == st.s[k] {
				return int(s)
			}
		}
	}
	return -1
}

// stiff tells for how many minutes the end of step k moves at least as much
// as its start, whichever of its teams serves it.
func (pr *propagator) stiff(st *state, k int) Time {
	room := Never
	for t := range pr.teams[k] {
		if st.teamOut.has(pr.teamAt[k] + t) {
			continue
		}
		segs := pr.teams[k][t].segs
		ts, te, ok := firstPlace(segs, st.s[k], st.e[k])
		if !ok {
			continue
		}
		r := te - st.e[k]
		if ts == st.s[k] {
			r = max(r, slackAt(segs, ts))
		}
		room = min(room, r)
	}
	return room
}
