package e2e

import (
	"cmp"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
)

// span is how many hours are fought over.
const span = 24

// tenure is the hours of a resource, each with the number of the job that holds
// it, 0 for nobody. A tool that is handed out has its issue in the first.
type tenure [span]int64

// outcome is what a client knows of an act.
type outcome int

const (
	unknown outcome = iota // it may have been done or not
	done
	refused // it was certainly not
)

// hold is a resource for some hours: of a job, where that is known.
type hold struct {
	resource string
	from, to int
	job      int64
}

// deed is one act as its client saw it.
type deed struct {
	client    int
	request   string
	kind      string // of the event that it makes
	call, ret int64  // nanoseconds since the beginning
	outcome   outcome
	doubt     bool     // it was refused, but a try before that was not answered: that one may have been done
	wants     []hold   // to be held if it is done
	gives     []hold   // to be given up if it is done
	job       int64    // that it made; 0: not known
	revision  int64    // in the log, once that is known
	saw       []hold   // what stood in its way
	tool      string   // of an issue or a return
	taken     bool     // it was refused because somebody has the tool
	read      *reading // it was a question
}

// reading is what a client read of a resource.
type reading struct {
	resource string
	state    tenure
}

// entry is a line of the log.
type entry struct {
	revision      int64
	request, kind string
	number        int64 // of the job or issue that it is about
	tool          string
}

// ledger is what the database holds at the end.
type ledger struct {
	overlaps int
	doubles  int // tools that are with two people
	log      []entry
	state    map[string]tenure
}

// history is all that was done and seen.
type history struct {
	deeds   []deed
	watched [][]entry // by watcher
	end     int64
}

// complaints are what is wrong with a history, given what stands at the end.
func (h *history) complaints(l ledger) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if l.overlaps > 0 {
		add("overlap: %d pairs of bookings", l.overlaps)
	}
	if l.doubles > 0 {
		add("issued twice: %d tools", l.doubles)
	}
	out = append(out, h.againstLog(l)...)
	out = append(out, alternating(l.log)...)
	for n, seen := range h.watched {
		if i, wrong := differ(seen, l.log); wrong {
			add("watch: watcher %d is told %d events of %d, and goes wrong at the %dth", n, len(seen), len(l.log), i+1)
		}
	}
	return append(out, h.linear(l)...)
}

// differ gives the first place where a watcher was told something else than what
// the log has.
func differ(seen, log []entry) (int, bool) {
	for i := range max(len(seen), len(log)) {
		if i >= len(seen) || i >= len(log) || seen[i].revision != log[i].revision || seen[i].request != log[i].request || seen[i].kind != log[i].kind {
			return i, true
		}
	}
	return 0, false
}

// againstLog wants what was acknowledged in the log once, and what was refused
// not at all. It settles what became of the rest.
func (h *history) againstLog(l ledger) (out []string) {
	logged := map[string]map[string][]entry{}
	for i, e := range l.log {
		if e.revision != int64(i+1) {
			out = append(out, fmt.Sprintf("log: revision %d stands in place %d", e.revision, i+1))
		}
		if logged[e.request] == nil {
			logged[e.request] = map[string][]entry{}
		}
		logged[e.request][e.kind] = append(logged[e.request][e.kind], e)
	}
	for i := range h.deeds {
		d := &h.deeds[i]
		if d.read != nil {
			continue
		}
		found := logged[d.request][d.kind]
		switch {
		case len(found) > 1:
			out = append(out, fmt.Sprintf("log: %s %s was done %d times", d.kind, d.request, len(found)))
		case d.outcome == done && len(found) == 0:
			out = append(out, fmt.Sprintf("log: %s %s was acknowledged and is not there", d.kind, d.request))
		case d.outcome == refused && d.doubt && len(logged[d.request]) > 0:
			d.outcome, d.saw, d.taken = unknown, nil, false
		case d.outcome == refused && len(logged[d.request]) > 0:
			out = append(out, fmt.Sprintf("log: %s %s was refused and is there", d.kind, d.request))
		case d.outcome == done && d.job != 0 && found[0].number != d.job:
			out = append(out, fmt.Sprintf("log: %s %s made %d, and its client was told %d", d.kind, d.request, found[0].number, d.job))
		}
		if len(found) > 0 {
			d.revision = found[0].revision
		}
		if len(found) > 0 && d.job == 0 {
			d.job = found[0].number
		}
		if d.outcome == unknown && len(found) > 0 {
			d.ret = h.end // from its call on, at any time
		}
	}
	return out
}

// alternating wants each tool handed out and given back in turn.
func alternating(log []entry) (out []string) {
	open := map[string]bool{}
	for _, e := range log {
		if e.kind != "tool.issued" && e.kind != "tool.returned" {
			continue
		}
		if is := e.kind == "tool.issued"; open[e.tool] == is {
			out = append(out, fmt.Sprintf("issue: %s in revision %d, of a tool for which that is true already: %s", e.kind, e.revision, e.tool))
		}
		open[e.tool] = e.kind == "tool.issued"
	}
	return out
}

// motion is what an act does to one resource, or sees of it.
type motion struct {
	gives, takes int64 // numbers; 0: none
	revision     int64 // that it made, if it gives or takes
	from, to     int
	saw          int64 // this number is in from..to
	taken        bool  // somebody has it
	read         *tenure
}

// model is a resource: nobody holds an hour that another one holds.
var model = porcupine.Model{
	Init: func() any { return tenure{} },
	Step: func(state, input, _ any) (bool, any) {
		s, do := state.(tenure), input.(motion)
		switch {
		case do.read != nil:
			return s == *do.read, s
		case do.taken:
			return s[0] != 0, s
		case do.saw != 0:
			for i := do.from; i < do.to; i++ {
				if s[i] != do.saw {
					return false, s
				}
			}
			return true, s
		}
		if do.gives != 0 {
			if !slices.Contains(s[:], do.gives) {
				return false, s
			}
			for i := range s {
				if s[i] == do.gives {
					s[i] = 0
				}
			}
		}
		for i := do.from; i < do.to && do.takes != 0; i++ {
			if s[i] != 0 {
				return false, s
			}
			s[i] = do.takes
		}
		return true, s
	},
}

// patience is how long the checker may look for an order of one resource's acts.
const patience = 30 * time.Second

// linear wants an order of the acts on each resource in which all that was
// acknowledged, refused and read is true, and what stands at the end too.
func (h *history) linear(l ledger) (out []string) {
	all := h.byResource()
	for resource, state := range l.state {
		all[resource] = append(all[resource], porcupine.Operation{ClientId: 1 << 20, Input: motion{read: &state}, Call: h.end + 1, Return: h.end + 2})
	}
	for resource, operations := range all {
		if asLogged(operations) {
			continue
		}
		switch porcupine.CheckOperationsTimeout(model, operations, patience) {
		case porcupine.Illegal:
			out = append(out, fmt.Sprintf("order: there is none in which the %d acts on %s are all true", len(operations), resource))
		case porcupine.Unknown:
			out = append(out, fmt.Sprintf("order: none was found for the %d acts on %s within %s", len(operations), resource, patience))
		}
	}
	return out
}

// asLogged tells whether the order of the log is one in which all is true, with
// what was only seen put in where it fits. That is quickly tried, and an order that
// is found is a proof; where it is none, there may be another one.
func asLogged(operations []porcupine.Operation) bool {
	var acts, sights []porcupine.Operation
	for _, o := range operations {
		if m := o.Input.(motion); m.gives != 0 || m.takes != 0 {
			acts = append(acts, o)
		} else {
			sights = append(sights, o)
		}
	}
	slices.SortFunc(acts, func(a, b porcupine.Operation) int {
		return cmp.Compare(a.Input.(motion).revision, b.Input.(motion).revision)
	})
	states, called := []any{model.Init()}, int64(0) // states[n] is that after n acts
	for n, a := range acts {
		ok, next := model.Step(states[n], a.Input, nil)
		if !ok || a.Return < called {
			return false // it was over before one began that the log has before it
		}
		states, called = append(states, next), max(called, a.Call)
	}
	slices.SortFunc(sights, func(a, b porcupine.Operation) int { return cmp.Compare(a.Return, b.Return) })
	places := make([]int, len(sights)) // after so many acts: as early as can be, for later ones come no earlier
	for i, s := range sights {
		from, to := 0, len(acts)
		for n, a := range acts {
			if a.Return < s.Call {
				from = n + 1
			}
			if a.Call > s.Return {
				to = min(to, n)
			}
		}
		for before := range i {
			if sights[before].Return < s.Call {
				from = max(from, places[before])
			}
		}
		for places[i] = from; ; places[i]++ {
			if places[i] > to {
				return false
			}
			if ok, _ := model.Step(states[places[i]], s.Input, nil); ok {
				break
			}
		}
	}
	return true
}

// byResource parts what was done and seen.
func (h *history) byResource() map[string][]porcupine.Operation {
	all := map[string][]porcupine.Operation{}
	for _, d := range h.deeds {
		add := func(resource string, s motion) {
			all[resource] = append(all[resource], porcupine.Operation{ClientId: d.client, Input: s, Call: d.call, Return: d.ret})
		}
		switch {
		case d.read != nil:
			if d.outcome == done {
				add(d.read.resource, motion{read: &d.read.state})
			}
		case d.outcome == refused && d.taken:
			add(d.tool, motion{taken: true})
		case d.outcome == refused:
			for _, s := range d.saw {
				add(s.resource, motion{saw: s.job, from: s.from, to: s.to})
			}
		case d.outcome == done || d.ret == h.end && h.end > 0:
			byName := map[string]*motion{}
			at := func(name string) *motion {
				if byName[name] == nil {
					byName[name] = &motion{revision: d.revision}
				}
				return byName[name]
			}
			for _, g := range d.gives {
				at(g.resource).gives = g.job
			}
			for _, w := range d.wants {
				s := at(w.resource)
				s.takes, s.from, s.to = d.job, w.from, w.to
			}
			for name, s := range byName {
				add(name, *s)
			}
		}
	}
	return all
}

// TestAsLogged tries the quick proof on small histories whose truth is plain.
func TestAsLogged(t *testing.T) {
	t.Parallel()
	act := func(revision, gives, takes, call, ret int64) porcupine.Operation {
		return porcupine.Operation{Input: motion{revision: revision, gives: gives, takes: takes, from: 0, to: 1}, Call: call, Return: ret}
	}
	sight := func(job, call, ret int64) porcupine.Operation {
		return porcupine.Operation{Input: motion{read: &tenure{job}}, Call: call, Return: ret}
	}
	first, second, end := act(1, 0, 7, 10, 20), act(2, 7, 0, 30, 40), act(3, 0, 8, 50, 60)
	for name, c := range map[string]struct {
		operations []porcupine.Operation
		want       bool
	}{
		"one after the other":              {[]porcupine.Operation{end, second, first}, true},
		"seen before, between and after":   {[]porcupine.Operation{first, second, end, sight(0, 1, 2), sight(7, 15, 35), sight(0, 41, 55), sight(8, 61, 62)}, true},
		"seen while it is done":            {[]porcupine.Operation{first, sight(0, 11, 12), sight(7, 13, 14)}, true},
		"seen, and then not yet there":     {[]porcupine.Operation{first, sight(7, 11, 12), sight(0, 13, 14)}, false},
		"seen before it was asked for":     {[]porcupine.Operation{first, sight(7, 1, 2)}, false},
		"not seen though it was there":     {[]porcupine.Operation{first, sight(0, 21, 22)}, false},
		"taken twice":                      {[]porcupine.Operation{first, act(2, 0, 8, 30, 40)}, false},
		"logged behind what it came after": {[]porcupine.Operation{act(1, 0, 7, 10, 20), act(2, 7, 8, 1, 5)}, false},
	} {
		if got := asLogged(c.operations); got != c.want {
			t.Errorf("%s: %t", name, got)
		}
		if is := porcupine.CheckOperations(model, c.operations); is != c.want {
			t.Errorf("%s: the slow way says %t", name, is)
		}
	}
}
