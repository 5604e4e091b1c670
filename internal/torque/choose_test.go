package torque

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// shelf is a small set of wrenches and a multiplier.
func shelf() []Tool {
	return []Tool{
		{ID: "w25", Min: 5, Max: 25, Resolution: 0.1, Drive: "1/4in", Length: 250},
		{ID: "w100", Min: 20, Max: 100, Resolution: 0.5, Drive: "3/8in", Length: 350},
		{ID: "w200", Min: 40, Max: 200, Resolution: 1, Drive: "1/2in", Length: 500},
		{ID: "w200b", Min: 40, Max: 200, Drive: "1/2in", Length: 520},
		{ID: "w800", Min: 150, Max: 800, Resolution: 5, Drive: "3/4in", Length: 1200},
		{ID: "x5", Max: 1500, Ratio: 5, Drive: "3/4in", Input: "1/2in"},
	}
}

func TestChoose(t *testing.T) {
	toHalf := []Coupling{{From: "3/4in", To: "1/2in"}, {From: "3/8in", To: "1/2in", Max: 90}}
	cases := []struct {
		name      string
		couplings []Coupling
		need      Need
		want      []Choice
	}{
		{"finest scale first, unknown last", nil, Need{Stages: []Stage{{Torque: 60}}}, []Choice{
			{Tool: "w100", Set: []float64{60}}, {Tool: "w200", Set: []float64{60}}, {Tool: "w200b", Set: []float64{60}},
		}},
		{"drive", nil, Need{Stages: []Stage{{Torque: 60}}, Drive: "1/2in"}, []Choice{
			{Tool: "w200", Set: []float64{60}}, {Tool: "w200b", Set: []float64{60}},
		}},
		{"coupling", toHalf, Need{Stages: []Stage{{Torque: 60}}, Drive: "1/2in"}, []Choice{
			{Tool: "w100", Coupled: true, Set: []float64{60}},
			{Tool: "w200", Set: []float64{60}}, {Tool: "w200b", Set: []float64{60}},
		}},
		{"coupling too weak", toHalf, Need{Stages: []Stage{{Torque: 95}}, Drive: "1/2in"}, []Choice{
			{Tool: "w200", Set: []float64{95}}, {Tool: "w200b", Set: []float64{95}},
		}},
		{"lower end of the range", nil, Need{Stages: []Stage{{Torque: 15}, {Torque: 24}}}, []Choice{
			{Tool: "w25", Set: []float64{15, 24}},
		}},
		// 100 N·m through the multiplier are 20, below any wrench of its square.
		{"stage below the multiplied range", nil, Need{Stages: []Stage{{Torque: 100}, {Angle: 270}}, Peak: 500}, nil},
		{"peak and a stage inside the multiplied range", nil, Need{Stages: []Stage{{Torque: 250}, {Angle: 270}}, Peak: 500}, []Choice{
			{Tool: "w800", Set: []float64{250, 0}},
			{Tool: "w200", Multiplier: "x5", Set: []float64{50, 0}},
			{Tool: "w200b", Multiplier: "x5", Set: []float64{50, 0}},
		}},
		{"tolerance against the scale", nil, Need{Stages: []Stage{{Torque: 160}}, Tolerance: 0.005}, []Choice{
			{Tool: "w200", Set: []float64{160}}, {Tool: "w200b", Set: []float64{160}},
		}},
		// 195 N·m wanted; an adapter of 100 mm on 500 mm sets 162.5.
		{"adapter", nil, Need{Stages: []Stage{{Torque: 195}}, Adapter: &Adapter{Extension: 100}, Drive: "1/2in"}, []Choice{
			{Tool: "w200", Set: []float64{162.5}}, {Tool: "w200b", Set: []float64{195 * 520. / 620}},
		}},
		// 190 N·m wanted is inside the range, 237.5 to be set is not.
		{"adapter that points back", nil, Need{Stages: []Stage{{Torque: 190}}, Adapter: &Adapter{Extension: -100}, Drive: "1/2in"}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, _ := Choose(shelf(), c.couplings, c.need)
			if diff := cmp.Diff(c.want, got, cmpopts.IgnoreUnexported(Choice{}), cmpopts.EquateApprox(1e-12, 0)); diff != "" {
				t.Errorf("choices (-want +got):\n%s", diff)
			}
		})
	}
}

// Common practice: a stage of 100 N·m + 270° takes about 500 N·m to undo, by
// two people: not with a wrench that ends at 200, but with what is rated for it.
func TestPeakIsBorne(t *testing.T) {
	need := Need{Stages: []Stage{{Torque: 100}, {Angle: 270}}, Peak: 500}
	tools := []Tool{
		{ID: "wrench", Min: 40, Max: 200, Resolution: 1},
		{ID: "bar", Min: 60, Max: 600, Resolution: 5},
		{ID: "fine", Min: 10, Max: 120, Resolution: 0.5},
		{ID: "multiplier", Max: 800, Ratio: 5},
		{ID: "weak", Max: 450, Ratio: 4},
	}
	got, refused := Choose(tools, nil, need)
	want := []Choice{
		{Tool: "bar", Set: []float64{100, 0}},
		{Tool: "fine", Multiplier: "multiplier", Set: []float64{20, 0}},
	}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(Choice{})); diff != "" {
		t.Errorf("choices (-want +got):\n%s", diff)
	}
	why := make(map[string]string)
	for _, r := range refused {
		why[r.Tool] = r.Why
	}
	if !strings.Contains(why["wrench"], "200 N·m") || !strings.Contains(why["wrench"], "500 N·m") {
		t.Errorf("the wrench is refused for %q", why["wrench"])
	}
	if !strings.Contains(why["fine with weak"], "450 N·m") {
		t.Errorf("the weak multiplier is refused for %q", why["fine with weak"])
	}
}

func TestChoicesStayInRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		need := Need{Stages: []Stage{{Torque: rapid.Float64Range(1, 900).Draw(t, "torque")}}}
		if rapid.Bool().Draw(t, "adapter") {
			need.Adapter = &Adapter{Extension: rapid.Float64Range(-600, 300).Draw(t, "extension"), Angle: rapid.Float64Range(0, 180).Draw(t, "angle")}
		}
		tools := shelf()
		byID := make(map[string]Tool)
		for _, w := range tools {
			byID[w.ID] = w
		}
		choices, refusals := Choose(tools, nil, need)
		if len(choices)+len(refusals) != 10 { // five wrenches, alone and with the multiplier
			t.Fatalf("%d choices and %d refusals", len(choices), len(refusals))
		}
		for _, c := range choices {
			w := byID[c.Tool]
			if c.Set[0] < w.Min || c.Set[0] > w.Max {
				t.Fatalf("%s is set to %v", c.Tool, c.Set[0])
			}
			joint := c.Set[0]
			switch {
			case c.Multiplier != "":
				joint *= byID[c.Multiplier].Ratio
			case need.Adapter != nil:
				joint, _ = need.Adapter.Applied(c.Set[0], w.Length)
			}
			if !near(joint, need.Stages[0].Torque, 1e-9) {
				t.Fatalf("the joint gets %v, wanted %v", joint, need.Stages[0].Torque)
			}
		}
	})
}
