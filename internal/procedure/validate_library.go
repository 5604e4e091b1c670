package procedure

import (
	"maps"
	"slices"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// Validate reports everything that is wrong with the library: with each
// preparation and procedure by itself, with what they name of each other, and
// with each procedure's order once its preparations are merged in.
func (l Library) Validate() error {
	return faults(l.Faults(), "the procedures are not sound")
}

// Faults is Validate as findings, with lines.
func (l Library) Faults() []Finding {
	var fs []Finding
	root := checker{findings: &fs}
	ids := l.stepIDs()
	bad := make(map[string]bool) // owners with findings
	for _, id := range slices.Sorted(maps.Keys(l.Preparations)) {
		p := l.Preparations[id]
		had := len(fs)
		c := root.at(p.Line, "preparations[%s]", clip(id))
		c.adopt(p.Faults())
		c.key(id, p.ID)
		c.known(l, "needs", p.Needs, p.Family)
		c.known(l, "excludes", p.Excludes, "")
		c.far(l, "set_up", p.SetUp, ids, p.Family)
		c.far(l, "put_back", p.PutBack, ids, p.Family)
		for i, h := range p.Holds {
			c.at(0, "holds[%d].tool", i).met(l, h.Tool, p.Family)
		}
		bad[id] = len(fs) > had
	}
	for _, id := range slices.Sorted(maps.Keys(l.Procedures)) {
		p := l.Procedures[id]
		had := len(fs)
		c := root.at(p.Line, "procedures[%s]", clip(id))
		c.adopt(p.Faults())
		c.key(id, p.ID)
		if _, taken := l.Preparations[id]; taken {
			c.at(0, "id").fault("owner-id-taken", "a preparation has the id %q too", clip(id))
		}
		c.known(l, "needs", p.Needs, p.Family)
		c.far(l, "steps", p.Steps, ids, p.Family)
		bad[id] = bad[id] || len(fs) > had
	}
	l.orders(root, bad)
	return fs
}

// orders checks that every preparation and every procedure has an order, but
// for those that have other faults or stand on what has.
func (l Library) orders(root checker, bad map[string]bool) {
	alone := l
	for _, id := range slices.Sorted(maps.Keys(l.Preparations)) {
		closure, err := l.closure([]string{id})
		if fault.Fault(err) != nil && fault.Fault(err).Reason == "PREPARATION_CYCLE" {
			root.at(0, "preparations").fault("preparation-cycle", "%s", err)
			return
		}
		if err != nil || slices.ContainsFunc(closure, func(q string) bool { return bad[q] }) {
			bad[id] = true
			continue
		}
		p := l.Preparations[id]
		alone.Procedures = map[string]Procedure{"": {Family: p.Family, Needs: []string{id}}}
		had := len(*root.findings)
		root.at(p.Line, "preparations[%s]", id).ordered(alone, "")
		bad[id] = len(*root.findings) > had
	}
	for _, id := range slices.Sorted(maps.Keys(l.Procedures)) {
		p := l.Procedures[id]
		if bad[id] || slices.ContainsFunc(p.Needs, func(q string) bool { return bad[q] }) {
			continue
		}
		root.at(p.Line, "procedures[%s]", id).ordered(l, id)
	}
}

// stepIDs gives the steps of every owner.
func (l Library) stepIDs() map[string]map[string]bool {
	ids := make(map[string]map[string]bool, len(l.Preparations)+len(l.Procedures))
	add := func(owner string, steps []Step) {
		if ids[owner] == nil {
			ids[owner] = make(map[string]bool, len(steps))
		}
		for _, s := range steps {
			ids[owner][s.ID] = true
		}
	}
	for id, p := range l.Preparations {
		add(id, p.SetUp)
		add(id, p.PutBack)
	}
	for id, p := range l.Procedures {
		add(id, p.Steps)
	}
	return ids
}

// adopt takes over the findings on a part.
func (c checker) adopt(fs []Finding) {
	for _, f := range fs {
		switch f.Path {
		case "":
			f.Path = c.path
		default:
			f.Path = c.path + "." + f.Path
		}
		*c.findings = append(*c.findings, f)
	}
}

// key checks that a thing is filed under its own id.
func (c checker) key(key, id string) {
	if key != id {
		c.at(0, "id").fault("id", "is filed under %q", clip(key))
	}
}

// known checks that preparations exist and are for the family; an empty
// family goes with every one.
func (c checker) known(l Library, name string, ids []string, family string) {
	for _, id := range ids {
		q, ok := l.Preparations[id]
		switch {
		case !ok:
			c.at(0, "%s", name).fault("unknown-preparation", "there is no preparation %q", clip(id))
		case family != "" && q.Family != "" && q.Family != family:
			c.at(0, "%s", name).fault("families-differ", "preparation %s is for engine family %s, not %s", id, q.Family, family)
		}
	}
}

// far checks what the steps of a list name beyond their owner: other owners'
// steps, preparations, and, where tool types are known, tools.
func (c checker) far(l Library, name string, steps []Step, ids map[string]map[string]bool, family string) {
	for i, s := range steps {
		c := c.at(s.Line, "%s[%d]", name, i)
		c.known(l, "only_before", s.OnlyBefore, "")
		c.known(l, "only_after", s.OnlyAfter, "")
		c.at(0, "after").farSteps(s.After, ids)
		c.at(0, "before").farSteps(s.Before, ids)
		for k, n := range s.Needs(l.ToolTypes) {
			part := c.at(0, "tools[%d]", k)
			if k >= len(s.Tools) {
				part = c.at(0, "torque")
			}
			part.met(l, n, family)
		}
	}
}

func (c checker) farSteps(refs []string, ids map[string]map[string]bool) {
	for _, ref := range refs {
		owner, id, far := strings.Cut(ref, "/")
		if !far {
			continue
		}
		steps, ok := ids[owner]
		switch {
		case !ok:
			c.fault("step-reference", "there is no procedure or preparation %q", clip(owner))
		case !steps[id]:
			c.fault("step-reference", "%s has no step %q", clip(owner), clip(id))
		}
	}
}

// met checks that some type of tool meets a need, where the types are known.
// Without a family any type for any family will do.
func (c checker) met(l Library, n ToolNeed, family string) {
	if l.ToolTypes == nil {
		return
	}
	if _, ok := l.ToolTypes[n.Type]; n.Type != "" && !ok {
		c.fault("unknown-tool-type", "there is no tool type %q", clip(n.Type))
		return
	}
	for _, t := range l.ToolTypes {
		if family == "" {
			t.Families = nil
		}
		if Fits(t, n, family) {
			return
		}
	}
	rule := "no-tool-fits"
	if n.Torque > 0 {
		rule = "no-wrench-covers"
	}
	c.fault(rule, "no tool type is %s", n.describe(family))
}

// describe says in words what a need asks for.
func (n ToolNeed) describe(family string) string {
	var b strings.Builder
	switch {
	case n.Type != "":
		b.WriteString("of type " + n.Type)
	case n.Purpose != "":
		b.WriteString("of purpose " + n.Purpose)
	default:
		b.WriteString("of purpose " + string(site.Torque))
	}
	if family != "" {
		b.WriteString(", fits engine family " + family)
	}
	if n.Torque > 0 {
		b.WriteString(" and covers " + n.span())
	}
	return b.String()
}
