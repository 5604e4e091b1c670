package procedure

import (
	"cmp"
	"slices"
)

// held is a hold in the making: Steps are nodes, in any order.
type held struct {
	tool  ToolNeed
	steps []int32
	prep  int32 // number of the preparation that it keeps, or -1
}

// holds lists the tools of the network in the order in which they are taken.
func (m *merger) holds(position []int32) []NetHold {
	var all []held
	keepers := make(map[string][]int) // holds of preparations, by tool type
	for i := range m.preps {
		for _, h := range m.preps[i].Holds {
			if h.Tool.Type != "" {
				keepers[h.Tool.Type] = append(keepers[h.Tool.Type], len(all))
			}
			all = append(all, held{tool: h.Tool, steps: m.span(i, h), prep: int32(i)})
		}
	}
	for _, l := range m.lists {
		all = m.ownTools(l, keepers, all)
	}
	net := make([]NetHold, 0, len(all))
	for _, h := range all {
		if len(h.steps) == 0 {
			continue // a state without steps, needed by none
		}
		n := NetHold{Tool: h.tool, Steps: places(position, h.steps)}
		if h.prep >= 0 {
			n.Preparation = m.preps[h.prep].ID
		}
		net = append(net, n)
	}
	slices.SortStableFunc(net, func(a, b NetHold) int { return cmp.Compare(a.Steps[0], b.Steps[0]) })
	return net
}

// places turns nodes into sorted places in the network, each once.
func places(position, nodes []int32) []int {
	ps := make([]int, len(nodes))
	for i, n := range nodes {
		ps[i] = int(position[n])
	}
	slices.Sort(ps)
	return slices.Compact(ps)
}

// span gives the steps between whose ends a preparation's tool is held. A
// state without set-up steps is held from its put-back alone, one without
// put-back steps to the last steps that need it.
func (m *merger) span(i int, h Hold) []int32 {
	p := &m.preps[i]
	var steps []int32
	if n := len(p.SetUp); n > 0 {
		first := firstNaming(p.SetUp, h.Tool.Type, h.From)
		steps = append(steps, p.setUp.node(max(first, 0)))
	}
	if n := len(p.PutBack); n > 0 {
		last := lastNaming(p.PutBack, h.Tool.Type, h.To)
		if last < 0 {
			last = n - 1
		}
		steps = append(steps, p.putBack.node(last))
	} else {
		steps = append(steps, m.last[i]...)
	}
	return steps
}

// firstNaming is the index of the step with the id, if one is given, else of
// the first that names the tool type; -1 if none does.
func firstNaming(steps []Step, toolType, id string) int {
	return slices.IndexFunc(steps, func(s Step) bool { return names(s, toolType, id) })
}

// lastNaming is firstNaming from the end.
func lastNaming(steps []Step, toolType, id string) int {
	for i := len(steps) - 1; i >= 0; i-- {
		if names(steps[i], toolType, id) {
			return i
		}
	}
	return -1
}

func names(s Step, toolType, id string) bool {
	if id != "" {
		return s.ID == id
	}
	return toolType != "" && slices.ContainsFunc(s.Tools, func(n ToolNeed) bool { return n.Type == toolType })
}

// stretch is a tool that a list holds from one of its steps to a later one.
type stretch struct{ hold, until int }

// ownTools adds the tools that the steps of a list ask for. A step that names
// the type of a tool which a preparation it stands in holds, or which an
// earlier step of the list holds until a later one, uses that very tool.
func (m *merger) ownTools(l *list, keepers map[string][]int, all []held) []held {
	known := make(map[string]int)    // the keeper of a type for most steps, or -1
	open := make(map[string]stretch) // by tool type
	for i := range l.steps {
		for _, need := range l.steps[i].Needs(m.lib.ToolTypes) {
			if h := m.keeper(l, i, need, keepers, known, all); h >= 0 {
				all[h].steps = append(all[h].steps, l.node(i))
				continue
			}
			if o, ok := open[need.Type]; ok && need.Type != "" && i <= o.until {
				all[o.hold].tool = widen(all[o.hold].tool, need)
				all[o.hold].steps = append(all[o.hold].steps, l.node(i))
				if u := m.until(l, need); u > o.until {
					all[o.hold].steps = append(all[o.hold].steps, l.node(u))
					open[need.Type] = stretch{o.hold, u}
				}
				continue
			}
			h := held{tool: need, steps: []int32{l.node(i)}, prep: -1}
			h.tool.Until = ""
			if u := m.until(l, need); u > i {
				h.steps = append(h.steps, l.node(u))
				if need.Type != "" {
					open[need.Type] = stretch{len(all), u}
				}
			}
			all = append(all, h)
		}
	}
	return all
}

// until is the place in the list up to which a tool is held, or -1.
func (m *merger) until(l *list, need ToolNeed) int {
	node, ok := m.byOwner[l.owner][need.Until]
	if !ok {
		return -1
	}
	return l.index(node)
}

// keeper is the index of the hold of a preparation that already has, at a step
// of the list, the tool that the step names; -1 if none does. A step that
// needs a torque of its own needs its own wrench.
func (m *merger) keeper(l *list, i int, need ToolNeed, keepers map[string][]int, known map[string]int, all []held) int {
	candidates := keepers[need.Type]
	if need.Type == "" || need.Torque > 0 || len(candidates) == 0 {
		return -1
	}
	in, placed := l.free[i]
	if !placed {
		if h, ok := known[need.Type]; ok {
			return h
		}
		in = l.in
	}
	found := -1
	for _, h := range candidates {
		root := []int32{all[h].prep}
		if slices.ContainsFunc(in, func(p int32) bool { return m.bearers.standsOn(p, root) }) {
			found = h
			break
		}
	}
	if !placed {
		known[need.Type] = found
	}
	return found
}

// widen makes a need cover another one of the same type too.
func widen(a, b ToolNeed) ToolNeed {
	if b.Torque == 0 {
		return a
	}
	if a.Torque == 0 || b.TorqueLow < a.TorqueLow {
		a.TorqueLow = b.TorqueLow
	}
	a.Torque = max(a.Torque, b.Torque)
	return a
}
