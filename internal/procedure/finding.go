package procedure

import (
	"fmt"

	"bayhold/internal/fault"
)

// Finding is one thing that is wrong or doubtful in what an author wrote.
type Finding struct {
	Line    int    // line of the file; 0 if not known
	Path    string // the part: "procedures[chain].steps[3].estimate"
	Rule    string // lower-case words with dashes, stable, for programs
	Message string // for people: what is wrong and what would be right
	// Fault says that it cannot be accepted; else it is advice.
	Fault bool
}

// String is the finding as one line of a report, without the file's name.
func (f Finding) String() string {
	return fmt.Sprintf("%d: %s: %s (%s)", f.Line, f.Path, f.Message, f.Rule)
}

// faults makes an error of those findings that cannot be accepted.
func faults(findings []Finding, message string) error {
	var fields fault.Fields
	for _, f := range findings {
		if f.Fault {
			fields.Add(f.Path, "%s", f.Message)
		}
	}
	return fields.Err("BAD_PROCEDURE", message)
}

// checker gathers findings on one part of the input.
type checker struct {
	findings *[]Finding
	path     string
	line     int
}

// at is the checker of a part of the part; line 0 keeps the whole's line.
func (c checker) at(line int, format string, args ...any) checker {
	part := fmt.Sprintf(format, args...)
	if c.path != "" {
		part = c.path + "." + part
	}
	if line == 0 {
		line = c.line
	}
	return checker{c.findings, part, line}
}

// fault notes something that cannot be accepted.
func (c checker) fault(rule, format string, args ...any) {
	c.note(rule, true, format, args...)
}

// advise notes something doubtful.
func (c checker) advise(rule, format string, args ...any) {
	c.note(rule, false, format, args...)
}

func (c checker) note(rule string, isFault bool, format string, args ...any) {
	*c.findings = append(*c.findings, Finding{
		Line: c.line, Path: c.path, Rule: rule, Message: fmt.Sprintf(format, args...), Fault: isFault,
	})
}
