package plan

import (
	"cmp"
	"slices"
)

// assignTries bounds the choices looked at before a placement is given up
// and one of its conflicts branched on.
const assignTries = 300

// item is something that needs a unit, or a team, at the placement under
// test: a step with a crew, or one of the units of a hold.
type item struct {
	group   int32
	slot    int32 // which unit of the hold
	at      Window
	options []option
	chosen  int
}

// option is one way to serve an item.
type option struct {
	units      []int32
	start, end Time // of the step; of a hold's gap
	index      int32
	wanted     int32 // of a team: its wanted
}

// taken is a unit in use by an item.
type taken struct {
	at   Window
	item int32
}

// itemTurn is when an item begins and ends.
type itemTurn struct {
	at   Window
	item int32
}

// clash says that two groups were both to be served by a unit.
type clash struct {
	a, b int32
	unit int32
	// lone says that group a could not stand where its bounds are, with
	// any team; b and unit mean nothing.
	lone bool
}

// assigner looks for units that serve every step at its earliest place.
type assigner struct {
	*propagator
	items  []item
	sorted []item     // scratch
	turns  []itemTurn // scratch
	byUnit [][]taken
	clash  clash
	deep   int
	tries  int
	optBuf []option
	oneBuf []int32
}

func newAssigner(pr *propagator) *assigner {
	return &assigner{propagator: pr, byUnit: make([][]taken, len(pr.p.Units))}
}

// assign tries to serve all groups at the bounds of a settled state. If it
// cannot, clash tells one conflict in the way.
func (as *assigner) assign(st *state) bool {
	as.items, as.optBuf, as.oneBuf = as.items[:0], as.optBuf[:0], as.oneBuf[:0]
	for k := range as.n {
		if !as.stepItem(st, k) {
			return false
		}
	}
	for h := range as.holds {
		as.holdItems(st, h)
	}
	as.inTurn()
	for u := range as.byUnit {
		as.byUnit[u] = as.byUnit[u][:0]
	}
	as.deep, as.tries = -1, 0
	return as.serve(st, 0)
}

// inTurn puts the items in the order in which they begin, then end. They are large:
// what is sorted is where they stand.
func (as *assigner) inTurn() {
	as.turns = as.turns[:0]
	for i := range as.items {
		as.turns = append(as.turns, itemTurn{as.items[i].at, int32(i)})
	}
	slices.SortFunc(as.turns, func(a, b itemTurn) int {
		return cmp.Or(cmp.Compare(a.at.Start, b.at.Start), cmp.Compare(a.at.End, b.at.End), cmp.Compare(a.item, b.item))
	})
	as.sorted = as.sorted[:0]
	for _, t := range as.turns {
		as.sorted = append(as.sorted, as.items[t.item])
	}
	as.items, as.sorted = as.sorted, as.items
}

// stepItem adds a step with the teams that end it when its bound says.
func (as *assigner) stepItem(st *state, k int) bool {
	from := len(as.optBuf)
	for t := range as.teams[k] {
		if st.teamOut.has(as.teamAt[k] + t) {
			continue
		}
		tm := &as.teams[k][t]
		s, e, ok := firstPlace(tm.segs, st.s[k], st.e[k])
		if ok && e == st.e[k] && (s == st.s[k] || !as.joined[k]) {
			as.optBuf = append(as.optBuf, option{tm.units, s, e, int32(t), tm.wanted})
		}
	}
	opts := as.optBuf[from:len(as.optBuf):len(as.optBuf)]
	if len(opts) == 0 {
		as.clash = clash{a: int32(k), lone: true}
		return false
	}
	if len(as.crews[k]) > 0 {
		// The least flexible are sent first.
		stable(opts, func(a, b *option) bool {
			return a.start > b.start || a.start == b.start && a.wanted < b.wanted
		})
	}
	as.items = append(as.items, item{group: int32(k), at: Window{st.s[k], st.e[k]}, options: opts})
	return true
}

// holdItems adds the units of a hold, each with the units that can serve it
// for its whole range: those whose calibration ends first but covers it
// first, then those that leave the smallest gap, then the lowest ID.
func (as *assigner) holdItems(st *state, h int) {
	hd := &as.holds[h]
	start, end := as.span0(st, hd)
	from := len(as.optBuf)
	for i, u := range hd.units {
		if st.unitOut.has(as.unitAt[h] + i) {
			continue
		}
		g := gapReaching(as.gaps[u], end)
		if g < 0 || as.gaps[u][g].Start > start {
			continue
		}
		at := as.gaps[u][g]
		as.oneBuf = append(as.oneBuf, u)
		one := as.oneBuf[len(as.oneBuf)-1 : len(as.oneBuf) : len(as.oneBuf)]
		as.optBuf = append(as.optBuf, option{one, at.Start, at.End, int32(i), 0})
	}
	opts := as.optBuf[from:len(as.optBuf):len(as.optBuf)]
	stable(opts, func(a, b *option) bool {
		ua, ub := &as.p.Units[a.units[0]], &as.p.Units[b.units[0]]
		return cmp.Or(cmp.Compare(ua.Expiry, ub.Expiry),
			cmp.Compare(a.end-a.start, b.end-b.start), cmp.Compare(ua.ID, ub.ID)) < 0
	})
	for slot := range hd.count {
		as.items = append(as.items, item{
			group: int32(as.n + h), slot: int32(slot), at: Window{start, end}, options: opts,
		})
	}
}

// short is how many things are sorted by insertion, which is quickest for those
// that stand nearly in order, as they mostly do.
const short = 48

// stable sorts what is compared where it lies, and keeps what is alike in its
// order.
func stable[T any](xs []T, before func(a, b *T) bool) {
	if len(xs) > short {
		var x, y T // taken once, not for each two that are compared
		slices.SortStableFunc(xs, func(a, b T) int {
			switch x, y = a, b; {
			case before(&x, &y):
				return -1
			case before(&y, &x):
				return 1
			}
			return 0
		})
		return
	}
	for i := 1; i < len(xs); i++ {
		if !before(&xs[i], &xs[i-1]) {
			continue
		}
		x, k := xs[i], i-1
		for k > 0 && before(&x, &xs[k-1]) {
			k--
		}
		copy(xs[k+1:i+1], xs[k:i])
		xs[k] = x
	}
}

// serve chooses options for the items from number x on.
func (as *assigner) serve(st *state, x int) bool {
	if x == len(as.items) {
		return true
	}
	it := &as.items[x]
	first := 0
	if it.slot > 0 && as.items[x-1].group == it.group {
		first = as.items[x-1].chosen + 1
	}
	for o := first; o < len(it.options); o++ {
		if as.tries++; as.tries > assignTries {
			return false
		}
		op := &it.options[o]
		at := it.at
		if int(it.group) < as.n {
			at = Window{op.start, op.end}
		}
		if as.blocked(st, x, op.units, at) {
			continue
		}
		it.chosen = o
		for _, u := range op.units {
			as.byUnit[u] = append(as.byUnit[u], taken{at, int32(x)})
		}
		if as.serve(st, x+1) {
			return true
		}
		for _, u := range op.units {
			as.byUnit[u] = as.byUnit[u][:len(as.byUnit[u])-1]
		}
	}
	return false
}

// blocked tells whether an earlier item has one of the units at that time,
// and notes the clash if no item so deep has met one yet.
func (as *assigner) blocked(st *state, x int, units []int32, at Window) bool {
	g := as.items[x].group
	for _, u := range units {
		for _, tk := range as.byUnit[u] {
			og := as.items[tk.item].group
			overlap := crosses(tk.at, at)
			if overlap || og != g && st.apart(g, og) {
				if x > as.deep {
					as.deep = x
					as.clash = clash{a: og, b: g, unit: u}
				}
				return true
			}
		}
	}
	return false
}

// overlaps tells whether two ranges have a minute in common; an empty one has
// none with any.
func overlaps(a, b Window) bool {
	return max(a.Start, b.Start) < min(a.End, b.End)
}

// crosses tells whether neither of two ranges ends before the other starts. An
// empty range crosses one that it lies within.
func crosses(a, b Window) bool { return a.Start < b.End && b.Start < a.End }
