package procedure

import (
	"slices"

	"bayhold/internal/site"
)

// step checks what can be seen in a step alone.
func (c checker) step(s Step) {
	c.at(0, "id").id(s.ID)
	c.at(0, "title").text(s.Title, MaxTitle, true)
	c.at(0, "instruction").text(s.Instruction, MaxText, false)
	c.estimate(s.Estimate)
	if s.WaitAfter < 0 || s.WaitAfter > MaxMinutes {
		c.at(0, "wait_after").fault("wait", "%d minutes are out of range: from 0 to %d", s.WaitAfter, MaxMinutes)
	}
	if s.JoinedToNext && s.WaitAfter > 0 {
		c.at(0, "joined_to_next").fault("joined-wait", "a step joined to the next leaves no gap: it cannot wait as well")
	}
	c.crew(s)
	c.at(0, "tools").count(len(s.Tools))
	for i, n := range s.Tools {
		c.at(0, "tools[%d]", i).tool(n)
	}
	c.parts(s.Parts)
	if s.Torque != nil {
		c.at(0, "torque").torque(*s.Torque)
		c.at(0, "tools").wrenches(s)
	}
	c.checks(s.Checks)
	c.at(0, "cautions").count(len(s.Cautions))
	for i, w := range s.Cautions {
		c.at(0, "cautions[%d]", i).caution(w)
	}
	c.at(0, "after").names(s.After)
	c.at(0, "before").names(s.Before)
	c.at(0, "only_before").names(s.OnlyBefore)
	c.at(0, "only_after").names(s.OnlyAfter)
	for _, p := range s.OnlyBefore {
		if slices.Contains(s.OnlyAfter, p) {
			c.at(0, "only_after").fault("only-never", "a step cannot be only before and only after %s", p)
		}
	}
}

func (c checker) estimate(e Estimate) {
	c = c.at(0, "estimate")
	switch {
	case e == Estimate{}:
		c.fault("missing-estimate", "is missing: low, likely and high in minutes")
	case e.Low <= 0 || e.High > MaxMinutes:
		c.fault("estimate", "%d, %d, %d minutes are out of range: from 1 to %d", e.Low, e.Likely, e.High, MaxMinutes)
	case e.Low > e.Likely || e.Likely > e.High:
		c.fault("estimate", "%d, %d, %d minutes are out of order: low, likely, high", e.Low, e.Likely, e.High)
	}
}

func (c checker) crew(s Step) {
	people := 0
	for i, cr := range s.Crew {
		if cr.People < 1 || cr.People > MaxPeople {
			c.at(0, "crew[%d].people", i).fault("people", "%d people are out of range: from 1 to %d", cr.People, MaxPeople)
		}
		people += min(max(cr.People, 0), MaxPeople+1)
		c.at(0, "crew[%d].skills", i).names(cr.Skills)
	}
	if people > MaxPeople {
		c.at(0, "crew").fault("people", "%d people are more than %d", people, MaxPeople)
	}
	switch s.Mode {
	case Attended:
		if people == 0 {
			c.at(0, "crew").fault("no-people", "an attended step runs in its people's time: it needs at least one")
		}
	case Unattended:
		if people > 0 {
			c.at(0, "crew").fault("unattended-people", "an unattended step has no people: make it attended, or split it")
		}
	default:
		c.at(0, "mode").fault("mode", "%q is no mode: ATTENDED or UNATTENDED", clip(string(s.Mode)))
	}
}

// tool checks a need for a tool; until is checked with the list.
func (c checker) tool(n ToolNeed) {
	if n.Type == "" && n.Purpose == "" && n.Torque == 0 {
		c.fault("tool", "asks for nothing: give a type, a purpose or a torque")
	}
	if n.Type != "" {
		c.at(0, "type").id(n.Type)
	}
	if n.Purpose != "" && !slices.Contains(site.Purposes(), site.Purpose(n.Purpose)) {
		c.at(0, "purpose").fault("purpose", "%q is no purpose of tools", clip(n.Purpose))
	}
	c.at(0, "torque").figure(n.Torque, 0, MaxTorque, "a torque in newton metres")
	c.at(0, "torque_low").figure(n.TorqueLow, 0, MaxTorque, "a torque in newton metres")
	if n.TorqueLow > n.Torque {
		c.at(0, "torque_low").fault("torque-range", "%v N·m is more than the greatest torque, %v N·m", n.TorqueLow, n.Torque)
	}
}

func (c checker) parts(parts []Part) {
	c.at(0, "parts").count(len(parts))
	seen := make(map[string]bool, len(parts))
	for i, p := range parts {
		c := c.at(0, "parts[%d]", i)
		c.at(0, "id").id(p.ID)
		c.at(0, "title").text(p.Title, MaxTitle, true)
		if seen[p.ID] {
			c.at(0, "id").fault("repeated", "part %q stands there twice: give one line its whole quantity", clip(p.ID))
		}
		seen[p.ID] = true
		switch {
		case p.Quantity == 0:
			c.at(0, "quantity").fault("part-quantity", "is missing: how many does the step use?")
		case p.Quantity < 0 || p.Quantity > 10_000:
			c.at(0, "quantity").fault("part-quantity", "%d is out of range: from 1 to 10000", p.Quantity)
		}
	}
}

func (c checker) checks(checks []Check) {
	c.at(0, "checks").count(len(checks))
	seen := make(map[string]bool, len(checks))
	for i, k := range checks {
		c := c.at(0, "checks[%d]", i)
		c.at(0, "id").id(k.ID)
		c.at(0, "title").text(k.Title, MaxTitle, true)
		c.at(0, "unit").text(k.Unit, MaxID, false)
		if seen[k.ID] {
			c.at(0, "id").fault("repeated", "check %q stands there twice", clip(k.ID))
		}
		seen[k.ID] = true
		for _, x := range []*float64{k.Min, k.Max} {
			if x != nil {
				c.figure(*x, -1e9, 1e9, "a bound of a check")
			}
		}
		if k.Min != nil && k.Max != nil && *k.Min > *k.Max {
			c.at(0, "min").fault("check-bounds", "%v is more than max, %v", *k.Min, *k.Max)
		}
		if k.Unit == "" && (k.Min != nil || k.Max != nil) {
			c.at(0, "unit").fault("check-unit", "is missing: a check with bounds is a measurement")
		}
	}
}
