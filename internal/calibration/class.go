package calibration

import (
	"bayhold/internal/fault"
)

// ClassTable gives the permissible deviation of tools by kind and class.
type ClassTable struct {
	// Split is the greatest torque in newton metres up to which a tool counts
	// as small. It is held against the tool's maximum, never against the
	// torque at hand.
	Split   float64
	Classes []Class
	Source  string // where the figures come from, printed beside a verdict
}

// Class is one row of a class table.
type Class struct {
	Kind  Kind
	Class string // "A"
	Title string // what such a tool is, in words
	// Small and Large are the permissible deviations of small and of other
	// tools, as fractions of the reference reading.
	Small, Large float64
	Readings     int // least number of readings a point
}

// find looks a class up.
func (t ClassTable) find(kind Kind, class string) (Class, bool) {
	for _, c := range t.Classes {
		if c.Kind == kind && c.Class == class {
			return c, true
		}
	}
	return Class{}, false
}

// Permissible is the greatest permissible deviation of a tool, as a fraction of
// the reference reading: the tool's own if it has one, else its class's. A tool
// with neither is a Precondition fault, NO_PERMISSIBLE_DEVIATION.
func (t ClassTable) Permissible(tool Tool) (float64, error) {
	if tool.Permissible > 0 {
		return tool.Permissible, nil
	}
	c, ok := t.find(tool.Kind, tool.Class)
	switch {
	case !ok:
		return 0, fault.New(fault.Precondition, "NO_PERMISSIBLE_DEVIATION",
			"%s has no permissible deviation of its own, and type %q class %q is not in the class table", tool.Tag, tool.Kind, tool.Class)
	case tool.Max <= t.Split:
		return c.Small, nil
	}
	return c.Large, nil
}

// DefaultClasses is a class table to begin with, after ISO 6789-1:2017, 5.1.5
// and table 1, from memory. It is not certain whether small tools of type I,
// classes B, C and E, may deviate by 6 % or by 4 %. Hold it against a copy of
// the standard before relying on it.
func DefaultClasses() ClassTable {
	const four, six = 0.04, 0.06
	return ClassTable{
		Split:  10,
		Source: "after ISO 6789-1:2017, from memory: to be confirmed by the administrator",
		Classes: []Class{
			{Indicating, "A", "wrench, torsion or flexion bar", six, six, 5},
			{Indicating, "B", "wrench, rigid housing, with scale, dial or display", six, four, 5},
			{Indicating, "C", "wrench, rigid housing, electronic", six, four, 5},
			{Indicating, "D", "screwdriver with scale, dial or display", six, six, 5},
			{Indicating, "E", "screwdriver, electronic", six, four, 5},
			{Setting, "A", "wrench, adjustable, graduated or with display", six, four, 5},
			{Setting, "B", "wrench, fixed", six, four, 10},
			{Setting, "C", "wrench, adjustable, not graduated", six, four, 10},
			{Setting, "D", "screwdriver, adjustable, graduated or with display", six, six, 5},
			{Setting, "E", "screwdriver, fixed", six, six, 10},
			{Setting, "F", "screwdriver, adjustable, not graduated", six, six, 10},
			{Setting, "G", "wrench, flexion bar, adjustable, graduated", six, six, 5},
		},
	}
}
