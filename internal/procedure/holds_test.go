package procedure

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/site"
)

// holdsOf merges the work and lists its holds.
func holdsOf(t *testing.T, l Library, ids ...string) []NetHold {
	t.Helper()
	net, err := l.Merge(ids)
	if err != nil {
		t.Fatal(err)
	}
	return net.Holds
}

// tooled makes a list of steps, each with its tools.
func tooled(prefix string, tools ...[]ToolNeed) []Step {
	var steps []Step
	for i, ts := range tools {
		steps = append(steps, step(prefix+string(rune('0'+i)), 10, func(s *Step) { s.Tools = ts }))
	}
	return steps
}

func TestOwnToolsAreHeldUntil(t *testing.T) {
	l := Library{Procedures: map[string]Procedure{"p": {ID: "p", Steps: tooled("s",
		[]ToolNeed{{Type: "crane", Until: "s2"}, {Type: "gauge"}},
		[]ToolNeed{{Type: "crane"}, {Type: "gauge"}},
		[]ToolNeed{{Type: "crane", Until: "s3"}}, // held on, by the same crane
		nil,
		[]ToolNeed{{Type: "crane"}, {Purpose: "ALIGNING", Until: "s5"}},
		[]ToolNeed{{Purpose: "ALIGNING"}},
	)}}}
	want := []NetHold{
		{Tool: ToolNeed{Type: "crane", Until: ""}, Steps: []int{0, 1, 2, 3}},
		{Tool: ToolNeed{Type: "gauge"}, Steps: []int{0}},
		{Tool: ToolNeed{Type: "gauge"}, Steps: []int{1}},
		{Tool: ToolNeed{Type: "crane"}, Steps: []int{4}},
		{Tool: ToolNeed{Purpose: "ALIGNING"}, Steps: []int{4, 5}},
		// Without a type nobody can say that it is the same one.
		{Tool: ToolNeed{Purpose: "ALIGNING"}, Steps: []int{5}},
	}
	if diff := cmp.Diff(want, holdsOf(t, l, "p")); diff != "" {
		t.Errorf("holds (-want +got):\n%s", diff)
	}
}

func TestAHeldWrenchCoversAllItsStages(t *testing.T) {
	l := Library{Procedures: map[string]Procedure{"p": {ID: "p", Steps: tooled("s",
		[]ToolNeed{{Type: "tw", Torque: 60, TorqueLow: 40, Until: "s2"}},
		[]ToolNeed{{Type: "tw", Torque: 90, TorqueLow: 30}},
		nil,
	)}}}
	want := []NetHold{{Tool: ToolNeed{Type: "tw", Torque: 90, TorqueLow: 30}, Steps: []int{0, 1, 2}}}
	if diff := cmp.Diff(want, holdsOf(t, l, "p")); diff != "" {
		t.Errorf("holds (-want +got):\n%s", diff)
	}
}

func TestHoldsOfPreparations(t *testing.T) {
	pin := ToolNeed{Type: "pin"}
	user := Procedure{ID: "u", Needs: []string{"p"}, Steps: tooled("u", nil, nil)}
	cases := []struct {
		name string
		prep Preparation
		want []int // steps: set-up, u0, u1, put-back
	}{
		{"first to last", Preparation{SetUp: tooled("a", nil, nil), PutBack: tooled("b", nil, nil), Holds: []Hold{{Tool: pin}}}, []int{0, 5}},
		{"named steps", Preparation{SetUp: tooled("a", nil, nil), PutBack: tooled("b", nil, nil), Holds: []Hold{{Tool: pin, From: "a1", To: "b0"}}}, []int{1, 4}},
		{"steps that name it", Preparation{
			SetUp:   tooled("a", nil, []ToolNeed{pin}, []ToolNeed{pin}),
			PutBack: tooled("b", []ToolNeed{pin}, nil), Holds: []Hold{{Tool: pin}},
		}, []int{1, 2, 5}},
		{"never put back", Preparation{SetUp: tooled("a", nil), Holds: []Hold{{Tool: pin}}}, []int{0, 2}},
		{"no set-up", Preparation{PutBack: tooled("b", nil), Holds: []Hold{{Tool: pin}}}, []int{2}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.prep.ID = "p"
			l := Library{
				Preparations: map[string]Preparation{"p": c.prep},
				Procedures:   map[string]Procedure{"u": user},
			}
			want := []NetHold{{Tool: pin, Steps: c.want, Preparation: "p"}}
			if diff := cmp.Diff(want, holdsOf(t, l, "u")); diff != "" {
				t.Errorf("holds (-want +got):\n%s", diff)
			}
		})
	}
}

// A wrench that the step needs for its torque is its own, whatever is held.
func TestATorqueTakesItsOwnWrench(t *testing.T) {
	l := Library{
		ToolTypes: map[string]site.ToolType{"tw": {ID: "tw", Purpose: site.Torque}},
		Preparations: map[string]Preparation{"p": {
			ID: "p", SetUp: tooled("a", nil), PutBack: tooled("b", nil), Holds: []Hold{{Tool: ToolNeed{Type: "tw"}}},
		}},
		Procedures: map[string]Procedure{"u": {ID: "u", Needs: []string{"p"}, Steps: []Step{step("u", 5, func(s *Step) {
			s.Tools = []ToolNeed{{Type: "tw"}}
			s.Torque = &Torque{Fasteners: 1, Stages: []Stage{{Torque: 80}, {Torque: 30}}}
		})}}},
	}
	want := []NetHold{
		{Tool: ToolNeed{Type: "tw"}, Steps: []int{0, 2}, Preparation: "p"},
		{Tool: ToolNeed{Type: "tw", Torque: 80, TorqueLow: 30}, Steps: []int{1}},
	}
	if diff := cmp.Diff(want, holdsOf(t, l, "u")); diff != "" {
		t.Errorf("holds (-want +got):\n%s", diff)
	}
}

func TestFits(t *testing.T) {
	tw := site.ToolType{ID: "tw", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 200}
	lock := site.ToolType{ID: "lock", Purpose: site.Locking, Families: []string{"e1"}}
	cases := []struct {
		name   string
		tool   site.ToolType
		need   ToolNeed
		family string
		want   bool
	}{
		{"type", lock, ToolNeed{Type: "lock"}, "e1", true},
		{"other type", lock, ToolNeed{Type: "key"}, "e1", false},
		{"other family", lock, ToolNeed{Type: "lock"}, "e2", false},
		{"purpose", lock, ToolNeed{Purpose: "LOCKING"}, "e1", true},
		{"other purpose", lock, ToolNeed{Purpose: "HOLDING"}, "e1", false},
		{"any family", tw, ToolNeed{Purpose: "TORQUE"}, "e9", true},
		{"inside the range", tw, ToolNeed{Torque: 100}, "e1", true},
		{"at its ends", tw, ToolNeed{Torque: 200, TorqueLow: 20}, "e1", true},
		{"above", tw, ToolNeed{Torque: 201}, "e1", false},
		{"below", tw, ToolNeed{Torque: 19}, "e1", false},
		{"reaches below", tw, ToolNeed{Torque: 100, TorqueLow: 19}, "e1", false},
		{"type and range", tw, ToolNeed{Type: "tw", Torque: 300}, "e1", false},
		{"torque from a lock", lock, ToolNeed{Torque: 10}, "e1", false},
		{"nothing asked", tw, ToolNeed{}, "e1", false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := Fits(c.tool, c.need, c.family); got != c.want {
				t.Errorf("fits: %v, want %v", got, c.want)
			}
		})
	}
}

func TestNeedsOfATorqueStep(t *testing.T) {
	stages := []Stage{{Torque: 30}, {Torque: 80}, {Angle: 90}}
	cases := []struct {
		name   string
		torque *Torque
		tools  []ToolNeed
		want   []ToolNeed
	}{
		{"no torque", nil, []ToolNeed{{Type: "x"}}, []ToolNeed{{Type: "x"}}},
		{"angle alone", &Torque{Stages: []Stage{{Angle: 90}}}, nil, nil},
		{"angle alone with a peak", &Torque{Stages: []Stage{{Angle: 90}}, Peak: 300}, nil, []ToolNeed{{Purpose: "TORQUE", Torque: 300}}},
		{"derived beside others", &Torque{Stages: stages}, []ToolNeed{{Type: "x"}}, []ToolNeed{{Type: "x"}, {Purpose: "TORQUE", Torque: 80, TorqueLow: 30}}},
		{"named by purpose", &Torque{Stages: stages}, []ToolNeed{{Purpose: "TORQUE"}}, []ToolNeed{{Purpose: "TORQUE", Torque: 80, TorqueLow: 30}}},
		{"named by type", &Torque{Stages: stages, Peak: 200}, []ToolNeed{{Type: "tw"}}, []ToolNeed{{Type: "tw", Torque: 200, TorqueLow: 30}}},
		{"named with a figure", &Torque{Stages: stages, Peak: 200}, []ToolNeed{{Torque: 250}}, []ToolNeed{{Torque: 250, TorqueLow: 30}}},
		{"wrench and bar", &Torque{Stages: stages, Peak: 200}, []ToolNeed{{Torque: 80, TorqueLow: 30}, {Type: "bar", Torque: 200}},
			[]ToolNeed{{Torque: 80, TorqueLow: 30}, {Type: "bar", Torque: 200}}},
	}
	types := map[string]site.ToolType{"tw": {ID: "tw", Purpose: site.Torque}}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := Step{Torque: c.torque, Tools: c.tools}
			if diff := cmp.Diff(c.want, s.Needs(types)); diff != "" {
				t.Errorf("needs (-want +got):\n%s", diff)
			}
		})
	}
}
