package sitefile_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"golang.org/x/text/encoding/charmap"
	"pgregory.net/rapid"

	"bayhold/internal/calibration"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
)

// named is the site of known, with what people call its things.
func named() sitefile.Known {
	k := known()
	k.Technicians = []string{"ada", "ben"}
	k.Tools = []string{"LK-1", "TW-1"}
	k.Names = []sitefile.Name{
		{Noun: "bay", ID: "bay-1", Name: "Bay 1, two-post lift"}, {Noun: "technician", ID: "ada", Name: "Ada Brook"},
		{Noun: "technician", ID: "ben", Name: "Ben Ask"}, {Noun: "tool type", ID: "wrench", Name: "Torque wrench 40-200 Nm"},
	}
	return k
}

func readMapped(table, mapping string) (*sitefile.Workshop, error) {
	return sitefile.Parse([]sitefile.File{{
		Name: "t.csv", Content: []byte(table), Mapping: &sitefile.File{Name: "m.yaml", Content: []byte(mapping)},
	}}, sitefile.Options{Now: wednesday, Known: named()})
}

// faultsOf are the faults of an error, one a line.
func faultsOf(t testing.TB, err error) []string {
	t.Helper()
	f := fault.Fault(err)
	if f == nil || f.Reason != "BAD_FILE" {
		t.Fatalf("got %v", err)
	}
	var out []string
	for _, field := range f.Fields {
		out = append(out, field.Path+": "+field.Message)
	}
	return out
}

func berlin(t testing.TB, text string) time.Time {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", text, zone)
	if err != nil {
		t.Fatal(err)
	}
	return at.UTC()
}

var ignorePlaces = cmp.Options{
	cmpopts.EquateEmpty(), cmpopts.IgnoreFields(sitefile.StandingBooking{}, "Place"), cmpopts.IgnoreFields(sitefile.Claim{}, "Place"),
	cmpopts.IgnoreUnexported(sitefile.Calibration{}), cmpopts.IgnoreFields(sitefile.Workshop{}, "Notices"),
}

func TestASheetOfTools(t *testing.T) {
	latin, err := charmap.Windows1252.NewEncoder().String(
		"Werkzeugliste;;;;;\r\nNr.;Bezeichnung;Ort;Zustand;geprüft bis;Preis €\r\n" +
			"tw 7/1;Torque wrench 40-200 nm;Schrank 3;in Ordnung;03.12.2026;120,50\r\n" +
			";;;;;\r\n" +
			"LK 8;LOCK;;defekt;;\r\nLK 9;lock;;ausgemustert;;\r\n")
	if err != nil {
		t.Fatal(err)
	}
	w, err := readMapped(latin, `
rows: tools
encoding: windows-1252
header: 2
dates: DD.MM.YYYY
columns: {tag: Nr., type: Bezeichnung, home: Ort, condition: =D, calibrated_until: geprüft  BIS}
values:
  condition: {in ordnung: SERVICEABLE, defekt: UNSERVICEABLE}
  type: {LOCK: lock}
replace: {tag: [{" ": "-"}, {"/": "-"}, {tw: TW}]}
leave_out: {Zustand: [ausgemustert]}
`)
	if err != nil {
		t.Fatal(faultsOf(t, err))
	}
	want := []site.Tool{
		{Tag: "TW-7-1", Type: "wrench", Condition: site.Serviceable, Home: "Schrank 3", CalibratedUntil: berlin(t, "2026-12-04 00:00")},
		{Tag: "LK-8", Type: "lock", Condition: site.Unserviceable},
	}
	if diff := cmp.Diff(want, w.Tools, ignorePlaces); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	if len(w.Notices) != 1 || !strings.Contains(w.Notices[0], "F (Preis €)") {
		t.Errorf("columns that are left out: %q", w.Notices)
	}
}

func TestSheetsOfShifts(t *testing.T) {
	week := func(days map[time.Weekday]string) *[7][]hours.Stretch {
		var out [7][]hours.Stretch
		for d, text := range days {
			list, err := hours.ParseStretches(text)
			if err != nil {
				t.Fatal(err)
			}
			out[d] = list
		}
		return &out
	}
	for name, c := range map[string]struct {
		table, mapping string
		want           []sitefile.Roster
	}{
		"a column a weekday": {
			"Name;Mo;Di;Mi\nAda Brook;8:00-12:00, 12:30 – 16:00;8-12;frei\nben;22:00-6:00;;off\n",
			"rows: shifts\ncolumns: {technician: Name, mon: Mo, tue: Di, wed: Mi}\nvalues: {wed: {frei: off}}\n",
			[]sitefile.Roster{
				{Technician: "ada", Week: week(map[time.Weekday]string{1: "08:00-12:00, 12:30-16:00", 2: "08:00-12:00"})},
				{Technician: "ben", Week: week(map[time.Weekday]string{1: "22:00-06:00"})},
			},
		},
		"a row a shift": {
			"Who,Day,From,To,Lunch,Back\nben ask,Monday,7.30,16.00,12.00,12.30\nBen Ask,Tue,7.30,12.00,,\nBEN ASK,tue,13.00,17.15,,\nada,Mi - Fr,8.00,12.00,,\n",
			"rows: shifts\ntimes: H.MM\ncolumns: {technician: Who, day: Day, from: From, to: To, break_from: Lunch, break_to: Back}\nvalues: {day: {Mi - Fr: wed-fri}}\n",
			[]sitefile.Roster{
				{Technician: "ben", Week: week(map[time.Weekday]string{1: "07:30-12:00, 12:30-16:00", 2: "07:30-12:00, 13:00-17:15"})},
				{Technician: "ada", Week: week(map[time.Weekday]string{3: "08:00-12:00", 4: "08:00-12:00", 5: "08:00-12:00"})},
			},
		},
		"dates": {
			"who\tdate\thours\nada\t24.12.2026\t8:00 am-12:00 pm\nada\t31.12.2026\toff\n",
			"rows: shifts\ndates: DD.MM.YYYY\ncolumns: {technician: who, day: date, hours: hours}\nvalues: {hours: {\"8:00 am-12:00 pm\": \"8:00-12:00\"}}\n",
			[]sitefile.Roster{{Technician: "ada", Days: map[hours.Date][]hours.Stretch{
				{Year: 2026, Month: 12, Day: 24}: {{Start: 480, End: 720}}, {Year: 2026, Month: 12, Day: 31}: nil,
			}}},
		},
	} {
		w, err := readMapped(c.table, c.mapping)
		if err != nil {
			t.Errorf("%s: %q", name, faultsOf(t, err))
			continue
		}
		if diff := cmp.Diff(c.want, w.Rosters, ignorePlaces); diff != "" {
			t.Errorf("%s: -want +got:\n%s", name, diff)
		}
	}
}

// What a roster does not tell of stays: absences, other dates, and the week of
// a technician of whom it tells dates only.
func TestARosterIsPutIntoWhatStands(t *testing.T) {
	eve := hours.Date{Year: 2026, Month: 12, Day: 24}
	other := hours.Date{Year: 2026, Month: 12, Day: 28}
	was := site.Technician{ID: "ada", Name: "Ada", Skills: []string{"timing"}}
	was.Shifts.Week[time.Monday] = []hours.Stretch{{Start: 480, End: 960}}
	was.Shifts.Week[time.Saturday] = []hours.Stretch{{Start: 480, End: 720}}
	was.Shifts.Exceptions = map[hours.Date][]hours.Stretch{other: nil}
	got := sitefile.Roster{Technician: "ada", Days: map[hours.Date][]hours.Stretch{eve: nil}}.Apply(was)
	if len(got.Shifts.Exceptions) != 2 || len(got.Shifts.Week[time.Saturday]) != 1 || got.Name != "Ada" {
		t.Errorf("dates only: %+v", got)
	}
	var week [7][]hours.Stretch
	week[time.Monday] = []hours.Stretch{{Start: 540, End: 960}}
	got = sitefile.Roster{Technician: "ada", Week: &week}.Apply(was)
	if len(got.Shifts.Week[time.Saturday]) != 0 || got.Shifts.Week[time.Monday][0].Start != 540 || len(got.Shifts.Exceptions) != 1 {
		t.Errorf("a week: %+v", got)
	}
	if len(was.Shifts.Exceptions) != 1 {
		t.Errorf("what stood was changed: %+v", was)
	}
}

func TestASheetOfBookings(t *testing.T) {
	w, err := readMapped("Order,Lift,People,Tools,Day,From,To,Note\n"+
		"W-1,\"Bay 1, two-post lift\",Ada Brook + ben,LK-1,3/12/2026,8:00,16:30,\n"+
		"W-2,,,TW-1,3/12/2026,,,all day\n"+
		"W-1,,,TW-1,4/12/2026,08:00:00,9:00,\n",
		"rows: bookings\ndates: D/M/YYYY\nlists: \"+\"\ncolumns: {reference: Order, bay: Lift, technicians: People, tools: Tools, start: [Day, From], end: [Day, To], note: Note}\nconstants: {state: confirmed}\n")
	if err != nil {
		t.Fatal(faultsOf(t, err))
	}
	day := hours.Range{Start: berlin(t, "2026-12-03 08:00"), End: berlin(t, "2026-12-03 16:30")}
	want := []sitefile.StandingBooking{
		{Reference: "W-1", State: site.Confirmed, Claims: []sitefile.Claim{
			{Kind: site.KindBay, Resource: "bay-1", During: day}, {Kind: site.KindTechnician, Resource: "ada", During: day},
			{Kind: site.KindTechnician, Resource: "ben", During: day}, {Kind: site.KindTool, Resource: "LK-1", During: day},
			{Kind: site.KindTool, Resource: "TW-1", During: hours.Range{Start: berlin(t, "2026-12-04 08:00"), End: berlin(t, "2026-12-04 09:00")}},
		}},
		{Reference: "W-2", State: site.Confirmed, Note: "all day", Claims: []sitefile.Claim{
			{Kind: site.KindTool, Resource: "TW-1", During: hours.Range{Start: berlin(t, "2026-12-03 00:00"), End: berlin(t, "2026-12-04 00:00")}},
		}},
	}
	if diff := cmp.Diff(want, w.Bookings, ignorePlaces); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestSheetsOfCalibrations(t *testing.T) {
	w, err := readMapped("Werkzeug;geprüft am;Intervall\nTW-1;31.08.2026;6\n",
		"rows: calibrations\ndates: DD.MM.YYYY\ncolumns: {tool: Werkzeug, date: geprüft am, months: Intervall}\n")
	if err != nil {
		t.Fatal(faultsOf(t, err))
	}
	// The month after six from August has 28 days: its last is meant.
	want := []sitefile.Calibration{{Tool: "TW-1", Until: berlin(t, "2027-03-01 00:00")}}
	if diff := cmp.Diff(want, w.Calibrations, ignorePlaces); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	w, err = readMapped("Werkzeug;Schein;Labor;Datum;U;Soll;Drehsinn;vorher;nachher\n"+
		"TW-1;K-77;Hafenlabor;20.11.2026;1,5 %;40;rechts;39,8 40,1;\n;;;;1 %;200;links;198,5 199;200,1 199,9\n",
		"rows: calibrations\ndates: DD.MM.YYYY\ndecimal: \",\"\ncolumns: {tool: Werkzeug, number: Schein, laboratory: Labor, date: Datum, uncertainty: U, torque: Soll, direction: Drehsinn, found: vorher, left: nachher}\n"+
			"constants: {rule: four-way}\nvalues: {direction: {rechts: cw, links: ccw}}\n")
	if err != nil {
		t.Fatal(faultsOf(t, err))
	}
	want = []sitefile.Calibration{{Tool: "TW-1", Certificate: &calibration.Certificate{
		Number: "K-77", Laboratory: "Hafenlabor", Date: hours.Date{Year: 2026, Month: 11, Day: 20}, Rule: calibration.FourWay,
		Points: []calibration.Point{
			{Nominal: 40, Direction: calibration.Clockwise, AsFound: []float64{39.8, 40.1}, Uncertainty: calibration.Uncertainty{Amount: 0.015, Relative: true, K: 2}},
			{Nominal: 200, Direction: calibration.Counterclockwise, AsFound: []float64{198.5, 199}, AsLeft: []float64{200.1, 199.9}, Uncertainty: calibration.Uncertainty{Amount: 0.01, Relative: true, K: 2}},
		},
	}}}
	if diff := cmp.Diff(want, w.Calibrations, ignorePlaces); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	if at := w.Calibrations[0].Place("points[1].as_found"); at != "t.csv:H3" {
		t.Errorf("the readings of the second point stand at %s", at)
	}
}

// Every wrong cell is told by its row and column, all at once, and what is wrong
// with the mapping at its line.
func TestFaultsOfSheets(t *testing.T) {
	const bookings = "rows: bookings\ndates: DD.MM.YYYY\ncolumns: {reference: Order, bay: Lift, technicians: Who, start: [Day, From], end: [Day, To]}\n"
	for name, c := range map[string]struct {
		table, mapping string
		want           []string
	}{
		"cells": {
			"Order;Lift;Who;Day;From;To\nW-1;Bay 9;Ada;31.02.2026;8:00;9:00\nW-2;bay-1;ada, Carl;03.12.2026;8h;25:00\n;bay-1;;04.12.2026;9:00;8:00\nW-4;bay-1;ada;12/03/2026;8:00;9:00\nW-5;bay-1\n",
			bookings,
			[]string{
				`t.csv:B2: "Lift" (bay): there is no bay "Bay 9"`, `t.csv:D2: "Day" (start): "31.02.2026" is no day: write it as DD.MM.YYYY`,
				`t.csv:C3: "Who" (technicians): there is no technician "Carl", by id or by name: say under values`, `t.csv:E3: "From" (start): "8h" is no time of day`,
				`t.csv:F3: "To" (end): "25:00" is no time of day: write it like 8:30`, `t.csv:A4: "Order" (reference): is missing`,
				`t.csv:F4: "To" (end): Fri 2026-12-04 08:00 is not after`, `t.csv:D5: "Day" (start): "12/03/2026" is no day`, `t.csv:6: the line has 2 columns`,
			},
		},
		"numbers": {
			"Id,Name,Use,Calibrated,Range,Months\na,A,torque,maybe,\"40,5-200 Nm\",six\nb,B,torque,x,40.5-200 Nm,6\n",
			"rows: tool_types\ncolumns: {id: Id, name: Name, purpose: Use, calibrated: Calibrated, torque: Range, calibration_months: Months}\n",
			[]string{`t.csv:D2: "Calibrated" (calibrated): "maybe" is neither yes nor no`, `t.csv:E2: "Range" (torque): "40,5-200 Nm" has a comma`, `t.csv:F2: "Months" (calibration_months): "six" is no whole number`},
		},
		"thousands": {
			"Id,Name,Use,Range\na,A,torque,40-1.200 Nm\n",
			"rows: tool_types\ndecimal: \",\"\ncolumns: {id: Id, name: Name, purpose: Use, torque: Range}\n",
			[]string{`t.csv:D2: "Range" (torque): "40-1.200 Nm" has a point`},
		},
		"shifts": {
			"Name,Day,From,To\nAda Brook,Mon,8:00,12:00\nAda Brook,Mon,11:00,15:00\nNobody,Someday,8:00,\n",
			"rows: shifts\ncolumns: {technician: Name, day: Day, from: From, to: To}\n",
			[]string{`t.csv:A2: "Name" (technician): ada, mon: `, `t.csv:A4: "Name" (technician): there is no technician "Nobody"`, `t.csv:B4: "Day" (day): "Someday" is neither a weekday`, `t.csv:D4: "To" (to): is missing`},
		},
		"a certificate said twice": {
			"T,N,L,D,Nm,F\nTW-1,K,Lab,2026-11-20,40,40\nTW-1,K,Other,2026-11-20,200,x\n",
			"rows: calibrations\ncolumns: {tool: T, number: N, laboratory: L, date: D, torque: Nm, found: F}\n",
			[]string{`t.csv:C3: "L" (laboratory): "Other" is not what row 2 says of the same, "Lab"`, `t.csv:F3: "F" (found): "x" is no number in newton metres`},
		},
		"columns that are not there": {
			"Nr;Art;Art\nA-1;lock;x\n", "rows: tools\ncolumns:\n  tag: Nummer\n  type: Art\n  home: =Z\n  nots: Nr\n",
			[]string{`m.yaml:6: nots: there is no such key here: did you mean note?`},
		},
		"columns that cannot be told": {
			"Nr;Art;Art\nA-1;lock;x\n", "rows: tools\ncolumns:\n  tag: Nummer\n  type: Art\n  home: =Z\n",
			[]string{`m.yaml:3: tag: t.csv has no column "Nummer" in row 1: they are Nr, Art, Art`, `m.yaml:4: type: t.csv has several columns "Art": write =B for the first`, `m.yaml:5: home: t.csv has no column Z: it ends with C`},
		},
		"a mapping": {
			"a\nb\n", "rows: tool\nseparator: x\ndates: DD.MM\ntimes: late\ndecimal: x\nheader: none\nconstants: {tag: A}\n",
			[]string{`m.yaml:1: rows: "tool" is not known: did you mean tools?`, `m.yaml:2: separator: `, `m.yaml:3: dates: "DD.MM" must have one day, one month and one year`, `m.yaml:4: times: `, `m.yaml:5: decimal: `, `m.yaml:6: header: `, `m.yaml:1: columns: is missing`},
		},
		"an empty mapping":         {"a\nb\n", "\n", []string{"m.yaml:1: the mapping is empty"}},
		"no mapping":               {"a\nb\n", "rows: [", []string{"m.yaml:1: this is no YAML"}},
		"a register with no dates": {"T\nTW-1\n", "rows: calibrations\ncolumns: {tool: T, number: T}\n", []string{`m.yaml:2: columns: until when are the tools in calibration?`, `m.yaml:2: number: number belongs to a certificate`}},
		"a constant, once": {
			"Nr\nA-1\nA-2\nA-3\n", "rows: tools\ncolumns: {tag: Nr}\nconstants:\n  type: lok\n",
			[]string{`m.yaml:4: type: there is no tool type "lok": did you mean lock?`},
		},
		"a header that is not there": {"a\nb\n", "rows: tools\nheader: 9\ncolumns: {tag: a}\n", []string{"t.csv:2: there is no row 9"}},
	} {
		_, err := readMapped(c.table, c.mapping)
		got := faultsOf(t, err)
		for _, want := range c.want {
			if !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, want) }) {
				t.Errorf("%s: %q is not among\n%s", name, want, strings.Join(got, "\n"))
			}
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: %d faults for %d things that are wrong:\n%s", name, len(got), len(c.want), strings.Join(got, "\n"))
		}
	}
}

// sheetForm is a way in which people write spreadsheets.
type sheetForm struct {
	comma, dates, layout, times, decimal, encoding string
	above                                          int  // rows above the one that names the columns
	split                                          bool // day and time of day in columns of their own
}

func anyForm(t *rapid.T) sheetForm {
	dates := rapid.SampledFrom([][2]string{
		{"DD.MM.YYYY", "02.01.2006"}, {"D.M.YYYY", "2.1.2006"}, {"M/D/YYYY", "1/2/2006"}, {"DD/MM/YY", "02/01/06"},
		{"YYYY-MM-DD", "2006-01-02"}, {"YYYY/MM/DD", "2006/01/02"}, {"D. M. YYYY", "2. 1. 2006"},
	}).Draw(t, "dates")
	return sheetForm{
		comma: rapid.SampledFrom([]string{",", ";", "tab", "|"}).Draw(t, "separator"), dates: dates[0], layout: dates[1],
		times:    rapid.SampledFrom([]string{"H:MM", "H.MM", "HHMM"}).Draw(t, "times"),
		decimal:  rapid.SampledFrom([]string{".", ","}).Draw(t, "decimal"),
		encoding: rapid.SampledFrom([]string{"utf-8", "windows-1252"}).Draw(t, "encoding"),
		above:    rapid.IntRange(0, 3).Draw(t, "rows above"), split: rapid.Bool().Draw(t, "split"),
	}
}

func (f sheetForm) clock(at time.Time) string {
	switch f.times {
	case "H.MM":
		return fmt.Sprintf("%d.%02d", at.Hour(), at.Minute())
	case "HHMM":
		return at.Format("1504")
	}
	return fmt.Sprintf("%d:%02d", at.Hour(), at.Minute())
}

// write puts cells together, each in quotes as a spreadsheet does where it must.
func (f sheetForm) write(t *rapid.T, rows [][]string) []byte {
	comma := strings.ReplaceAll(f.comma, "tab", "\t")
	var b strings.Builder
	for range f.above {
		b.WriteString("Our list" + strings.Repeat(comma, len(rows[0])-1) + "\r\n")
	}
	for _, row := range rows {
		for i, cell := range row {
			if i > 0 {
				b.WriteString(comma)
			}
			if strings.ContainsAny(cell, comma+"\"\n") {
				cell = `"` + strings.ReplaceAll(cell, `"`, `""`) + `"`
			}
			b.WriteString(cell)
		}
		b.WriteString("\r\n")
	}
	if f.encoding == "windows-1252" {
		out, err := charmap.Windows1252.NewEncoder().String(b.String())
		if err != nil {
			t.Fatal(err)
		}
		return []byte(out)
	}
	return []byte(b.String())
}

// However a sheet is written, with a mapping that says so it is read as the
// same things in a workshop file are.
func TestAnySheetReadsAsTheWorkshopFile(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		f := anyForm(t)
		head := []string{"Größe", "Auftrag №"[:7], "Lift", "Who", "Start", "End", "Remark"}
		if f.split {
			head = append(head, "from", "to")
		}
		order := rapid.Permutation(indices(len(head))).Draw(t, "order")
		rows := [][]string{permuted(head, order)}
		var plain strings.Builder
		plain.WriteString("bookings:\n")
		at := time.Date(2026, 11, 2, 0, 0, 0, 0, zone)
		for i := range rapid.IntRange(1, 5).Draw(t, "rows") {
			start := at.Add(time.Duration(rapid.IntRange(1, 40).Draw(t, "pause")) * 15 * time.Minute)
			end := start.Add(time.Duration(rapid.IntRange(1, 40).Draw(t, "length")) * 15 * time.Minute)
			at = end
			note := words("note", 20).Filter(func(s string) bool {
				_, err := charmap.Windows1252.NewEncoder().String(s)
				return err == nil
			}).Draw(t, "note")
			who := rapid.SampledFrom([]string{"ada", "Ada Brook", "ADA BROOK"}).Draw(t, "who")
			cells := []string{"x", fmt.Sprintf("W-%d", i), "Bay 1, two-post lift", who, start.Format(f.layout), end.Format(f.layout), note}
			if f.split {
				cells = append(cells, f.clock(start), f.clock(end))
			} else {
				cells[4] += " " + f.clock(start)
				cells[5] += " " + f.clock(end)
			}
			rows = append(rows, permuted(cells, order))
			fmt.Fprintf(&plain, "- {reference: W-%d, bay: bay-1, technicians: [ada], start: %q, end: %q, note: %q}\n",
				i, start.Format(time.RFC3339), end.Format(time.RFC3339), note)
		}
		start, end := "Start", "End"
		if f.split {
			start, end = "[Start, from]", "[End, to]"
		}
		mapping := fmt.Sprintf("rows: bookings\nseparator: %q\nencoding: %s\nheader: %d\ndates: %q\ntimes: %q\ncolumns: {reference: =%c, bay: Lift, technicians: Who, start: %s, end: %s, note: Remark}\n",
			f.comma, f.encoding, f.above+1, f.dates, f.times, 'A'+slices.Index(order, 1), start, end)
		opts := sitefile.Options{Now: wednesday, Known: named()}
		want, err := sitefile.Parse([]sitefile.File{{Name: "plain.yaml", Content: []byte(plain.String())}}, opts)
		if err != nil {
			t.Fatal(err, plain.String())
		}
		table := f.write(t, rows)
		got, err := sitefile.Parse([]sitefile.File{{Name: "t.csv", Content: table, Mapping: &sitefile.File{Name: "m.yaml", Content: []byte(mapping)}}}, opts)
		if err != nil {
			t.Fatalf("%v\n%s\n%s", fault.Fault(err).Fields, mapping, table)
		}
		if diff := cmp.Diff(want, got, ignorePlaces); diff != "" {
			t.Fatalf("-want +got:\n%s\n%s\n%s", diff, mapping, table)
		}
	})
}

func indices(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func permuted(cells []string, order []int) []string {
	out := make([]string, len(order))
	for i, from := range order {
		out[i] = cells[from]
	}
	return out
}

// A suggested mapping reads its own table, as far as the columns tell.
func TestSuggestedMappings(t *testing.T) {
	for name, c := range map[string]struct {
		table, rows string
		want        []string
	}{
		"tools":               {"Our tools;;\nAsset tag;Tool type;Location\nA-1;lock;Shelf\n", "", []string{"rows: tools ", "header: 2 ", "separator: \";\"", "  tag: Asset tag", "  home: Location"}},
		"shifts":              {"Name,Mon,Tue,Wednesday\nada,8:00-12:00,off,\n", "", []string{"rows: shifts", "  technician: Name", "  wed: Wednesday", "# sun: "}},
		"calibrations":        {"Tool No\tDue date\tPrice\nTW-1\t12/31/2027\t3\n", "", []string{"rows: calibrations", "separator: tab", "dates: MM/DD/YYYY", "  until: Due date", "=C Price"}},
		"bookings":            {"Job,Lift,Mechanic,Start,End\nW-1,bay-1,ada,03.12.2026 8:00,03.12.2026 9:00\n", "", []string{"rows: bookings", "dates: DD.MM.YYYY", "  technicians: Mechanic", "  start: Start"}},
		"said, no name known": {"a;b\n1;2\n", "tools", []string{"rows: tools ", "# tag: ", "=A a, =B b"}},
		"said":                {"a,b\n1,2\n", "tool_types", []string{"rows: tool_types", "# id: ", "=A a, =B b"}},
	} {
		got, err := sitefile.SuggestMapping(sitefile.File{Name: "t.csv", Content: []byte(c.table)}, c.rows)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(string(got), want) {
				t.Errorf("%s: no %q in\n%s", name, want, got)
			}
		}
		if c.rows != "" {
			continue
		}
		if _, err := readMapped(c.table, string(got)); err != nil {
			t.Errorf("%s: %q\n%s", name, faultsOf(t, err), got)
		}
	}
	for _, table := range []string{"", "\n", "a,b\n1,2\n"} {
		if _, err := sitefile.SuggestMapping(sitefile.File{Name: "t.csv", Content: []byte(table)}, ""); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%q: %v", table, err)
		}
	}
}

// FuzzMapping: whatever a table and its mapping are, they are read or refused
// with a place and a reason; and so is what is suggested for the table.
func FuzzMapping(f *testing.F) {
	f.Add([]byte("Nr;Art\nA-1;lock\n"), []byte("rows: tools\ncolumns: {tag: Nr, type: Art}\n"))
	f.Add([]byte("sep=;\nName;Mo\nada;8-12\n"), []byte("rows: shifts\ncolumns: {technician: Name, mon: =B}\nvalues: {mon: {8-12: off}}\n"))
	f.Add([]byte("T,N,L,D,Nm,F\nTW-1,K,Lab,2026-11-20,40,40\n"), []byte("rows: calibrations\ndates: YYYY-MM-DD\ncolumns: {tool: T, number: N, laboratory: L, date: D, torque: Nm, found: F}\n"))
	f.Add([]byte("o,a,b\nW-1,3.12.26 8.00,\n"), []byte("rows: bookings\ndates: D.M.YY\ntimes: H.MM\nencoding: utf-16\ncolumns: {reference: o, start: [a, b], end: b, tools: =A}\nleave_out: {a: [x]}\nreplace: {reference: [{W: V}]}\n"))
	f.Fuzz(func(t *testing.T, table, mapping []byte) {
		w, err := readMapped(string(table), string(mapping))
		switch fl := fault.Fault(err); {
		case err == nil && w == nil:
			t.Error("neither a workshop nor a fault")
		case err == nil:
		case fl == nil || fl.Kind != fault.Invalid && fl.Kind != fault.Exhausted:
			t.Errorf("no fault: %v", err)
		default:
			for _, field := range fl.Fields {
				if field.Message == "" || !strings.HasPrefix(field.Path, "t.csv:") && !strings.HasPrefix(field.Path, "m.yaml:") {
					t.Errorf("%q: %q", field.Path, field.Message)
				}
			}
		}
		if out, err := sitefile.SuggestMapping(sitefile.File{Name: "t.csv", Content: table}, "shifts"); err != nil && fault.KindOf(err) != fault.Invalid || err == nil && len(out) == 0 {
			t.Errorf("suggested: %v", err)
		}
	})
}
