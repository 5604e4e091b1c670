package plan

import "math/bits"

// bitset is a set of small numbers.
type bitset []uint64

func newBitset(n int) bitset       { return make(bitset, (n+63)/64) }
func (b bitset) has(i int) bool    { return b[i>>6]>>(i&63)&1 != 0 }
func (b bitset) add(i int)         { b[i>>6] |= 1 << (i & 63) }
func (b bitset) copyFrom(o bitset) { copy(b, o) }

// pop takes out the least number; -1 if there is none.
func (b bitset) pop() int {
	for w, x := range b {
		if x != 0 {
			i := bits.TrailingZeros64(x)
			b[w] &= x - 1
			return w<<6 + i
		}
	}
	return -1
}

// pair is a decision about two groups: a group is a step with its crew or,
// counted on from the number of steps, a hold.
type pair struct{ a, b int32 }

// state is a node of the search: the earliest start and end of each step
// that the decisions so far leave open, and the decisions.
type state struct {
	s, e    []Time
	root    Time   // the job does not start before it
	teamOut bitset // teams ruled out, by net.teamAt
	unitOut bitset // units ruled out for holds, by net.unitAt
	orders  []pair // a ends before b starts
	differ  []pair // a and b share no unit
}

func newState(w *net) *state {
	return &state{
		s: make([]Time, w.n), e: make([]Time, w.n),
		teamOut: newBitset(w.teamAt[w.n]), unitOut: newBitset(w.unitAt[len(w.holds)]),
	}
}

func (st *state) copyFrom(o *state) {
	copy(st.s, o.s)
	copy(st.e, o.e)
	st.root = o.root
	st.teamOut.copyFrom(o.teamOut)
	st.unitOut.copyFrom(o.unitOut)
	st.orders = append(st.orders[:0], o.orders...)
	st.differ = append(st.differ[:0], o.differ...)
}

// finish is the earliest end of the last step.
func (w *net) finish(st *state) Time {
	var f Time
	for _, e := range st.e[:w.own] {
		f = max(f, e)
	}
	return f
}

// start is the earliest start of the first step.
func (w *net) start(st *state) Time {
	f := Never
	for _, s := range st.s[:w.own] {
		f = min(f, s)
	}
	return f
}

// apart tells whether groups a and b may not share a unit.
func (st *state) apart(a, b int32) bool {
	for _, p := range st.differ {
		if p.a == a && p.b == b || p.a == b && p.b == a {
			return true
		}
	}
	return false
}
