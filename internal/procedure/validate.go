package procedure

import (
	"slices"
	"strings"

	"bayhold/internal/fault"
)

// Validate reports everything that is wrong with the procedure by itself, as
// an Invalid fault with a field for each; nil if nothing is. What depends on
// preparations and other procedures is Library.Validate's.
func (p Procedure) Validate() error {
	return faults(p.Faults(), "the procedure is not sound")
}

// Faults is Validate as findings, with lines.
func (p Procedure) Faults() []Finding {
	var fs []Finding
	c := checker{findings: &fs, line: p.Line}
	c.head(p.ID, p.Title)
	c.at(0, "family").id(p.Family)
	if p.Version < 0 {
		c.at(0, "version").fault("version", "%d is less than 0", p.Version)
	}
	switch p.State {
	case "", Draft, Issued, Withdrawn:
	default:
		c.at(0, "state").fault("state", "%q is no state: DRAFT, ISSUED or WITHDRAWN", clip(string(p.State)))
	}
	c.at(0, "needs").names(p.Needs)
	c.at(0, "bay_features").names(p.BayFeatures)
	if len(p.Steps) == 0 {
		c.at(0, "steps").fault("no-step", "are missing: a procedure has at least one")
	}
	ids := c.stepIDs("steps", p.Steps, nil)
	c.list("steps", p.Steps, ids)
	if len(fs) == 0 {
		p.Needs = nil
		c.ordered(Library{Procedures: map[string]Procedure{p.ID: p}}, p.ID)
	}
	return fs
}

// Validate reports everything that is wrong with the preparation by itself, as
// an Invalid fault with a field for each; nil if nothing is.
func (p Preparation) Validate() error {
	return faults(p.Faults(), "the preparation is not sound")
}

// Faults is Validate as findings, with lines.
func (p Preparation) Faults() []Finding {
	var fs []Finding
	c := checker{findings: &fs, line: p.Line}
	c.head(p.ID, p.Title)
	if p.Family != "" {
		c.at(0, "family").id(p.Family)
	}
	c.at(0, "needs").names(p.Needs)
	c.at(0, "excludes").names(p.Excludes)
	for _, e := range p.Excludes {
		if e == p.ID || slices.Contains(p.Needs, e) {
			c.at(0, "excludes").fault("excludes", "it cannot exclude %q, itself or what it stands on", clip(e))
		}
	}
	c.at(0, "bay_features").names(p.BayFeatures)
	if len(p.SetUp)+len(p.PutBack) == 0 {
		c.at(0, "set_up").fault("no-step", "and put_back are empty: a preparation has at least one step")
	}
	ids := c.stepIDs("set_up", p.SetUp, nil)
	ids = c.stepIDs("put_back", p.PutBack, ids)
	c.list("set_up", p.SetUp, ids)
	c.list("put_back", p.PutBack, ids)
	c.at(0, "holds").count(len(p.Holds))
	for i, h := range p.Holds {
		c.at(0, "holds[%d]", i).hold(p, h)
	}
	for i, w := range p.Cautions {
		c.at(0, "cautions[%d]", i).caution(w)
	}
	if len(fs) == 0 {
		p.Needs = nil
		user := Procedure{Family: p.Family, Needs: []string{p.ID}}
		c.ordered(Library{
			Preparations: map[string]Preparation{p.ID: p},
			Procedures:   map[string]Procedure{"": user},
		}, "")
	}
	return fs
}

// head checks what procedures and preparations have in common.
func (c checker) head(id, title string) {
	c.at(0, "id").id(id)
	c.at(0, "title").text(title, MaxTitle, true)
}

// stepIDs checks that the steps of an owner have different ids, adds them to
// ids and gives it back.
func (c checker) stepIDs(name string, steps []Step, ids map[string]bool) map[string]bool {
	if ids == nil {
		ids = make(map[string]bool, len(steps))
	}
	for i, s := range steps {
		if s.ID != "" && ids[s.ID] {
			c.at(s.Line, "%s[%d].id", name, i).fault("repeated", "two steps have the id %q", clip(s.ID))
		}
		ids[s.ID] = true
	}
	return ids
}

// list checks the steps of a list and what they say of each other. ids are
// those of all steps of the owner.
func (c checker) list(name string, steps []Step, ids map[string]bool) {
	if len(steps) > MaxSteps {
		c.at(0, "%s", name).fault("too-many", "has %d steps, more than %d", len(steps), MaxSteps)
		return
	}
	place := make(map[string]int, len(steps))
	for i, s := range steps {
		place[s.ID] = i
	}
	for i, s := range steps {
		c := c.at(s.Line, "%s[%d]", name, i)
		c.step(s)
		if s.JoinedToNext && i == len(steps)-1 {
			c.at(0, "joined_to_next").fault("joined-last", "the last step of a list has no next one to be joined to")
		}
		for k, n := range s.Tools {
			if n.Until == "" {
				continue
			}
			if at, ok := place[n.Until]; !ok || at <= i {
				c.at(0, "tools[%d].until", k).fault("until", "%q is no later step of this list", clip(n.Until))
			}
		}
		c.at(0, "after").steps(s.After, s.ID, ids)
		c.at(0, "before").steps(s.Before, s.ID, ids)
	}
}

// steps checks references to steps of the same owner, and the form of others.
func (c checker) steps(refs []string, self string, ids map[string]bool) {
	for _, ref := range refs {
		owner, id, far := strings.Cut(ref, "/")
		switch {
		case far && (owner == "" || id == "" || strings.Contains(id, "/")):
			c.fault("step-reference", "%q is no reference: a step, or owner/step", clip(ref))
		case far:
		case ref == self:
			c.fault("step-reference", "a step cannot come before or after itself")
		case !ids[ref]:
			c.fault("step-reference", "there is no step %q here; of others write owner/step", clip(ref))
		}
	}
}

// hold checks a tool that keeps a preparation.
func (c checker) hold(p Preparation, h Hold) {
	c.at(0, "tool").tool(h.Tool)
	if h.Tool.Until != "" {
		c.at(0, "tool.until").fault("until", "belongs to a step's tool; here use to")
	}
	if h.From != "" && firstNaming(p.SetUp, "", h.From) < 0 {
		c.at(0, "from").fault("hold", "there is no set-up step %q", clip(h.From))
	}
	if h.To != "" && lastNaming(p.PutBack, "", h.To) < 0 {
		c.at(0, "to").fault("hold", "there is no put-back step %q", clip(h.To))
	}
}

// ordered checks that one procedure of a library can be put in order.
func (c checker) ordered(l Library, id string) {
	_, err := l.Merge([]string{id})
	f := fault.Fault(err)
	if f == nil {
		return
	}
	var b strings.Builder
	b.WriteString(f.Message)
	for _, field := range f.Fields {
		b.WriteString("; " + field.Path + " " + field.Message)
	}
	c.fault(strings.ToLower(strings.ReplaceAll(f.Reason, "_", "-")), "%s", b.String())
}
