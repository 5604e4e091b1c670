package sitefile_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/sitefile"
)

func readTable(files ...string) (*sitefile.Workshop, error) {
	var list []sitefile.File
	for i, content := range files {
		list = append(list, sitefile.File{Name: fmt.Sprintf("t%d.csv", i), Content: []byte(content)})
	}
	return sitefile.Parse(list, sitefile.Options{Now: wednesday, Known: known(), ToolsOnly: true})
}

// The quoting is that of RFC 4180, section 2: rules 5 to 7, and line ends of CR LF.
func TestTables(t *testing.T) {
	w, err := readTable(
		"id,name,purpose,families,torque,iso,permissible,calibrated,calibration_months,pieces\r\n"+
			"\"set\",\"Locking set, \"\"four\"\"\",locking,four,,,,,,\"cam plate=2; pin = 1\"\r\n"+
			"tw,Wrench,TORQUE,,40-200 Nm,II A,4 %,true,6,\r\n",
		"\uFEFFtag,type,home,note,condition,missing,photo\n"+
			"SET-1,set,\"Cabinet A1\",\"first line\nsecond\",UNSERVICEABLE,pin=1,https://files.example.org/a?b=c\n"+
			"TW-1,tw,,,,,\n")
	if err != nil {
		t.Fatal(err)
	}
	want := &sitefile.Workshop{
		ToolTypes: []site.ToolType{
			{ID: "set", Name: `Locking set, "four"`, Purpose: site.Locking, Families: []string{"four"}, Pieces: []site.Piece{{Name: "cam plate", Count: 2}, {Name: "pin", Count: 1}}},
			{ID: "tw", Name: "Wrench", Purpose: site.Torque, TorqueMin: 40, TorqueMax: 200, ISOType: "II", ISOClass: "A", Permissible: 0.04, Calibrated: true, CalibrationMonths: 6},
		},
		Tools: []site.Tool{
			{Tag: "SET-1", Type: "set", Condition: site.Unserviceable, ConditionNote: "first line\nsecond", Home: "Cabinet A1", PhotoURL: "https://files.example.org/a?b=c", Missing: []site.Piece{{Name: "pin", Count: 1}}},
			{Tag: "TW-1", Type: "tw", Condition: site.Serviceable},
		},
		Unjudged: []string{"TW-1"},
	}
	if diff := cmp.Diff(want, w, cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// Every faulty cell is told, by the name that spreadsheets have for it.
func TestFaultsOfTables(t *testing.T) {
	for name, c := range map[string]struct {
		content string
		want    []string // in this order
	}{
		"columns": {"tag,typ,home,home\nA,lock,,\n", []string{`t0.csv:1: there is no column "typ": did you mean type?`, `t0.csv:1: column "home" stands here twice`}},
		"lines": {
			"tag,type,condition,condition_until,photo,missing\n" +
				"lk-1,lock,,,,\n" +
				"LK-2,lok,,,,\n" +
				"LK-3,lock,SHINY,,,\n" +
				"LK-4,lock,,\n" +
				"LK-5,lock,,2026-12-01,,\n" +
				"LK-6,lock,,,http://files.example.org/a.jpg,\n" +
				"LK-7,lock,UNSERVICEABLE,,,pin=1\n" +
				"LK-7,lock,UNSERVICEABLE,,,pin\n",
			[]string{
				"t0.csv:A2: tag: ", "t0.csv:B3: type: there is no tool type", "t0.csv:C4: condition: ", "t0.csv:5: the line has 4 columns, and the first line names 6",
				"t0.csv:D6: condition_until: ", "t0.csv:E7: photo: ", "t0.csv:F8: missing: the set has no piece", "t0.csv:F9: missing: ", "t0.csv:A9: tag: there are two tools",
			},
		},
		"types":        {"id,name,purpose,torque,pieces\nx,,LOCKING,40-200 Nm,pin=0\n", []string{"t0.csv:B2: name: ", "t0.csv:E2: pieces", "t0.csv:D2: torque: "}},
		"broken quote": {"tag,type\nA-1,nothing\nB-1,\"lock\nC-1,lock\n", []string{"t0.csv:B2: type: ", "t0.csv:3: this is no CSV from here on"}},
		"empty":        {"", []string{"t0.csv:1: the file is empty"}},
		"not UTF-8":    {"tag,type\nA-1,\xff\n", []string{"t0.csv:2: the text is not valid UTF-8"}},
	} {
		_, err := readTable(c.content)
		f := fault.Fault(err)
		if f == nil || f.Reason != "BAD_FILE" {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var got []string
		for _, field := range f.Fields {
			got = append(got, field.Path+": "+field.Message)
		}
		for _, want := range c.want {
			at := slices.IndexFunc(got, func(s string) bool { return strings.HasPrefix(s, want) })
			if at < 0 {
				t.Errorf("%s: %q is not among, or not in order of\n%s", name, want, strings.Join(got, "\n"))
			}
		}
	}
}

func TestOnlyToolsMayComeAsTools(t *testing.T) {
	_, err := sitefile.Parse([]sitefile.File{{Name: "f.yaml", Content: []byte("bays:\n  - {id: bay-9, name: Nine}\n")}},
		sitefile.Options{Now: wednesday, Known: known(), ToolsOnly: true})
	if f := fault.Fault(err); f == nil || !strings.Contains(f.Error(), "the keys are tool_types, tools") {
		t.Errorf("got %v", err)
	}
}

// words are any that a name may have.
func words(label string, limit int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		s := rapid.OneOf(
			rapid.StringN(0, limit, -1),
			rapid.SampledFrom([]string{"", "null", "~", "true", "42", "2026-12-01", "- a", "a: b", `say "so"`, "#x", "=1+1", "x,y", "{", "'", "a\tb", "no\u0085", "\u2028x"}),
		).Draw(t, label)
		return strings.TrimSpace(strings.Map(func(r rune) rune {
			if r < ' ' || r >= 0x7f && r < 0xa0 || r == 0xfffd {
				return -1
			}
			return r
		}, s))
	})
}

func pieceLists(t *rapid.T, label string) []site.Piece {
	names := rapid.SliceOfNDistinct(words("piece", 12).Filter(func(s string) bool { return s != "" && !strings.ContainsAny(s, "=;") }), 0, 4, rapid.ID[string]).Draw(t, label)
	var out []site.Piece
	for _, n := range names {
		out = append(out, site.Piece{Name: n, Count: rapid.IntRange(1, 40).Draw(t, "count")})
	}
	return out
}

func anyType(t *rapid.T, id string) site.ToolType {
	v := site.ToolType{
		ID: id, Name: words("name", 60).Filter(func(s string) bool { return s != "" }).Draw(t, "name"),
		Purpose: rapid.SampledFrom(site.Purposes()).Draw(t, "purpose"), Drive: words("drive", 20).Draw(t, "drive"),
		Resolution: rapid.Float64Range(0, 5).Draw(t, "resolution"), Length: rapid.Float64Range(0, 5000).Draw(t, "length"),
		Ratio: rapid.Float64Range(0, 200).Draw(t, "ratio"), Calibrated: rapid.Bool().Draw(t, "calibrated"),
		CalibrationMonths: rapid.IntRange(0, 240).Draw(t, "months"), CalibrationCycles: rapid.IntRange(0, 1_000_000).Draw(t, "cycles"),
		Pieces: pieceLists(t, "pieces"),
	}
	if rapid.Bool().Draw(t, "fits one") {
		v.Families = []string{"four"}
	}
	if v.Purpose == site.Torque {
		v.TorqueMin = rapid.Float64Range(0.01, 100).Draw(t, "min")
		v.TorqueMax = rapid.Float64Range(v.TorqueMin, 100_000).Draw(t, "max")
		v.Permissible = rapid.SampledFrom([]float64{0, 0.04, 0.07, 0.1 + 0.2, 1.0 / 3, 0.5}).Draw(t, "permissible")
		if rapid.Bool().Draw(t, "iso") {
			v.ISOType, v.ISOClass = "II", rapid.SampledFrom([]string{"A", "G"}).Draw(t, "class")
		}
	}
	return v
}

func anyTool(t *rapid.T, tag string, kind site.ToolType) site.Tool {
	moment := rapid.Custom(func(t *rapid.T) time.Time {
		if rapid.Bool().Draw(t, "none") {
			return time.Time{}
		}
		return wednesday.UTC().Truncate(time.Minute).Add(time.Duration(rapid.IntRange(-1e6, 1e6).Draw(t, "minutes")) * time.Minute)
	})
	v := site.Tool{
		Tag: tag, Type: kind.ID, Condition: rapid.SampledFrom(site.Conditions()).Draw(t, "condition"),
		ConditionNote: words("note", 80).Draw(t, "note"), CalibratedUntil: moment.Draw(t, "calibrated"), Home: words("home", 30).Draw(t, "home"),
		PhotoURL: rapid.SampledFrom([]string{"", "https://files.example.org/a,b;c=%22d%22"}).Draw(t, "photo"),
	}
	if v.Condition == site.Quarantined || v.Condition == site.Away {
		v.ConditionUntil = moment.Draw(t, "until")
	}
	if len(kind.Pieces) > 0 && v.Condition != site.Serviceable {
		v.Missing = []site.Piece{{Name: kind.Pieces[0].Name, Count: 1}}
	}
	return v
}

// What is written is read back to the same, by either way.
func TestExportsAreReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var types []site.ToolType
		var tools []site.Tool
		for i := range rapid.IntRange(1, 3).Draw(t, "types") {
			types = append(types, anyType(t, fmt.Sprintf("type-%d", i)))
		}
		for i := range rapid.IntRange(0, 4).Draw(t, "tools") {
			kind := rapid.SampledFrom(types).Draw(t, "of type")
			tools = append(tools, anyTool(t, fmt.Sprintf("T-%d", i), kind))
		}
		written, err := sitefile.ToolsYAML(types, tools)
		if err != nil {
			t.Fatal(err)
		}
		typeTable, err := sitefile.ToolTypesCSV(types)
		if err != nil {
			t.Fatal(err)
		}
		toolTable, err := sitefile.ToolsCSV(tools)
		if err != nil {
			t.Fatal(err)
		}
		want := &sitefile.Workshop{ToolTypes: types, Tools: tools}
		for _, files := range [][]sitefile.File{
			{{Name: "all.yaml", Content: written}},
			{{Name: "types.csv", Content: typeTable}, {Name: "tools.CSV", Content: toolTable}},
		} {
			got, err := sitefile.Parse(files, sitefile.Options{Now: wednesday, Known: known(), ToolsOnly: true})
			if err != nil {
				t.Fatalf("%v in\n%s", err, files[len(files)-1].Content)
			}
			if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
				t.Fatalf("-want +got:\n%s\nin\n%s", diff, files[len(files)-1].Content)
			}
		}
	})
}

// FuzzTable: whatever the bytes are, they are read or refused with a line and a
// reason.
func FuzzTable(f *testing.F) {
	f.Add([]byte("tag,type,condition,missing\nLK-2,lock,LOST,pin=1\n"))
	f.Add([]byte("id,name,purpose,torque,pieces\r\nx,X,TORQUE,40-200 Nm,\"a=1; b=2\"\r\n"))
	f.Add([]byte("tag,type\n\"A\"\"B,lock\nC-1,\"lock"))
	f.Fuzz(func(t *testing.T, content []byte) {
		w, err := readTable(string(content))
		switch fl := fault.Fault(err); {
		case err == nil && w == nil:
			t.Error("neither a workshop nor a fault")
		case err == nil:
		case fl == nil || fl.Kind != fault.Invalid && fl.Kind != fault.Exhausted:
			t.Errorf("no fault: %v", err)
		default:
			for _, field := range fl.Fields {
				if field.Message == "" || !strings.HasPrefix(field.Path, "t0.csv:") {
					t.Errorf("%q: %q", field.Path, field.Message)
				}
			}
		}
	})
}
