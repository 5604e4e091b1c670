package sitefile

import "slices"

// A table is a spreadsheet saved as CSV. Its rows are of one kind, its columns
// are fields: keys of workshop files. Which column is which field, and how its
// cells are written, a mapping says (mapping.go); without one the columns have
// the names of the fields and the cells are written as in workshop files.

// cellKind is what the cells of a field hold.
type cellKind int

const (
	asText   cellKind = iota
	asNumber          // with or without a unit
	asList            // numbers with spaces or semicolons between them
	asFlag
	asMoment // a day, with or without a time of day
	asClock  // a time of day
	asDays   // weekdays, or a date
	asHours  // the hours of a day
	asName   // something that has an id
	asNames  // several
	asPieces // counted parts of a set
)

// field is one that a row may have.
type field struct {
	name string
	is   cellKind
	noun string // of what is named
}

// rowKind is what the rows of a table can be.
type rowKind struct {
	section string   // the key of workshop files that they go to
	needs   []string // fields by which such a table is known without a mapping
	fields  []field
}

var rowKinds = []rowKind{
	{"tools", []string{"tag"}, []field{
		{"tag", asText, ""}, {"type", asName, aToolType}, {"condition", asText, ""}, {"condition_until", asMoment, ""},
		{"note", asText, ""}, {"calibrated_until", asMoment, ""}, {"home", asText, ""}, {"photo", asText, ""},
		{"missing", asPieces, ""}, {"damaged", asPieces, ""},
	}},
	{"calibrations", []string{"tool", "until"}, calibrationFields},
	{"calibrations", []string{"tool", "torque"}, calibrationFields},
	{"calibrations", []string{"tool", "months"}, calibrationFields},
	{"shifts", []string{"technician"}, append([]field{
		{"technician", asName, aTechnician}, {"day", asDays, ""}, {"hours", asHours, ""}, {"from", asClock, ""}, {"to", asClock, ""},
		{"break_from", asClock, ""}, {"break_to", asClock, ""},
	}, weekdayFields()...)},
	{"bookings", []string{"reference"}, []field{
		{"reference", asText, ""}, {"start", asMoment, ""}, {"end", asMoment, ""}, {"bay", asName, aBay},
		{"technicians", asNames, aTechnician}, {"tools", asNames, aTool}, {"note", asText, ""}, {"state", asText, ""}, {"expires", asMoment, ""},
	}},
	{"tool_types", nil, []field{
		{"id", asText, ""}, {"name", asText, ""}, {"purpose", asText, ""}, {"families", asNames, aFamily}, {"torque", asNumber, ""},
		{"resolution", asNumber, ""}, {"drive", asText, ""}, {"length", asNumber, ""}, {"ratio", asNumber, ""}, {"iso", asText, ""},
		{"permissible", asNumber, ""}, {"calibrated", asFlag, ""}, {"calibration_months", asNumber, ""}, {"calibration_cycles", asNumber, ""},
		{"pieces", asPieces, ""},
	}},
}

var calibrationFields = []field{
	{"tool", asName, aTool}, {"until", asMoment, ""}, {"date", asMoment, ""}, {"months", asNumber, ""}, {"number", asText, ""},
	{"laboratory", asText, ""}, {"rule", asText, ""}, {"temperature", asNumber, ""}, {"humidity", asNumber, ""},
	{"uncertainty", asNumber, ""}, {"k", asNumber, ""}, {"unit", asText, ""}, {"torque", asNumber, ""}, {"direction", asText, ""},
	{"found", asList, ""}, {"left", asList, ""},
}

// weekdays are the columns of a sheet that has one for each, Monday first.
var weekdays = []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}

func weekdayFields() []field {
	out := make([]field, 0, len(weekdays))
	for _, d := range weekdays {
		out = append(out, field{d, asHours, ""})
	}
	return out
}

// sectionNames are what rows can be, in words for people.
func sectionNames() []string {
	var out []string
	for _, k := range rowKinds {
		if !slices.Contains(out, k.section) {
			out = append(out, k.section)
		}
	}
	return out
}

// kindOfRows finds a kind by its section; nil if there is none.
func kindOfRows(section string) *rowKind {
	for i := range rowKinds {
		if rowKinds[i].section == section {
			return &rowKinds[i]
		}
	}
	return nil
}

// guessRows tells by the names of columns what the rows of a table are: tool
// types, which need none in particular, if nothing else.
func guessRows(head []string) *rowKind {
	for i, k := range rowKinds {
		if !slices.ContainsFunc(k.needs, func(c string) bool { return !slices.Contains(head, c) }) {
			return &rowKinds[i]
		}
	}
	return &rowKinds[len(rowKinds)-1]
}

// names lists the fields of a kind in their order.
func (k *rowKind) names() []string {
	out := make([]string, 0, len(k.fields))
	for _, f := range k.fields {
		out = append(out, f.name)
	}
	return out
}

// field finds one by its name.
func (k *rowKind) field(name string) (field, bool) {
	i := slices.IndexFunc(k.fields, func(f field) bool { return f.name == name })
	if i < 0 {
		return field{}, false
	}
	return k.fields[i], true
}

// columnName is how spreadsheets call a column, the first being 1: A, Z, AA.
func columnName(n int) string {
	var out []byte
	for ; n > 0; n = (n - 1) / 26 {
		out = append(out, byte('A'+(n-1)%26))
	}
	slices.Reverse(out)
	return string(out)
}

// columnNumber reads the name that a spreadsheet has for a column; 0 for none.
func columnNumber(s string) int {
	n := 0
	for _, c := range s {
		if c >= 'a' && c <= 'z' {
			c -= 'a' - 'A'
		}
		if c < 'A' || c > 'Z' || n > maxColumns {
			return 0
		}
		n = 26*n + int(c-'A'+1)
	}
	return n
}
