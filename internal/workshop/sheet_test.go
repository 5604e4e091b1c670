package workshop

import (
	"slices"
	"strings"
	"testing"
	"time"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

func TestSettingsAreToldOrTheReasonWhyNot(t *testing.T) {
	t.Parallel()
	wrench := site.ToolType{ID: "wrench", Purpose: site.Torque, TorqueMin: 40, TorqueMax: 200, Length: 400}
	unmeasured := wrench
	unmeasured.Length = 0
	multiplier := site.ToolType{ID: "multiplier", Purpose: site.Torque, TorqueMin: 100, TorqueMax: 1000, Ratio: 5}
	crowfoot := &torque.Adapter{Extension: 100}
	for name, c := range map[string]struct {
		kind    site.ToolType
		work    procedure.Torque
		set     []float64
		problem string
	}{
		"as wanted": {kind: wrench, work: procedure.Torque{Stages: []torque.Stage{{Torque: 60}, {Angle: 90}}}, set: []float64{60, 0}},
		// T·L/(L+E) with T 100 N·m, L 400 mm, E 100 mm is 80 N·m.
		"adapter":                      {kind: wrench, work: procedure.Torque{Stages: []torque.Stage{{Torque: 100}}, Adapter: crowfoot}, set: []float64{80}},
		"adapter, length unknown":      {kind: unmeasured, work: procedure.Torque{Stages: []torque.Stage{{Torque: 100}}, Adapter: crowfoot}, problem: "length must be known"},
		"adapter takes it below range": {kind: wrench, work: procedure.Torque{Stages: []torque.Stage{{Torque: 45}}, Adapter: crowfoot}, problem: "begins at 40 N·m"},
		"multiplier":                   {kind: multiplier, work: procedure.Torque{Stages: []torque.Stage{{Torque: 500}, {Angle: 90}}}, set: []float64{100, 0}},
		"multiplier with adapter":      {kind: multiplier, work: procedure.Torque{Stages: []torque.Stage{{Torque: 500}}, Adapter: crowfoot}, problem: "takes no adapter"},
	} {
		set, problem := settings(c.work, c.kind)
		if !slices.Equal(set, c.set) || !strings.Contains(problem, c.problem) || (problem == "") != (c.problem == "") {
			t.Errorf("%s: set %v, problem %q", name, set, problem)
		}
	}
}

func TestCautionsOfAPreparationComeBeforeItsFirstStepOnTheSheet(t *testing.T) {
	t.Parallel()
	hot := procedure.Caution{Signal: procedure.Cautn, Text: "hot"}
	load := procedure.Caution{Signal: procedure.Danger, Text: "load"}
	m := sheetMaker{net: procedure.Network{
		Steps: []procedure.NetStep{{ID: "up/a", Owner: "up"}, {ID: "up/b", Owner: "up"}},
		Cautions: []procedure.NetCaution{
			{Step: 0, From: "up", Caution: load}, {Step: 1, Caution: hot}, {Step: 1, Caution: load},
		},
	}}
	for name, c := range map[string]struct {
		step  int
		first bool
		want  []procedure.Caution
	}{
		"first in the network":      {0, true, []procedure.Caution{load}},
		"second, but first in time": {1, true, []procedure.Caution{load, hot}},
		"not the first":             {0, false, nil},
	} {
		if got := m.cautions(c.step, c.first, time.Time{}); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

func TestSheetTellsWhereItStands(t *testing.T) {
	t.Parallel()
	w := small(t)
	booked, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	s, err := w.Sheet(t.Context(), "quay", booked.Job.ID)
	if err != nil {
		t.Fatal(err)
	}
	if s.Bay != "Bay 1" && s.Bay != "Bay 2" || s.Newest["chain"] != 1 {
		t.Errorf("bay %q, newest versions %v", s.Bay, s.Newest)
	}
	parts := map[OwnerPart]int{}
	for _, l := range s.Lines {
		parts[l.Part]++
		if l.ID == "" || l.Owner == "" {
			t.Errorf("line %d: id %q, owner %q", l.Number, l.ID, l.Owner)
		}
	}
	if parts[SetUp] != 2 || parts[PutBack] != 2 || parts[""] != 2 {
		t.Errorf("steps by list: %v", parts)
	}
	locks := slices.IndexFunc(s.Spans, func(s SheetSpan) bool { return s.Tag == "LK-1" })
	if locks < 0 || len(s.Spans[locks].Pieces) != 2 || s.Spans[locks].Condition != site.Serviceable || s.Spans[locks].Calibrated {
		t.Errorf("spans: %+v", s.Spans)
	}
	if _, err := w.Cancel(t.Context(), act("cancel"), booked.Job.ID, "not wanted"); err != nil {
		t.Fatal(err)
	}
	gone, err := w.Sheet(t.Context(), "quay", booked.Job.ID)
	if err != nil || gone.Job.State != site.Cancelled || gone.Bay != s.Bay || len(gone.Spans) != len(s.Spans) {
		t.Errorf("after it is cancelled: %v, bay %q, %d spans, %v", gone.Job.State, gone.Bay, len(gone.Spans), err)
	}
}
