package workshop

import (
	"slices"
	"strings"
	"testing"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// sheetIn is the intake of one table.
func sheetIn(table, mapping string, dry bool) Intake {
	return Intake{Site: "quay", ValidateOnly: dry, Files: []File{{
		Name: "t.csv", Content: []byte(table), Mapping: &File{Name: "m.yaml", Content: []byte(mapping)},
	}}}
}

// changesOf writes what an import tells as lines.
func changesOf(in Imported) []string {
	var out []string
	for _, c := range in.Changes {
		sign := "~ "
		if c.Added {
			sign = "+ "
		}
		for _, f := range c.Fields {
			out = append(out, sign+c.Kind+" "+c.ID+" "+f.Key+": "+f.Before+" > "+f.After)
		}
	}
	return out
}

const shiftMapping = "rows: shifts\ncolumns: {technician: Name, mon: Mon, tue: Tue, fri: Fri}\n"

func TestShiftsFromASheet(t *testing.T) {
	t.Parallel()
	w := small(t)
	const table = "Name,Mon,Tue,Fri\nAda,8-12,\"8:00-12:00, 13:00-17:00\",off\n"
	dry, err := w.Import(t.Context(), act("import"), sheetIn(table, shiftMapping, true))
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"~ technician ada mon: 08:00-12:00, 13:00-17:00 > 08:00-12:00", "~ technician ada wed: 08:00-12:00, 13:00-17:00 > off",
		"~ technician ada thu: 08:00-12:00, 13:00-17:00 > off", "~ technician ada fri: 08:00-12:00, 13:00-17:00 > off",
	}
	if got := changesOf(dry); !slices.Equal(got, want) {
		t.Errorf("the difference is\n%s", strings.Join(got, "\n"))
	}
	still, err := w.Technician(t.Context(), "quay", "ada")
	if err != nil || len(still.Shifts.Week[1]) != 2 {
		t.Errorf("a dry run wrote %+v: %v", still, err)
	}
	for _, changed := range []int{1, 0} { // the second time nothing is left to change
		out, err := w.Import(t.Context(), act("import"), sheetIn(table, shiftMapping, false))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range out.Counts {
			if c.Added != 0 || c.Kind == "technician" && c.Changed != changed || c.Kind != "technician" && c.Changed != 0 {
				t.Errorf("counted %+v", c)
			}
		}
		if len(out.Changes) != 0 {
			t.Errorf("what was written is told one by one: %+v", out.Changes)
		}
	}
	now, err := w.Technician(t.Context(), "quay", "ada")
	if err != nil || len(now.Shifts.Week[1]) != 1 || len(now.Shifts.Week[5]) != 0 || now.Name != "Ada" || len(now.Skills) != 2 {
		t.Errorf("stands %+v: %v", now, err)
	}
}

const bookingMapping = "rows: bookings\ndates: DD.MM.YYYY\ncolumns: {reference: Order, bay: Bay, technicians: Who, tools: Tool, start: [Day, From], end: [Day, To]}\n"

// What others hold is told for every row at once, by cell, and nothing is
// written; the same sheet without those rows is taken in as a whole.
func TestBookingsFromASheet(t *testing.T) {
	t.Parallel()
	w := small(t)
	reserved, err := w.Reserve(t.Context(), act("reserve"), Reservation{
		Reference: "W-77", Refs: []Ref{{Kind: site.KindBay, ID: "bay-1"}, {Kind: site.KindTechnician, ID: "cem"}}, State: site.Confirmed,
		During: hours.Range{Start: local(20, 9, 0), End: local(20, 11, 0)},
	})
	if err != nil {
		t.Fatal(err)
	}
	const head = "Order,Bay,Who,Tool,Day,From,To\n"
	const good = "W-500,bay-2,ada,,20.05.2031,8:00,12:00\nW-500,,,LK-1,20.05.2031,9:00,10:00\n"
	_, err = w.Import(t.Context(), act("import"), sheetIn(head+good+"W-501,bay-1,,,20.05.2031,8:00,9:30\nW-502,,\"cem, ben\",,20.05.2031,10:30,13:00\nW-503,bay-1,,,20.05.2031,11:00,12:00\n", bookingMapping, false))
	f := fault.Fault(err)
	if f == nil || f.Kind != fault.LostRace || f.Reason != "BOOKED" || len(f.Fields) != 2 ||
		f.Fields[0].Path != "t.csv:B4" || f.Fields[1].Path != "t.csv:C5" || !strings.Contains(f.Fields[1].Message, "cem is booked for W-77 from 2031-05-20 09:00") {
		t.Fatalf("got %+v", err)
	}
	if len(f.Held) != 2 || f.Held[0].Reference != "W-77" {
		t.Errorf("held by %+v of %+v", f.Held, reserved)
	}
	during := Span{During: hours.Range{Start: local(20, 0, 0), End: local(21, 0, 0)}}
	list, err := w.Bookings(t.Context(), "quay", during, nil, 0)
	if err != nil || len(list) != 2 {
		t.Fatalf("something was written: %+v, %v", list, err)
	}
	out, err := w.Import(t.Context(), act("import"), sheetIn(head+good, bookingMapping, false))
	if err != nil {
		t.Fatal(err)
	}
	if c := out.Counts[len(out.Counts)-1]; c.Kind != "standing booking" || c.Added != 1 {
		t.Errorf("counted %+v", out.Counts)
	}
	// Two jobs change places: none is in the other's way.
	again := strings.ReplaceAll(good, "W-500", "W-501") + strings.ReplaceAll(strings.ReplaceAll(good, "8:00,12:00", "13:00,15:00"), "9:00,10:00", "13:00,14:00")
	dry, err := w.Import(t.Context(), act("import"), sheetIn(head+again, bookingMapping, true))
	if err != nil {
		t.Fatal(err)
	}
	if got := changesOf(dry); !slices.Contains(got, "~ standing booking W-500 LK-1: 2031-05-20 09:00 to 10:00 > 2031-05-20 13:00 to 14:00") ||
		!slices.Contains(got, "+ standing booking W-501 bay-2:  > 2031-05-20 08:00 to 12:00") {
		t.Errorf("the difference is\n%s", strings.Join(got, "\n"))
	}
	if _, err := w.Import(t.Context(), act("import"), sheetIn(head+again, bookingMapping, false)); err != nil {
		t.Error(err)
	}
}

const dueMapping = "rows: calibrations\ncolumns: {tool: Tool, until: Due}\n"

func TestCalibrationsFromASheet(t *testing.T) {
	t.Parallel()
	w := small(t)
	tagged := func(tag string) site.Tool {
		v, err := w.Tool(t.Context(), "quay", tag)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	out, err := w.Import(t.Context(), act("import"), sheetIn("Tool,Due\nTW-2,2031-06-30\nTX-9,2031-05-13\n", dueMapping, false))
	if err != nil {
		t.Fatal(err)
	}
	if !tagged("TW-2").CalibratedUntil.Equal(local(32+30, 0, 0)) { // the day is included: to the first of July
		t.Errorf("TW-2 stands to %v", tagged("TW-2").CalibratedUntil)
	}
	for _, c := range out.Counts {
		if c.Kind == "calibration" && (c.Changed != 1 || c.Unchanged != 1 || c.Added != 0) {
			t.Errorf("counted %+v", c)
		}
	}
	const certMapping = "rows: calibrations\ncolumns: {tool: Tool, number: No, laboratory: Lab, date: Date, torque: Nm, found: Found}\n"
	const certs = "Tool,No,Lab,Date,Nm,Found\nTW-1,K-1,Harbour,2031-05-02,40,40.1 40 40.2 40 40.1\n,,,,120,120 120 120 120 120\n,,,,200,200 200 201 200 200\n"
	for _, added := range []int{1, 0} {
		out, err := w.Import(t.Context(), act("import"), sheetIn(certs, certMapping, false))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range out.Counts {
			if c.Kind == "calibration" && c.Added != added {
				t.Errorf("counted %+v, want %d new", c, added)
			}
		}
	}
	if until := tagged("TW-1").CalibratedUntil; !until.After(local(300, 0, 0)) {
		t.Errorf("after its certificate TW-1 stands to %v", until)
	}
	// What is wrong is told by cell, all at once; nothing of it is written.
	for _, c := range []struct {
		table, mapping string
		want           []string
	}{
		{"Tool,Due\nTW-1,2031-06-30\nLK-1,2031-06-30\nTX-9,2031-12-31\n", dueMapping, []string{"t.csv:A2 until when TW-1", "t.csv:A3 LK-1 is of type brill-locks, which needs no calibration"}},
		{strings.Replace(certs, "Harbour", "Other", 1), certMapping, []string{"t.csv:B2 TW-1 has a certificate K-1 with other content"}},
		{
			"Tool,No,Lab,Date,Nm,Found\nTW-1,K-2,Harbour,2032-01-01,40,40\n,,,,400,400\nTX-9,K-3,Harbour,2031-05-01,50,50 50 50 50 50\n", certMapping,
			[]string{"t.csv:D2 date: 2032-01-01 is in the future", "t.csv:E3 points[1].nominal: 400 N·m is outside the tool's range"},
		},
	} {
		_, err := w.Import(t.Context(), act("import"), sheetIn(c.table, c.mapping, false))
		f := fault.Fault(err)
		if f == nil || f.Reason != "BAD_FILE" {
			t.Errorf("%s: %v", c.table, err)
			continue
		}
		for i, want := range c.want {
			if i >= len(f.Fields) || !strings.HasPrefix(f.Fields[i].Path+" "+f.Fields[i].Message, want) {
				t.Errorf("want %q in %+v", want, f.Fields)
			}
		}
	}
	if !tagged("TX-9").CalibratedUntil.Equal(local(14, 0, 0)) {
		t.Errorf("TX-9 stands to %v: a row of a sheet with faults was written", tagged("TX-9").CalibratedUntil)
	}
}

// Whoever may not record a certificate may not take one in either.
func TestCalibrationsFromASheetAreForAdministrators(t *testing.T) {
	t.Parallel()
	w := small(t)
	as := func(roles ...access.Role) error {
		a := act("import")
		a.Caller = access.Caller{Site: "quay", User: "max", Roles: roles}
		_, err := w.Import(t.Context(), a, sheetIn("Tool,Due\nTW-2,2031-06-30\n", dueMapping, true))
		return err
	}
	wantKind(t, as(access.Manager), fault.Forbidden, "ROLE")
	if err := as(access.Administrator); err != nil {
		t.Error(err)
	}
}
