package procedure

import (
	"slices"

	"bayhold/internal/site"
)

// Needs lists the tools that the step asks for. A step with a torque whose
// tools name none for it asks for one: of purpose TORQUE, bearing the peak or
// the greatest stage, measuring down to the smallest. A wrench that is named
// without figures gets the same figures; the only one named measures down to
// the smallest stage. types tells the purpose of tools that are named by type;
// it may be nil.
func (s Step) Needs(types map[string]site.ToolType) []ToolNeed {
	bear, measure := s.Torque.Range()
	if bear == 0 {
		return s.Tools
	}
	needs := slices.Clone(s.Tools)
	var wrenches []int
	for i := range needs {
		if needs[i].tightens(types) {
			wrenches = append(wrenches, i)
		}
	}
	for _, i := range wrenches {
		switch n := &needs[i]; {
		case n.Torque == 0:
			n.Torque, n.TorqueLow = bear, measure
		case n.TorqueLow == 0 && len(wrenches) == 1:
			n.TorqueLow = min(measure, n.Torque)
		}
	}
	if len(wrenches) == 0 {
		needs = append(needs, ToolNeed{Purpose: string(site.Torque), Torque: bear, TorqueLow: measure})
	}
	return needs
}

// tightens reports whether the need is for a tool that tightens.
func (n ToolNeed) tightens(types map[string]site.ToolType) bool {
	if n.Torque > 0 || n.Purpose == string(site.Torque) {
		return true
	}
	return n.Type != "" && types[n.Type].Purpose == site.Torque
}

// Range gives the greatest torque that a tool for it must bear and the
// smallest that it must measure, in newton metres; both are zero where no
// stage is a torque and no peak is stated. Angles are no torques.
func (t *Torque) Range() (bear, measure float64) {
	if t == nil {
		return 0, 0
	}
	bear = t.Peak
	for _, s := range t.Stages {
		if s.Torque <= 0 {
			continue
		}
		bear = max(bear, s.Torque)
		if measure == 0 || s.Torque < measure {
			measure = s.Torque
		}
	}
	return bear, measure
}

// Fits reports whether a tool of the type serves the need on an engine family:
// it is of the type or purpose asked for, fits the family, bears the greatest
// torque and measures down to the smallest. It says nothing of a single tool's
// condition or calibration.
func Fits(t site.ToolType, need ToolNeed, family string) bool {
	switch {
	case need.Type != "":
		if t.ID != need.Type {
			return false
		}
	case need.Purpose != "":
		if string(t.Purpose) != need.Purpose {
			return false
		}
	case need.Torque > 0:
		if t.Purpose != site.Torque {
			return false
		}
	default:
		return false
	}
	if len(t.Families) > 0 && !slices.Contains(t.Families, family) {
		return false
	}
	if need.Torque == 0 {
		return true
	}
	low := need.TorqueLow
	if low == 0 {
		low = need.Torque
	}
	return t.TorqueMax >= need.Torque && t.TorqueMin <= low
}
