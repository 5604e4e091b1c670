package plan

import (
	"cmp"
	"slices"
)

// booker is serial schedule generation for steps with claims: the steps of a
// list one by one, each at its earliest time with the crew that ends it first.
// A hold takes its units with its first step, open-ended, and is closed by its
// last; who wants a unit that is open waits for that, so that steps of several
// jobs can be taken in any order. A step that would keep a hold past the next
// booking of its unit sends its jobs back to begin anew in a gap that reaches that far. Jobs
// that still find no place go last, one after the other, or stay without.
//
// It belongs to one goroutine and takes no memory once it has been in use.
type booker struct {
	*net
	from    Time
	groups  []*group
	groupOf []int32   // by step
	members [][]int32 // by group: its steps, in net numbering
	chains  [][]int32 // by step: itself and the steps joined to it; nil for those
	odd     []bool    // by group: a step of it is joined to two, or frozen and others lead up to it
	need    [][]Time  // by hold and place in its steps: the least time to its end
	rank    [][]int32 // by step: its teams, least wanted elsewhere first
	spots   [][]int   // by step and team: the segment where it stood last
	jobs    []Job     // by job: its promise

	at      []Window
	team    []int32
	placed  []bool
	units   [][]int32 // by hold
	holding []holding
	book    [][]entry // by unit, sorted by start
	users   [][]int32 // by pool: placed steps
	alone   []Time    // by hold: its end if there were no other group
	reaches []Time    // by hold: where it has turned out to end at the least
	sent    []int     // by group: how often it was sent back; barred at more than maxSent
	last    []bool    // by group: goes last
	waiting []int32
	todo    []int32  // scratch: what waited
	spans   []Window // scratch: by job
	starts  []Time   // scratch: of units
	spot    []Time   // scratch: by place in a chain
}

// holding is a hold in the course of a build.
type holding struct {
	start, limit Time // it began at start and its units are free to limit
	left         int  // steps to come
	by           int32
	begun        bool
}

// entry is a range that a unit serves; who is a step, or a hold counted on from
// the number of steps.
type entry struct {
	Window
	who int32
}

// maxSent is how often a group is sent back in one build.
const maxSent = 12

// maxPlaces is how many places of one step are looked at.
const maxPlaces = 200

// fate is what came of an attempt to place a step.
type fate int

const (
	stands  fate = iota
	waits        // for a hold to close, or for a predecessor
	tooLong      // a hold would pass the next booking of its unit
	nowhere
)

func newBooker(w *net, groups []*group, from Time, jobs []Job) *booker {
	b := &booker{
		net: w, from: from, groups: groups, jobs: jobs,
		groupOf: make([]int32, w.n), members: make([][]int32, len(groups)), chains: make([][]int32, w.n),
		odd: make([]bool, len(groups)), at: make([]Window, w.n), team: make([]int32, w.n), placed: make([]bool, w.n),
		units: make([][]int32, len(w.holds)), holding: make([]holding, len(w.holds)), book: make([][]entry, len(w.p.Units)),
		users: make([][]int32, len(w.p.Pools)), alone: make([]Time, len(w.holds)), reaches: make([]Time, len(w.holds)),
		sent: make([]int, len(groups)), last: make([]bool, len(groups)), spans: make([]Window, len(jobs)),
	}
	for g, gr := range groups {
		for _, s := range gr.steps {
			b.groupOf[w.pos[s]] = int32(g)
			b.members[g] = append(b.members[g], w.pos[s])
		}
		slices.Sort(b.members[g])
	}
	b.tie()
	b.rankTeams()
	for h := range w.holds {
		b.need = append(b.need, b.reach(&w.holds[h]))
	}
	b.soonest()
	return b
}

// rankTeams puts those teams first whose members are least wanted elsewhere.
func (b *booker) rankTeams() {
	for k := range b.n {
		rank, wanted := make([]int32, len(b.teams[k])), make([]int, len(b.teams[k]))
		for i := range rank {
			rank[i] = int32(i)
			for _, u := range b.teams[k][i].units {
				wanted[i] += b.wanted[u]
			}
		}
		slices.SortStableFunc(rank, func(x, y int32) int { return wanted[x] - wanted[y] })
		b.rank, b.spots = append(b.rank, rank), append(b.spots, make([]int, len(rank)))
	}
}

// tie makes the chains of joined steps, and finds the groups that are odd.
func (b *booker) tie() {
	for k := range b.n {
		frozen := b.p.Steps[b.orig[k]].Frozen
		for _, l := range b.pred[k] {
			if frozen && !b.p.Steps[b.orig[l.step]].Frozen {
				b.odd[b.groupOf[k]] = true
			}
		}
		if !b.joined[k] {
			b.chains[k] = []int32{int32(k)}
			continue
		}
		heads := 0
		for _, l := range b.pred[k] {
			if l.joined {
				c := slices.IndexFunc(b.chains[:k], func(c []int32) bool { return slices.Contains(c, l.step) })
				if heads++; heads == 1 && c >= 0 {
					b.chains[c] = append(b.chains[c], int32(k))
				}
			}
		}
		b.odd[b.groupOf[k]] = b.odd[b.groupOf[k]] || heads > 1
	}
}

// reach gives for each step of a hold the least time from its start to the end
// of the hold's steps that follow it.
func (b *booker) reach(h *hold) []Time {
	out := make([]Time, len(h.steps))
	far := make([]Time, b.n) // from the start of a step; -1 if no step of the hold follows
	for k := b.n - 1; k >= 0; k-- {
		far[k] = -1
		if slices.Contains(h.steps, int32(k)) {
			far[k] = b.minDur[k]
		}
		for _, l := range b.succ[k] {
			if f := far[l.step]; f >= 0 {
				far[k] = max(far[k], b.minDur[k]+l.lag+f)
			}
		}
	}
	for i, k := range h.steps {
		out[i] = far[k]
	}
	return out
}

// soonest places each group alone.
func (b *booker) soonest() {
	for g, steps := range b.members {
		b.clear()
		if b.odd[g] {
			continue
		}
		b.again(steps, int32(g))
		b.resume(steps)
		for h := range b.holds {
			if hd := &b.holding[h]; hd.begun && hd.left == 0 {
				for _, k := range b.holds[h].steps {
					b.alone[h] = max(b.alone[h], b.at[k].End)
				}
			}
		}
	}
}

// build builds a list, writes the starts of the steps and gives the score.
func (b *booker) build(list []int32, start []int32) score {
	b.clear()
	for k := range int32(b.n) {
		if b.p.Steps[b.orig[k]].Frozen && !b.odd[b.groupOf[k]] {
			b.next(k)
		}
	}
	for x, k := range list {
		if g := b.groupOf[k]; b.sent[g] <= maxSent && !b.last[g] && !b.placed[k] {
			if b.next(k) == tooLong {
				b.again(list[:x+1], g)
			}
			b.resume(list[:x+1])
		}
	}
	b.finish(list)
	for k := range b.n {
		start[k] = int32(b.at[k].Start)
		if !b.placed[k] {
			start[k] = int32(b.p.Horizon)
		}
	}
	return b.judge()
}

func (b *booker) clear() {
	for g := range b.sent {
		b.sent[g], b.last[g] = 0, false
		if b.odd[g] {
			b.sent[g] = maxSent + 1
		}
	}
	clear(b.placed)
	clear(b.at)
	for u := range b.book {
		b.book[u] = b.book[u][:0]
	}
	for p := range b.users {
		b.users[p] = b.users[p][:0]
	}
	for h := range b.holding {
		b.holding[h] = holding{left: len(b.holds[h].steps)}
		b.units[h], b.reaches[h] = b.units[h][:0], b.alone[h]
	}
	b.waiting = b.waiting[:0]
}

// next places a step with those joined to it, or has it wait.
func (b *booker) next(k int32) fate {
	if b.chains[k] == nil || b.placed[k] {
		return stands // placed with its head
	}
	v := b.chain(k)
	if v == waits {
		b.waiting = append(b.waiting, k)
	} else if v == nowhere {
		b.send(b.groupOf[k], maxSent+1)
	}
	return v
}

// resume tries what waits until nothing of it can be placed.
func (b *booker) resume(list []int32) {
	for again := len(b.waiting) > 0; again; {
		again = false
		b.todo = append(b.todo[:0], b.waiting...)
		b.waiting = b.waiting[:0]
		for _, k := range b.todo {
			g := b.groupOf[k]
			if b.placed[k] || b.sent[g] > maxSent || b.last[g] {
				continue
			}
			switch b.next(k) {
			case stands, nowhere:
				again = true
			case tooLong:
				b.again(list, g)
				again = true
			}
		}
		again = again && len(b.waiting) > 0
	}
}

// again places the steps of a group anew, as many as the list has.
func (b *booker) again(list []int32, g int32) {
	for redo := true; redo; {
		redo = false
		b.send(g, b.sent[g]+1)
		if b.sent[g] > maxSent {
			return
		}
		for _, k := range list {
			if b.groupOf[k] != g || b.placed[k] {
				continue
			}
			if redo = b.next(k) == tooLong; redo {
				break
			}
		}
	}
}

// finish lets what still waits go last, one group after the other.
func (b *booker) finish(list []int32) {
	for len(b.waiting) > 0 {
		g := b.groupOf[b.waiting[0]]
		b.send(g, 0)
		b.last[g] = true
		b.resume(list)
	}
	for g := range b.last {
		if !b.last[g] {
			continue
		}
		b.last[g] = false
		b.sent[g] = -1
		b.again(list, int32(g))
		b.resume(list)
		if len(b.waiting) > 0 { // for itself
			b.send(int32(g), maxSent+1)
		}
	}
}

// send takes all steps of a group out of the book; it was sent back so often.
func (b *booker) send(g int32, times int) {
	b.sent[g] = times
	for _, k := range slices.Backward(b.members[g]) {
		if b.placed[k] {
			b.remove(k)
		}
	}
	b.waiting = slices.DeleteFunc(b.waiting, func(k int32) bool { return b.groupOf[k] == g })
}

// chain places a step and those joined to it, which start exactly when they
// should: if one cannot, the steps before it have to end later.
func (b *booker) chain(head int32) fate {
	chain := b.chains[head]
	for i, k := range chain {
		for _, l := range b.pred[k] {
			if !b.placed[l.step] && (i == 0 || !slices.Contains(chain[:i], l.step)) {
				return waits
			}
		}
	}
	b.spot = b.spot[:0]
	for range chain {
		b.spot = append(b.spot, 0)
	}
	for i := 0; i < len(chain); i++ {
		k := chain[i]
		t := b.ready(k)
		v := b.place(k, t, b.spot[i])
		if from, lag := b.joint(k); v == stands && i > 0 && b.at[k].Start > b.at[from].End+lag {
			back := slices.Index(chain, from)
			b.spot[back] = max(b.spot[back], b.at[k].Start-lag)
			for ; i >= back; i-- {
				b.remove(chain[i])
			}
			continue
		}
		if v != stands {
			for _, o := range slices.Backward(chain[:i]) {
				b.remove(o)
			}
			return v
		}
	}
	return stands
}

// joint is the step that a step is joined to, and after how long.
func (b *booker) joint(k int32) (int32, Time) {
	for _, l := range b.pred[k] {
		if l.joined {
			return l.step, l.lag
		}
	}
	return -1, 0
}

// ready is the earliest start that the predecessors and begun holds of a step
// leave it.
func (b *booker) ready(k int32) Time {
	t := max(b.from, b.release[k])
	for _, l := range b.pred[k] {
		t = max(t, b.at[l.step].End+l.lag)
	}
	for _, h := range b.holdsOf[k] {
		if b.holding[h].begun {
			t = max(t, b.holding[h].start)
		}
	}
	return t
}

// place puts step k where it ends first, from t on and ending no earlier than
// end.
func (b *booker) place(k int32, t, end Time) fate {
	for range maxPlaces {
		at, team := b.crew(k, t, end)
		if team < 0 {
			return nowhere
		}
		t = at.Start
		for _, h := range b.holdsOf[k] {
			hd := &b.holding[h]
			if !hd.begun {
				from, open := b.holdFrom(int(h), k, at)
				if from == Never {
					if open {
						return waits
					}
					return nowhere
				}
				t = max(t, from)
			} else if at.End > hd.limit {
				b.reaches[h] = max(b.reaches[h], at.End)
				return tooLong
			}
		}
		if t = max(t, b.poolFrom(k, at)); t > at.Start {
			continue
		}
		b.put(k, at, team)
		if t = b.begin(k); t == at.Start {
			return stands
		}
		b.remove(k)
		if t == Never {
			return nowhere
		}
	}
	return nowhere
}

// crew chooses who serves step k: who ends it first, then who starts last, then
// who is least wanted elsewhere. The team is -1 if there is nobody.
func (b *booker) crew(k int32, t, end Time) (Window, int32) {
	best, at := int32(-1), Window{Never, Never}
	soonest := max(end, t+b.minDur[k])
	for _, i := range b.rank[k] {
		s, e, ok := b.free(&b.teams[k][i], &b.spots[k][i], t, end, at.End)
		if ok && (e < at.End || s > at.Start) {
			best, at = i, Window{s, e}
			if e == soonest && s == e-b.minDur[k] {
				break // nobody ends it sooner, nor starts later
			}
		}
	}
	return at, best
}

// free gives the earliest place of a team from t on that ends no earlier than
// end, and before it is later than most. It was last near the spot.
func (b *booker) free(tm *team, spot *int, t, end, most Time) (Time, Time, bool) {
	for {
		s, e, ok := nextPlace(tm.segs, spot, t, end)
		if !ok || e > most {
			return 0, 0, false
		}
		clear := s
		for _, u := range tm.units {
			clear = max(clear, b.clearFrom(u, Window{s, e}))
		}
		if clear <= s {
			return s, e, true
		}
		if clear == Never {
			return 0, 0, false
		}
		t = clear
	}
}

// clearFrom is the range's start if a unit serves nothing in it, else the end
// of the last thing that it serves there, as more cannot fit before.
func (b *booker) clearFrom(u int32, at Window) Time {
	list := b.book[u]
	lo, hi := 0, len(list) // the first entry that starts at the range's end or later
	for lo < hi {
		m := int(uint(lo+hi) / 2)
		if list[m].Start < at.End {
			lo = m + 1
		} else {
			hi = m
		}
	}
	for lo--; lo >= 0; lo-- {
		if crosses(list[lo].Window, at) {
			return max(list[lo].End, at.Start+1)
		}
		if list[lo].Start < list[lo].End {
			break // what is before ends before
		}
	}
	return at.Start
}

// holdFrom is the earliest start from at on at which enough units are free for
// hold h, begun by step k, and whether it may be earlier once a hold is closed.
func (b *booker) holdFrom(h int, k int32, at Window) (Time, bool) {
	hd := &b.holds[h]
	long := b.longest(h, k, at)
	starts, open := b.starts[:0], false
	for _, u := range hd.units {
		s := b.unitFrom(u, at.Start, long, b.reaches[h])
		if n := len(b.book[u]); s == Never && n > 0 && b.book[u][n-1].End == Never {
			open = true
		}
		if s != Never {
			starts = append(starts, s)
		}
	}
	b.starts = starts
	if len(starts) < hd.count {
		return Never, open
	}
	return kth(starts, hd.count), open
}

// longest is how long a hold must be free if step k begins it.
func (b *booker) longest(h int, k int32, at Window) Time {
	i, _ := slices.BinarySearch(b.holds[h].steps, k)
	return max(b.need[h][i], at.End-at.Start)
}

// unitFrom is the earliest start from t on at which a unit is free so long, and
// as far as its hold reaches; Never if there is none.
func (b *booker) unitFrom(u int32, t, long, reaches Time) Time {
	gaps := b.gaps[u]
	for g := max(0, gapReaching(gaps, max(t, reaches))); g < len(gaps); g++ {
		for t = max(t, gaps[g].Start); max(t+long, reaches) <= gaps[g].End; {
			clear := b.clearFrom(u, Window{t, max(t+long, reaches)})
			if clear <= t {
				return t
			}
			if clear == Never {
				return Never
			}
			t = clear
		}
	}
	return Never
}

// poolFrom is the earliest start from at on that the pools leave step k, as far
// as the first moment without enough tells.
func (b *booker) poolFrom(k int32, at Window) Time {
	if at.Start >= at.End {
		return at.Start
	}
	for _, use := range b.uses[k] {
		room := int64(b.p.Pools[use.pool].Capacity) - b.usage(int(k), int(use.pool))
		if t := b.short(use.pool, at, at.Start, room); t > at.Start {
			return t
		}
		for _, o := range b.users[use.pool] {
			if s := b.at[o].Start; s > at.Start && s < at.End {
				if t := b.short(use.pool, at, s, room); t > at.Start {
					return t
				}
			}
		}
	}
	return at.Start
}

// short gives the first end of what a pool's users run at t if they leave too
// little; else at's start.
func (b *booker) short(pool int32, at Window, t Time, room int64) Time {
	sum, first := int64(0), Never
	for _, o := range b.users[pool] {
		if w := b.at[o]; w.Start <= t && t < w.End {
			sum += b.usage(int(o), int(pool))
			first = min(first, w.End)
		}
	}
	if sum > room {
		return first
	}
	return at.Start
}

// put writes step k and its crew into the book.
func (b *booker) put(k int32, at Window, team int32) {
	b.at[k], b.team[k], b.placed[k] = at, team, true
	for _, u := range b.teams[k][team].units {
		b.write(u, entry{at, k})
	}
	last := int32(-1)
	for _, use := range b.uses[k] {
		if use.pool != last && !slices.Contains(b.users[use.pool], k) {
			b.users[use.pool] = append(b.users[use.pool], k)
		}
		last = use.pool
	}
	for _, h := range b.holdsOf[k] {
		b.holding[h].left--
		if b.holding[h].left == 0 && b.holding[h].begun {
			b.close(int(h))
		}
	}
}

// write adds an entry to a unit's book.
func (b *booker) write(u int32, e entry) {
	i, _ := slices.BinarySearchFunc(b.book[u], e.Start, func(o entry, t Time) int {
		if o.Start <= t {
			return -1
		}
		return 1
	})
	b.book[u] = slices.Insert(b.book[u], i, e)
}

// begin begins the holds that start with step k, those with the fewest units to
// choose from first. If their units cannot be had together it gives the next
// moment at which there is one more, else the step's start.
func (b *booker) begin(k int32) Time {
	s := b.at[k].Start
	for {
		h, few, next := -1, 1<<30, Never
		for _, x := range b.holdsOf[k] {
			if b.holding[x].begun {
				continue
			}
			if n, t := b.choice(int(x), s, b.longest(int(x), k, b.at[k])); n < few {
				h, few, next = int(x), n, t
			}
		}
		if h < 0 {
			return s
		}
		if few < 0 {
			return next
		}
		hd := &b.holding[h]
		hd.begun, hd.by, hd.start, hd.limit = true, k, s, Never
		for len(b.units[h]) < b.holds[h].count {
			u, limit := b.best(h, s, b.longest(h, k, b.at[k]))
			hd.limit = min(hd.limit, limit)
			b.units[h] = append(b.units[h], u)
			b.write(u, entry{Window{s, Never}, int32(b.n + h)})
		}
		if hd.left == 0 {
			b.close(h)
		}
	}
}

// choice tells how many more units than it needs a hold can have at s, and when
// there is one more.
func (b *booker) choice(h int, s, long Time) (spare int, next Time) {
	spare, next = -b.holds[h].count, Never
	for _, u := range b.holds[h].units {
		if t := b.unitFrom(u, s, long, b.reaches[h]); t == s {
			spare++
		} else {
			next = min(next, t)
		}
	}
	return spare, next
}

// best is the unit for a hold that starts at s: of those free for so long, the
// one whose calibration ends first, then the one that leaves the smallest gap,
// then the lowest ID; and how far it is free.
func (b *booker) best(h int, s, long Time) (int32, Time) {
	best, bestGap := int32(-1), Window{}
	for _, u := range b.holds[h].units {
		if slices.Contains(b.units[h], u) || b.unitFrom(u, s, long, b.reaches[h]) != s {
			continue
		}
		gap := b.gapAt(u, s, max(s+long, b.reaches[h]))
		x, y := &b.p.Units[u], &b.p.Units[max(0, best)]
		if best < 0 || cmp.Or(cmp.Compare(x.Expiry, y.Expiry),
			cmp.Compare(gap.End-gap.Start, bestGap.End-bestGap.Start), cmp.Compare(x.ID, y.ID)) < 0 {
			best, bestGap = u, gap
		}
	}
	return best, bestGap.End
}

// gapAt is the range in which a unit is free from t to end.
func (b *booker) gapAt(u int32, t, end Time) Window {
	gap := b.gaps[u][gapReaching(b.gaps[u], end)]
	for _, e := range b.book[u] {
		if e.Start >= t && e.Start < gap.End && (e.Start > t || e.End > e.Start) {
			gap.End = e.Start
		}
		if e.End <= t {
			gap.Start = max(gap.Start, e.End)
		}
	}
	return gap
}

// close ends a hold with its last step.
func (b *booker) close(h int) {
	end := Time(0)
	for _, k := range b.holds[h].steps {
		end = max(end, b.at[k].End)
	}
	b.until(h, end)
}

// until sets the end of a hold's entries.
func (b *booker) until(h int, end Time) {
	for _, u := range b.units[h] {
		for i := range b.book[u] {
			if b.book[u][i].who == int32(b.n+h) {
				b.book[u][i].End = end
			}
		}
	}
}

// remove takes step k out of the book, with the holds that it began.
func (b *booker) remove(k int32) {
	for _, u := range b.teams[k][b.team[k]].units {
		b.strike(u, k)
	}
	for _, use := range b.uses[k] {
		b.users[use.pool] = slices.DeleteFunc(b.users[use.pool], func(o int32) bool { return o == k })
	}
	for _, h := range b.holdsOf[k] {
		hd := &b.holding[h]
		if hd.begun && hd.left == 0 {
			b.until(int(h), Never)
		}
		hd.left++
		if hd.begun && hd.by == k {
			for _, u := range b.units[h] {
				b.strike(u, int32(b.n)+h)
			}
			hd.begun, b.units[h] = false, b.units[h][:0]
		}
	}
	b.placed[k], b.at[k] = false, Window{}
}

func (b *booker) strike(u, who int32) {
	b.book[u] = slices.DeleteFunc(b.book[u], func(e entry) bool { return e.who == who })
}
