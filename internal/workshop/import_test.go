package workshop

import (
	"bytes"
	"strings"
	"testing"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

func TestSecondImportChangesNothing(t *testing.T) {
	t.Parallel()
	w := small(t)
	before, err := w.Site(t.Context(), "quay")
	if err != nil {
		t.Fatal(err)
	}
	again, err := w.Import(t.Context(), act("import"), intake(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range again.Counts {
		if c.Added != 0 || c.Changed != 0 || c.Unchanged == 0 {
			t.Errorf("the second import says %+v", c)
		}
	}
	if again.Site.Revision != before.Revision {
		t.Errorf("revision went from %d to %d", before.Revision, again.Site.Revision)
	}
}

func TestImportOfAChange(t *testing.T) {
	t.Parallel()
	w := small(t)
	in := intake(t)
	in.Files[0].Content = bytes.Replace(in.Files[0].Content, []byte("name: Bay 1"), []byte("name: Bay One"), 1)
	in.Files[0].Content = bytes.Replace(in.Files[0].Content, []byte("end: 2031-05-15 12:00"), []byte("end: 2031-05-15 13:00"), 1)
	in.ValidateOnly = true
	for _, dry := range []bool{true, false} {
		in.ValidateOnly = dry
		out, err := w.Import(t.Context(), act("import"), in)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range out.Counts {
			want := 0
			if c.Kind == "bay" || c.Kind == "standing booking" {
				want = 1
			}
			if c.Changed != want || c.Added != 0 {
				t.Errorf("dry %v: %+v", dry, c)
			}
		}
	}
	bay, err := w.Bay(t.Context(), "quay", "bay-1")
	if err != nil || bay.Name != "Bay One" {
		t.Errorf("bay %+v: %v", bay, err)
	}
	list, err := w.Bookings(t.Context(), "quay", Span{During: hours.Range{Start: local(15, 0, 0), End: local(16, 0, 0)}}, nil, 0)
	if err != nil || len(list) != 1 || !list[0].During.End.Equal(local(15, 13, 0)) {
		t.Errorf("bookings %+v: %v", list, err)
	}
}

func TestIssuedProcedureNeverChanges(t *testing.T) {
	t.Parallel()
	w := small(t)
	in := intake(t)
	in.Files[0].Content = bytes.Replace(in.Files[0].Content, []byte("        estimate: 90"), []byte("        estimate: 95"), 1)
	_, err := w.Import(t.Context(), act("import"), in)
	wantKind(t, err, fault.Invalid, "ISSUED")
	// A draft may change.
	in = intake(t)
	in.Files[0].Content = bytes.Replace(in.Files[0].Content, []byte("title: Look, estimate: 10"), []byte("title: Look, estimate: 20"), 1)
	if _, err := w.Import(t.Context(), act("import"), in); err != nil {
		t.Error(err)
	}
}

func TestFaultyFileWritesNothing(t *testing.T) {
	t.Parallel()
	w := small(t)
	in := Intake{Site: "quay", Files: []File{{Name: "more.yaml", Content: []byte(strings.Join([]string{
		"bays:",
		"  - {id: bay-3, name: Bay 3}",
		"tools:",
		"  - {tag: LK-2, type: brill-lock}",
		"  - {tag: LK-2, type: brill-locks}",
	}, "\n"))}}}
	_, err := w.Import(t.Context(), act("import"), in)
	f := fault.Fault(err)
	if f == nil || f.Kind != fault.Invalid || len(f.Fields) < 2 {
		t.Fatalf("got %v", err)
	}
	for _, field := range f.Fields {
		if !strings.HasPrefix(field.Path, "more.yaml:") {
			t.Errorf("fault %+v does not say where", field)
		}
	}
	_, err = w.Bay(t.Context(), "quay", "bay-3")
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
}

// A torque of 1000 N·m on an M10 of class 10.9, which bears about 75 N·m at 90 %
// of its yield (VDI 2230), is a question to the author, not a silent refusal.
func TestADoubtfulTorqueMustBeAccepted(t *testing.T) {
	t.Parallel()
	w := small(t)
	file := func(accepted string) Intake {
		return Intake{Site: "quay", Files: []File{{Name: "doubt.yaml", Content: []byte(`
procedures:
  - id: doubtful
    title: Doubtful
    family: brill-four
    steps:
      - id: tighten
        title: Tighten
        estimate: 10
        torque: {fasteners: 1, thread: M10x1.25, class: 10.9, stages: 1000 Nm` + accepted + `}
`)}}}
	}
	_, err := w.Import(t.Context(), act("import"), file(""))
	f := fault.Fault(err)
	if f == nil || f.Reason != "DOUBTS" || len(f.Fields) != 1 || f.Fields[0].Path != "doubt.yaml:10" ||
		!strings.Contains(f.Fields[0].Message, "torque-high:1000") {
		t.Fatalf("got %v", err)
	}
	if _, err := w.Import(t.Context(), act("import"), file(`, accepted: ["torque-high:1000"]`)); err != nil {
		t.Errorf("accepted: %v", err)
	}
}

func TestImportNeedsToKnowTheSite(t *testing.T) {
	t.Parallel()
	w := small(t)
	file := []File{{Name: "bay.yaml", Content: []byte("bays:\n  - {id: bay-3, name: Bay 3}\n")}}
	if _, err := w.Import(t.Context(), act("import"), Intake{Files: file}); err != nil {
		t.Errorf("for the one site that there is: %v", err)
	}
	_, err := w.Import(t.Context(), act("import"), Intake{Site: "other", Files: []File{{
		Name: "other.yaml", Content: []byte("site: {id: other, name: Other, time_zone: UTC}\n"),
	}}})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.Import(t.Context(), act("import"), Intake{Files: file})
	wantKind(t, err, fault.Invalid, "SITE")
	_, err = w.Import(t.Context(), act("import"), Intake{Files: file, Site: "elsewhere"})
	if k := fault.KindOf(err); k != fault.NotFound && k != fault.Invalid {
		t.Errorf("for a site that does not exist: %v", err)
	}
	if _, err := w.Import(t.Context(), act("import"), Intake{Files: file, Site: "quay"}); err != nil {
		t.Error(err)
	}
}

func TestToolsFreeAndDue(t *testing.T) {
	t.Parallel()
	w := small(t)
	tags := func(q ToolQuery) string {
		found, err := w.Tools(t.Context(), "quay", q)
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, v := range found.Tools {
			out = append(out, v.Tag)
		}
		return strings.Join(out, " ")
	}
	// On the morning of the 15th the locks are booked, TW-2 is out of
	// calibration, the jig quarantined.
	morning := hours.Range{Start: local(15, 9, 0), End: local(15, 11, 0)}
	if got := tags(ToolQuery{Free: morning}); got != "MU-1 TW-1" {
		t.Errorf("free: %s", got)
	}
	if got := tags(ToolQuery{Free: hours.Range{Start: local(15, 12, 0), End: local(15, 13, 0)}, Type: "brill-locks"}); got != "LK-1" {
		t.Errorf("free from noon: %s", got)
	}
	if got := tags(ToolQuery{CalibrationBy: local(22, 10, 0)}); got != "TW-1 TW-2 TX-9" {
		t.Errorf("out of calibration: %s", got)
	}
	if _, err := w.Reserve(t.Context(), act("reserve"), Reservation{
		Reference: "W-400", Refs: []Ref{{Kind: site.KindTool, ID: "TW-1"}}, State: site.Confirmed,
		During: hours.Range{Start: local(22, 8, 0), End: local(22, 9, 45)},
	}); err != nil {
		t.Fatal(err)
	}
	edited, err := w.EditTool(t.Context(), act("edit"), "TW-1", func(v *site.Tool) { v.CalibratedUntil = local(20, 0, 0) })
	if err != nil || len(edited.Affected) != 1 || edited.Affected[0].Reference != "W-400" {
		t.Errorf("affected %+v: %v", edited.Affected, err)
	}
	found, err := w.Tools(t.Context(), "quay", ToolQuery{CalibrationBy: local(22, 0, 0)})
	if err != nil || len(found.Affected) != 1 {
		t.Errorf("hit by the calibration: %+v, %v", found.Affected, err)
	}
}
