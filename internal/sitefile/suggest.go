package sitefile

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"bayhold/internal/fault"
)

// about says of each field what it is, for the mapping that is suggested.
var about = map[string]map[string]string{
	"tools": {
		"tag": "the asset tag, such as TW-200-1; capitals, digits and dashes", "type": "its tool type, by id or name",
		"condition": "SERVICEABLE, UNSERVICEABLE, QUARANTINED, AWAY, LOST or RETIRED", "condition_until": "end of QUARANTINED or AWAY",
		"note": "why it is in that condition", "calibrated_until": "the last day of its calibration", "home": "where it is kept",
		"photo": "an https address", "missing": "pieces that its set lacks: pin=1; plate=2", "damaged": "the same of damaged ones",
	},
	"calibrations": {
		"tool": "the asset tag", "until": "the last day on which the calibration holds", "date": "the day of the measurement",
		"months": "how many months it holds, with date, where there is no until", "number": "of the certificate",
		"laboratory": "who calibrated", "rule": "simple-acceptance, guard-band or four-way", "temperature": "degrees Celsius",
		"humidity": "45 %", "uncertainty": "expanded: 1 %, or 0.4 Nm", "k": "coverage factor; 2 if left out", "unit": "newton metres are the only one",
		"torque": "what the tool was set to; one row a point", "direction": "cw or ccw", "found": "readings before adjustment, with spaces between",
		"left": "readings after it",
	},
	"shifts": {
		"technician": "by id or name", "day": "a weekday, mon-fri, or a date; one row a shift", "hours": "8:00-12:00, 12:30-16:00 in one cell; or off",
		"from": "when the shift begins", "to": "when it ends", "break_from": "when the break begins", "break_to": "when it ends",
		"mon": "hours on Mondays, where each weekday has a column", "tue": "Tuesdays", "wed": "Wednesdays", "thu": "Thursdays", "fri": "Fridays",
		"sat": "Saturdays", "sun": "Sundays",
	},
	"bookings": {
		"reference": "the workshop's own for the job; rows with the same one are one job", "start": "a day and a time; may be two columns: [Day, from]",
		"end": "the same", "bay": "by id or name", "technicians": "one or several, by id or name", "tools": "asset tags",
		"note": "for people", "state": "CONFIRMED or TENTATIVE", "expires": "when a TENTATIVE one lapses",
	},
	"tool_types": {
		"id": "a short name for references, such as wrench-40-200", "name": "what people call it",
		"purpose":  "LOCKING, TENSIONING, HOLDING, ALIGNING, DRILLING, TORQUE, ANGLE, LIFTING or OTHER",
		"families": "engine families that it fits", "torque": "range of a torque tool: 40-200 Nm", "resolution": "in newton metres",
		"drive": "square drive: 1/2in", "length": "from the drive to the grip, mm", "ratio": "of a multiplier", "iso": "type and class of ISO 6789: II A",
		"permissible": "deviation: 4 %", "calibrated": "yes if it must be in calibration", "calibration_months": "how long one holds",
		"calibration_cycles": "after how many cycles it ends", "pieces": "of a set: pin=2; plate=1",
	},
}

// alike are words that name a field in spreadsheets, folded; a field's own name
// goes without saying.
var alike = map[string][]string{
	"tag": {"asset tag", "asset", "tool no", "tool number", "number", "no", "id", "inventory no", "inventory number"}, "type": {"tool type", "kind", "category", "model", "description"},
	"condition": {"status", "state"}, "calibrated_until": {"calibration due", "cal due", "next calibration", "valid until"}, "home": {"location", "place", "shelf", "cabinet", "stored"},
	"note": {"notes", "remark", "remarks", "comment", "comments"}, "tool": {"tag", "asset", "asset tag", "tool no", "tool number", "inventory no"},
	"until": {"due", "next due", "due date", "calibration due", "cal due", "valid until", "next calibration"},
	"date":  {"calibrated", "calibrated on", "last calibration", "calibration date", "date of calibration"}, "months": {"interval", "interval (months)", "cycle"},
	"number": {"certificate", "certificate no", "cert no", "certificate number"}, "laboratory": {"lab", "calibrated by"},
	"torque": {"nominal", "set to", "setting", "target"}, "found": {"as found", "readings", "actual"}, "left": {"as left"},
	"technician": {"name", "employee", "person", "mechanic", "who", "staff"}, "day": {"weekday", "date"}, "hours": {"shift", "working hours"},
	"from": {"start", "begin", "begins", "starts", "time in"}, "to": {"end", "ends", "until", "finish", "time out"},
	"mon": {"monday"}, "tue": {"tuesday", "tues"}, "wed": {"wednesday"}, "thu": {"thursday", "thurs"}, "fri": {"friday"}, "sat": {"saturday"}, "sun": {"sunday"},
	"break_from": {"break", "break start", "lunch from"}, "break_to": {"break end", "lunch to"},
	"reference": {"job", "order", "order no", "job no", "work order", "ref", "job number"}, "start": {"from", "begin", "start date", "date"},
	"end": {"to", "until", "end date", "finish"}, "bay": {"lift", "place", "stall"}, "technicians": {"technician", "mechanic", "mechanics", "who"}, "tools": {"tool", "special tool", "special tools"},
}

// SuggestMapping writes a mapping for a table to begin with: the columns that
// their names tell, the other fields and columns as comments. Rows is what the
// rows are, empty to guess. Invalid if the table's first row cannot be read, or
// there are no such rows.
func SuggestMapping(f File, rows string) ([]byte, error) {
	r := newReader([]File{f})
	m := &mapping{file: "mapping", header: 1, times: "H:MM", decimal: "."}
	encodingName := "utf-8"
	switch {
	case bytes.HasPrefix(f.Content, []byte("\xff\xfe")) || bytes.HasPrefix(f.Content, []byte("\xfe\xff")):
		encodingName = "utf-16"
	case invalidUTF8(f.Content) >= 0:
		encodingName = "windows-1252"
	}
	m.encoding = encodingName
	content, why := m.decode(f.Content)
	if why != "" || len(f.Content) > MaxBytes {
		return nil, fault.New(fault.Invalid, "BAD_FILE", "%s cannot be read: save it as CSV in UTF-8", clip(f.Name))
	}
	s := &sheet{mapping: m, r: r, file: f.Name}
	m.header, m.comma = likelyHead(content)
	s.open(content)
	if !s.readHead() {
		return nil, fault.New(fault.Invalid, "BAD_FILE", "%s has no row that names the columns", clip(f.Name))
	}
	kind, fields := bestKind(s.head, rows)
	switch {
	case kind == nil:
		return nil, fault.New(fault.Invalid, "ROWS", "%q is nothing that rows can be: say %s", clip(rows), strings.Join(sectionNames(), ", "))
	case len(fields) == 0 && rows == "":
		return nil, fault.New(fault.Invalid, "ROWS", "the names of the columns do not tell what the rows of %s are: say %s", clip(f.Name), strings.Join(sectionNames(), ", "))
	}
	if fields["until"] > 0 && kind.section == "calibrations" { // one of the two is enough
		delete(fields, "date")
		delete(fields, "months")
	}
	var some [][]string
	for range 50 {
		record, ok := s.next()
		if !ok {
			break
		}
		if len(record) == len(s.head) {
			some = append(some, record)
		}
	}
	return writeSuggestion(s, kind, fields, some), nil
}

// likelyHead finds the row that names the columns, and what stands between
// them: the first that has nearly as many cells filled as any near the top.
func likelyHead(content []byte) (row int, comma rune) {
	best, most := 1, 0
	for i, line := range bytes.SplitN(content, []byte{'\n'}, 21) {
		if i == 20 {
			break
		}
		sep := separator(line, 1)
		filled := 0
		for cell := range bytes.SplitSeq(line, []byte(string(sep))) {
			if len(bytes.TrimSpace(cell)) > 0 {
				filled++
			}
		}
		if 2*filled > 3*most {
			best, most = i+1, filled
		}
	}
	return best, separator(content, best)
}

// bestKind finds the kind of rows whose fields the columns tell most of, and
// which column is which field: 0 for none.
func bestKind(head []string, rows string) (*rowKind, map[string]int) {
	var best *rowKind
	var fields map[string]int
	score := math.MinInt
	for i := range rowKinds {
		k := &rowKinds[i]
		if rows != "" && k.section != rows {
			continue
		}
		found := make(map[string]int)
		taken := make(map[int]bool)
		for _, exact := range []bool{true, false} {
			for _, f := range k.fields {
				for at, name := range head {
					n := strings.Trim(folded(name), ".:")
					hit := n == f.name || n == strings.ReplaceAll(f.name, "_", " ")
					if !exact {
						hit = slices.Contains(alike[f.name], n)
					}
					if _, stands := found[f.name]; hit && !stands && !taken[at] {
						found[f.name], taken[at] = at+1, true
					}
				}
			}
		}
		points := 2 * len(found)
		if len(k.needs) > 0 && found[k.needs[0]] == 0 {
			points--
		}
		if points > score {
			best, fields, score = k, found, points
		}
	}
	return best, fields
}

// writeSuggestion writes the mapping.
func writeSuggestion(s *sheet, kind *rowKind, fields map[string]int, some [][]string) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# How %s is read. Lines that begin with # say nothing yet: take the # away\n# where a field has a column, and put the column's name behind it.\n", clip(s.file))
	fmt.Fprintf(&b, "rows: %-22s # or %s\n", kind.section, strings.Join(slices.DeleteFunc(sectionNames(), func(n string) bool { return n == kind.section }), ", "))
	fmt.Fprintf(&b, "separator: %-17s # between columns\n", quoted(strings.ReplaceAll(string(s.comma), "\t", "tab")))
	fmt.Fprintf(&b, "encoding: %-18s # or utf-8, utf-16, windows-1252, iso-8859-15\n", s.encoding)
	fmt.Fprintf(&b, "header: %-20d # the row that names the columns\n", s.header)
	dates, sure := guessDates(some)
	doubt := "how dates are written"
	if !sure {
		doubt = "how dates are written: the rows do not tell, look"
	}
	fmt.Fprintf(&b, "dates: %-21s # %s\n", dates, doubt)
	fmt.Fprintf(&b, "times: %-21s # or H.MM, HHMM\n", guessTimes(some))
	fmt.Fprintf(&b, "decimal: %-19s # of numbers\n", quoted(guessDecimal(some)))
	b.WriteString("columns:\n")
	for _, f := range kind.fields {
		line, sign := "", " "
		if at := fields[f.name]; at > 0 {
			line = quoted(s.head[at-1])
		} else {
			sign = "#"
		}
		fmt.Fprintf(&b, "%s %-27s # %s\n", sign, f.name+": "+line, about[kind.section][f.name])
	}
	var left []string
	used := make(map[int]bool)
	for _, at := range fields {
		used[at] = true
	}
	for i, name := range s.head {
		if !used[i+1] && name != "" {
			left = append(left, fmt.Sprintf("=%s %s", columnName(i+1), clip(name)))
		}
	}
	if len(left) > 0 {
		b.WriteString("# Columns of the table that no field has: " + oneLine(strings.Join(left, ", ")) + "\n")
	}
	b.WriteString(`#constants: {}              # what no column says, such as {condition: SERVICEABLE}
#values: {}                 # what a word in a cell means, such as {day: {Mo: mon}}
#replace: {}                # in all cells of a field, such as {tag: [{" ": "-"}]}
#leave_out: {}              # rows that are not wanted, such as {Status: [scrapped]}
`)
	return b.Bytes()
}

// quoted is a text as YAML has it on one line.
func quoted(text string) string {
	for _, c := range text {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c > 0xa0) && c != ' ' && c != '-' && c != '_' {
			return fmt.Sprintf("%q", text)
		}
	}
	if text == "" || strings.TrimSpace(text) != text || slices.Contains([]string{"no", "yes", "true", "false", "null", "y", "n", "on", "off"}, strings.ToLower(text)) || text[0] < 'A' {
		return fmt.Sprintf("%q", text)
	}
	return text
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// guessDates finds how dates are written; not sure where nothing tells.
func guessDates(some [][]string) (string, bool) {
	for _, p := range []string{"YYYY-MM-DD", "DD.MM.YYYY", "DD.MM.YY", "DD-MM-YYYY", "YYYY/MM/DD"} {
		if p, _ := newDatePattern(p); anyCell(some, func(c string) bool { _, _, ok := p.read(c); return ok }) {
			return p.text, true
		}
	}
	day, _ := newDatePattern("DD/MM/YYYY")
	month, _ := newDatePattern("MM/DD/YYYY")
	isDay := anyCell(some, func(c string) bool { _, _, ok := day.read(c); _, _, other := month.read(c); return ok && !other })
	isMonth := anyCell(some, func(c string) bool { _, _, ok := month.read(c); _, _, other := day.read(c); return ok && !other })
	switch {
	case isDay:
		return day.text, true
	case isMonth:
		return month.text, true
	case anyCell(some, func(c string) bool { _, _, ok := day.read(c); return ok }):
		return day.text, false
	}
	return "YYYY-MM-DD", false
}

func guessTimes(some [][]string) string {
	if !anyCell(some, colonClock.MatchString) && anyCell(some, func(c string) bool {
		return pointClock.MatchString(c) && !strings.HasSuffix(c, ".5")
	}) {
		return "H.MM"
	}
	return "H:MM"
}

func guessDecimal(some [][]string) string {
	if anyCell(some, func(c string) bool { return innerComma.MatchString(c) && len(strings.Fields(c)) < 3 }) {
		return ","
	}
	return "."
}

func anyCell(some [][]string, is func(string) bool) bool {
	return slices.ContainsFunc(some, func(record []string) bool {
		return slices.ContainsFunc(record, func(c string) bool { return is(strings.TrimSpace(c)) })
	})
}
