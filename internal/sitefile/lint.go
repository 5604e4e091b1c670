package sitefile

import "bayhold/internal/procedure"

// Finding is one thing that is wrong or doubtful in a file.
type Finding struct {
	File string // empty if it concerns no single file
	Line int    // from 1; 0 if it concerns no single line; of a table, the row
	// Column is that of a cell of a table, from 1; 0 if it concerns no cell.
	Column int
	// Rule is stable, for programs: those of procedure.Library.Lint, and
	// "file" for what cannot be read.
	Rule    string
	Message string // what is wrong and what would be right
	Fault   bool   // it cannot be accepted; else it is advice
}

// String is the finding as one line of a report.
func (f Finding) String() string {
	return place(f.File, f.Line, f.Column) + ": " + f.Message + " (" + f.Rule + ")"
}

// Lint reads files as Parse does and tells, by file and line, everything that
// Parse would refuse and, as advice, what is doubtful in their preparations and
// procedures. What is doubtful in those that the site has already is left out.
// It fails only on files beyond the limits (TOO_LARGE).
func Lint(files []File, opts Options) ([]Finding, error) {
	r, _, err := readAll(files, opts, procedure.Library.Lint)
	if err != nil {
		return nil, err
	}
	return r.found, nil
}
