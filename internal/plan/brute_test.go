package plan

import "slices"

// brute searches a tiny problem minute by minute, every crew and every unit,
// and keeps for each finish the fewest minutes in the bay. It is as plain as
// can be and shares nothing with the planner but the types.
type brute struct {
	p      *Problem
	pinned bool
	start  Time // earliest start, or the pinned one
	at     []Window
	crew   [][]int32
	front  map[Time]Time // finish to fewest minutes
}

func bruteFront(p *Problem, pinned bool, start Time) []Window {
	b := &brute{p: p, pinned: pinned, start: start, front: map[Time]Time{}}
	b.at, b.crew = make([]Window, len(p.Steps)), make([][]int32, len(p.Steps))
	b.place(0, Never, 0)
	var out []Window // Start is the finish, End the minutes
	for f := Time(0); f <= p.Horizon; f++ {
		if m, ok := b.front[f]; ok && (len(out) == 0 || m < out[len(out)-1].End) {
			out = append(out, Window{f, m})
		}
	}
	return out
}

// place tries every start of step k; the tiny generator's arcs lead upwards.
func (b *brute) place(k int, first, last Time) {
	for f, m := range b.front {
		if f <= last && m <= last-first {
			return // a plan no worse in either is known
		}
	}
	if k == len(b.p.Steps) {
		if (!b.pinned || first == b.start) && b.holds(0, make([][]int32, len(b.p.Claims))) && b.pools() {
			b.front[last] = last - first
		}
		return
	}
	st := &b.p.Steps[k]
	for s := max(b.start, st.Release); s+st.Duration <= b.p.Horizon; s++ {
		if st.Frozen && s != st.At || !b.arcs(k, s) {
			continue
		}
		b.crews(k, s, 0, nil, func(crew []int32) {
			e := b.end(st, s, crew)
			if e < 0 || e > b.p.Horizon || !b.people(k, Window{s, e}, crew) {
				return
			}
			b.at[k], b.crew[k] = Window{s, e}, crew
			b.place(k+1, min(first, s), max(last, e))
		})
	}
}

func (b *brute) arcs(k int, s Time) bool {
	for _, a := range b.p.Arcs {
		if int(a.To) == k {
			t := b.at[a.From].End + a.Lag
			if s < t || a.Joined && s != t {
				return false
			}
		}
	}
	return true
}

// crews calls f with every choice for the crew claims of step k.
func (b *brute) crews(k int, s Time, claim int, crew []int32, f func([]int32)) {
	for claim < len(b.p.Claims) && (!b.p.Claims[claim].Crew || int(b.p.Claims[claim].Steps[0]) != k) {
		claim++
	}
	if claim == len(b.p.Claims) {
		f(slices.Clone(crew))
		return
	}
	cl := &b.p.Claims[claim]
	choose(cl.Eligible, int(cl.Count), nil, func(us []int32) {
		for _, u := range us {
			if slices.Contains(crew, u) {
				return
			}
		}
		b.crews(k, s, claim+1, append(slices.Clone(crew), us...), f)
	})
}

func choose(from []int32, n int, got []int32, f func([]int32)) {
	if n == 0 {
		f(got)
		return
	}
	for i := range from {
		choose(from[i+1:], n-1, append(slices.Clone(got), from[i]), f)
	}
}

// end walks minute by minute until the work is done; -1 if it cannot be.
func (b *brute) end(st *Step, s Time, crew []int32) Time {
	if len(crew) == 0 || st.Duration == 0 {
		return s + st.Duration
	}
	left := st.Duration
	for t := s; t < b.p.Horizon; t++ {
		there := true
		for _, u := range crew {
			there = there && in(b.p.Units[u].Open, t) && !inBlocked(b.p.Units[u].Shut, t)
		}
		if !there && (t == s || st.Unbroken) {
			return -1
		}
		if there {
			left--
		}
		if left == 0 {
			return t + 1
		}
	}
	return -1
}

func in(ws []Window, t Time) bool {
	return slices.ContainsFunc(ws, func(w Window) bool { return w.Start <= t && t < w.End })
}

func inBlocked(bs []Blocked, t Time) bool {
	return slices.ContainsFunc(bs, func(b Blocked) bool { return b.Start <= t && t < b.End })
}

// people checks bookings, expiry and the steps placed before.
func (b *brute) people(k int, at Window, crew []int32) bool {
	for _, u := range crew {
		for t := at.Start; t < at.End; t++ {
			if inBlocked(b.p.Units[u].Busy, t) || t >= b.p.Units[u].Expiry {
				return false
			}
		}
		for j := range k {
			if slices.Contains(b.crew[j], u) && b.at[j].Start < at.End && at.Start < b.at[j].End {
				return false
			}
		}
	}
	return true
}

// holds tries every unit for every claim that is no crew's.
func (b *brute) holds(c int, given [][]int32) bool {
	if c == len(b.p.Claims) {
		return true
	}
	cl := &b.p.Claims[c]
	if cl.Crew {
		return b.holds(c+1, given)
	}
	w := b.rangeOf(c)
	done := false
	choose(cl.Eligible, int(cl.Count), nil, func(us []int32) {
		if done {
			return
		}
		for _, u := range us {
			if !b.free(u, w) {
				return
			}
			for o := range c {
				ow := b.rangeOf(o)
				if slices.Contains(given[o], u) && ow.Start < w.End && w.Start < ow.End {
					return
				}
			}
			for j := range b.at {
				if slices.Contains(b.crew[j], u) && b.at[j].Start < w.End && w.Start < b.at[j].End {
					return
				}
			}
		}
		given[c] = us
		done = b.holds(c+1, given)
	})
	return done
}

// free tells whether a unit can serve a hold. One of no length needs a free
// minute beside it.
func (b *brute) free(u int32, w Window) bool {
	x := &b.p.Units[u]
	at := func(t Time) bool {
		return in(x.Open, t) && !inBlocked(x.Shut, t) && !inBlocked(x.Busy, t) && t < x.Expiry
	}
	for t := w.Start; t < w.End; t++ {
		if !at(t) {
			return false
		}
	}
	return w.Start < w.End || at(w.Start) || at(w.Start-1)
}

func (b *brute) rangeOf(c int) Window {
	w := Window{Never, 0}
	for _, s := range b.p.Claims[c].Steps {
		w.Start, w.End = min(w.Start, b.at[s].Start), max(w.End, b.at[s].End)
	}
	return w
}

func (b *brute) pools() bool {
	for t := Time(0); t < b.p.Horizon; t++ {
		sum := make([]int32, len(b.p.Pools))
		for _, u := range b.p.Uses {
			if b.at[u.Step].Start <= t && t < b.at[u.Step].End {
				sum[u.Pool] += u.Amount
				if sum[u.Pool] > b.p.Pools[u.Pool].Capacity {
					return false
				}
			}
		}
	}
	return true
}
