package forecast

import (
	"slices"

	"bayhold/internal/plan"
)

// studyCase is a workshop under a demand, made ready: what all runs of it share
// and nobody changes.
type studyCase struct {
	units []plan.Unit
	kinds []UnitKind
	opens []*calendar // of each unit: when it is at work
	house *calendar   // when anybody is at work
	works []readyWork
	o     StudyOptions
	from  plan.Time // what counts
	to    plan.Time
	stop  plan.Time
}

// readyWork is a Work with what each booking needs.
type readyWork struct {
	Work
	tables []*table
	uses   []int32      // units that can serve it
	local  []plan.Claim // claims by index into uses
	next   [][]plan.Arc // arcs out of each step
	prior  [][]plan.Arc // arcs into each step
	before []int32      // number of arcs into each step
}

// newCase makes a case ready.
func newCase(w Workshop, demand []Work, change Change, o StudyOptions) *studyCase {
	c := &studyCase{units: slices.Clone(w.Units), kinds: slices.Clone(w.Kinds), o: o}
	c.from = plan.Time(o.WarmUp * weekMinutes)
	c.to = c.from + plan.Time(o.Weeks*weekMinutes)
	c.stop = c.to + Tail*weekMinutes
	twins := map[int32][]int32{}
	for _, u := range change.More {
		more := c.units[u]
		more.ID += "+1"
		twins[u] = append(twins[u], int32(len(c.units)))
		c.units, c.kinds = append(c.units, more), append(c.kinds, c.kinds[u])
	}
	for _, a := range change.Away {
		u := &c.units[a.Unit]
		u.Shut = append(slices.Clone(u.Shut), plan.Blocked{Window: plan.Window{Start: c.from + a.During.Start, End: c.from + a.During.End}, Ref: -1})
		slices.SortFunc(u.Shut, func(a, b plan.Blocked) int { return int(a.Start) - int(b.Start) })
	}
	var anybody []plan.Window
	for i := range c.units {
		if c.kinds[i] == Person && change.Longer > 0 {
			c.units[i].Open = longer(c.units[i].Open, change.Longer)
		}
		open := c.units[i].Working()
		c.opens = append(c.opens, newCalendar(open))
		if c.kinds[i] == Person {
			anybody = append(anybody, open...)
		}
	}
	if len(anybody) == 0 {
		anybody = []plan.Window{{Start: 0, End: c.stop + o.Ahead}}
	}
	c.house = newCalendar(plan.Union(anybody))
	for _, d := range demand {
		c.works = append(c.works, c.ready(d, twins))
	}
	return c
}

// overnight is the least break after which a window begins another day's work.
const overnight = 4 * 60

// longer lets each day's work go on for so many minutes.
func longer(open []plan.Window, more plan.Time) []plan.Window {
	out := slices.Clone(open)
	for i := range out {
		if i+1 == len(out) || out[i+1].Start-out[i].End >= overnight {
			out[i].End += more
		}
	}
	return plan.Union(out)
}

// ready prepares a work for booking and for the play.
func (c *studyCase) ready(d Work, twins map[int32][]int32) readyWork {
	r := readyWork{Work: d, next: make([][]plan.Arc, len(d.Steps)), before: make([]int32, len(d.Steps))}
	r.Claims = slices.Clone(d.Claims)
	place := map[int32]int32{}
	for i := range r.Claims {
		cl := &r.Claims[i]
		cl.Eligible = slices.Clone(cl.Eligible)
		for _, u := range d.Claims[i].Eligible {
			cl.Eligible = append(cl.Eligible, twins[u]...)
		}
		slices.Sort(cl.Eligible)
		for _, u := range cl.Eligible {
			if _, ok := place[u]; !ok {
				place[u] = 0
				r.uses = append(r.uses, u)
			}
		}
	}
	slices.Sort(r.uses)
	for k, u := range r.uses {
		place[u] = int32(k)
	}
	for _, cl := range r.Claims {
		eligible := make([]int32, len(cl.Eligible))
		for k, u := range cl.Eligible {
			eligible[k] = place[u]
		}
		cl.Eligible = eligible
		r.local = append(r.local, cl)
	}
	r.prior = make([][]plan.Arc, len(d.Steps))
	for _, a := range d.Arcs {
		r.next[a.From] = append(r.next[a.From], a)
		r.prior[a.To] = append(r.prior[a.To], a)
		r.before[a.To]++
	}
	for _, s := range d.Spreads {
		r.tables = append(r.tables, tables.of(s))
	}
	return r
}
