package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/torque"
)

func TestWorkshopIsSound(t *testing.T) {
	if err := workshop().Validate(); err != nil {
		t.Error(err)
	}
	if fs := workshop().Faults(); len(fs) > 0 {
		t.Errorf("findings: %v", fs)
	}
}

// rules lists findings as "path rule".
func rules(fs []Finding) []string {
	var rs []string
	for _, f := range fs {
		rs = append(rs, f.Path+" "+f.Rule)
	}
	return rs
}

// tight is a tightening at 40 N·m for tests.
func tight(change func(*Torque)) *Torque {
	t := &Torque{Fasteners: 1, Stages: []Stage{{Torque: 40}}}
	change(t)
	return t
}

func ptr(x float64) *float64 { return &x }

func TestStepFaults(t *testing.T) {
	cases := []struct {
		name   string
		change func(*Step)
		want   []string // for steps[0] of two
	}{
		{"no id", func(s *Step) { s.ID = "" }, []string{"id id"}},
		{"slash in id", func(s *Step) { s.ID = "a/b" }, []string{"id id"}},
		{"no title", func(s *Step) { s.Title = " " }, []string{"title missing-text"}},
		{"bell in text", func(s *Step) { s.Instruction = "\a" }, []string{"instruction text"}},
		{"long text", func(s *Step) { s.Instruction = strings.Repeat("ä", MaxText+1) }, []string{"instruction long-text"}},
		{"no estimate", func(s *Step) { s.Estimate = Estimate{} }, []string{"estimate missing-estimate"}},
		{"estimate of nothing", func(s *Step) { s.Estimate = Estimate{0, 5, 9} }, []string{"estimate estimate"}},
		{"estimate out of order", func(s *Step) { s.Estimate = Estimate{5, 4, 9} }, []string{"estimate estimate"}},
		{"estimate too long", func(s *Step) { s.Estimate = Estimate{5, 6, MaxMinutes + 1} }, []string{"estimate estimate"}},
		{"wait before now", func(s *Step) { s.WaitAfter = -1 }, []string{"wait_after wait"}},
		{"joined and waiting", func(s *Step) { s.JoinedToNext, s.WaitAfter = true, 5 }, []string{"joined_to_next joined-wait"}},
		{"no mode", func(s *Step) { s.Mode = "" }, []string{"mode mode"}},
		{"nobody", func(s *Step) { s.Crew = nil }, []string{"crew no-people"}},
		{"people at a cure", func(s *Step) { s.Mode = Unattended }, []string{"crew unattended-people"}},
		{"a crowd", func(s *Step) { s.Crew[0].People = 21 }, []string{"crew[0].people people", "crew people"}},
		{"skill twice", func(s *Step) { s.Crew[0].Skills = []string{"a", "a"} }, []string{"crew[0].skills repeated"}},
		{"tool for nothing", func(s *Step) { s.Tools = []ToolNeed{{}} }, []string{"tools[0] tool"}},
		{"purpose of no tool", func(s *Step) { s.Tools = []ToolNeed{{Purpose: "COOKING"}} }, []string{"tools[0].purpose purpose"}},
		{"torque not a number", func(s *Step) { s.Tools = []ToolNeed{{Torque: math.NaN()}} }, []string{"tools[0].torque figure"}},
		{"torque range upside down", func(s *Step) { s.Tools = []ToolNeed{{Torque: 5, TorqueLow: 9}} }, []string{"tools[0].torque_low torque-range"}},
		{"until itself", func(s *Step) { s.Tools = []ToolNeed{{Type: "t", Until: "one"}} }, []string{"tools[0].until until"}},
		{"part of no number", func(s *Step) { s.Parts = []Part{{ID: "p", Title: "P", SingleUse: true}} }, []string{"parts[0].quantity part-quantity"}},
		{"part twice", func(s *Step) {
			s.Parts = []Part{{ID: "p", Title: "P", Quantity: 1}, {ID: "p", Title: "P", Quantity: 1}}
		}, []string{"parts[1].id repeated"}},
		{"check bounds", func(s *Step) { s.Checks = []Check{{ID: "c", Title: "C", Unit: "mm", Min: ptr(2), Max: ptr(1)}} }, []string{"checks[0].min check-bounds"}},
		{"check unit", func(s *Step) { s.Checks = []Check{{ID: "c", Title: "C", Min: ptr(2)}} }, []string{"checks[0].unit check-unit"}},
		{"no stage", func(s *Step) { s.Torque = &Torque{Fasteners: 1} }, []string{"torque.stages no-stage"}},
		{"stage of both", func(s *Step) { s.Torque = &Torque{Fasteners: 1, Stages: []Stage{{Torque: 5, Angle: 5}}} }, []string{"torque.stages[0] stage"}},
		{"peak below a stage", func(s *Step) { s.Torque = &Torque{Fasteners: 1, Peak: 5, Stages: []Stage{{Torque: 9}}} }, []string{"torque.peak peak"}},
		{"bad thread", func(s *Step) { s.Torque = tight(func(t *Torque) { t.Thread = "G1/2" }) }, []string{"torque.thread thread"}},
		{"bad class", func(s *Step) { s.Torque = tight(func(t *Torque) { t.Class = "11" }) }, []string{"torque.class class"}},
		{"no fasteners", func(s *Step) { s.Torque = tight(func(t *Torque) { t.Fasteners = 0 }) }, []string{"torque.fasteners fasteners"}},
		{"loose tolerance", func(s *Step) { s.Torque = tight(func(t *Torque) { t.Tolerance = 0.6 }) }, []string{"torque.tolerance figure"}},
		{"stage of nothing", func(s *Step) { s.Torque = tight(func(t *Torque) { t.Stages = append(t.Stages, Stage{}) }) }, []string{"torque.stages[1] stage"}},
		{"stages without end", func(s *Step) {
			s.Torque = tight(func(t *Torque) { t.Stages = slices.Repeat(t.Stages, 21) })
		}, []string{"torque.stages too-many"}},
		{"turned too far", func(s *Step) { s.Torque = tight(func(t *Torque) { t.Stages = []Stage{{Angle: 3_601}} }) }, []string{"torque.stages[0] figure"}},
		{"adapter askew", func(s *Step) {
			s.Torque = tight(func(t *Torque) { t.Adapter = &torque.Adapter{Extension: 2_000, Angle: -1} })
		}, []string{"torque.adapter.extension figure", "torque.adapter.angle figure"}},
		{"tool that does not measure", func(s *Step) {
			s.Torque = tight(func(*Torque) {})
			s.Tools = []ToolNeed{{Torque: 60, TorqueLow: 50}}
		}, []string{"tools no-wrench-covers"}},
		{"a hundred parts and more", func(s *Step) {
			for i := range MaxListed + 1 {
				s.Checks = append(s.Checks, Check{ID: fmt.Sprint("c", i), Title: "C"})
			}
		}, []string{"checks too-many"}},
		{"empty skill", func(s *Step) { s.Crew[0].Skills = []string{""} }, []string{"crew[0].skills name"}},
		{"not UTF-8", func(s *Step) { s.Title = "\xff" }, []string{"title text"}},
		{"endless part", func(s *Step) { s.Parts = []Part{{ID: "p", Title: "P", Quantity: 10_001}} }, []string{"parts[0].quantity part-quantity"}},
		{"check twice", func(s *Step) { s.Checks = []Check{{ID: "c", Title: "C"}, {ID: "c", Title: "C"}} }, []string{"checks[1].id repeated"}},
		{"signal", func(s *Step) { s.Cautions = []Caution{{Signal: "HEY", Text: "x"}} }, []string{"cautions[0].signal signal"}},
		{"caution code", func(s *Step) { s.Cautions = []Caution{{Signal: Danger, Code: "X", Text: "x"}} }, []string{"cautions[0].code caution-code"}},
		{"after a stranger", func(s *Step) { s.After = []string{"three"} }, []string{"after step-reference"}},
		{"after itself", func(s *Step) { s.After = []string{"one"} }, []string{"after step-reference"}},
		{"half a reference", func(s *Step) { s.Before = []string{"x/"} }, []string{"before step-reference"}},
		{"only never", func(s *Step) { s.OnlyBefore, s.OnlyAfter = []string{"p"}, []string{"p"} }, []string{"only_after only-never"}},
		{"two faults at once", func(s *Step) { s.Title, s.WaitAfter = "", -1 }, []string{"title missing-text", "wait_after wait"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			one := step("one", 5)
			one.Line = 7
			c.change(&one)
			p := Procedure{ID: "p", Title: "P", Family: "e1", Line: 3, Steps: []Step{one, step("two", 5)}}
			var want []string
			for _, w := range c.want {
				want = append(want, "steps[0]."+w)
			}
			fs := p.Faults()
			if diff := cmp.Diff(want, rules(fs)); diff != "" {
				t.Errorf("findings (-want +got):\n%s", diff)
			}
			for _, f := range fs {
				if f.Line != 7 || f.Message == "" || !f.Fault {
					t.Errorf("line %d, message %q, fault %v", f.Line, f.Message, f.Fault)
				}
			}
			if f := fault.Fault(p.Validate()); f == nil || f.Kind != fault.Invalid || len(f.Fields) != len(c.want) {
				t.Errorf("Validate: %v", f)
			}
		})
	}
}

func TestListFaults(t *testing.T) {
	long := make([]Step, MaxSteps+1)
	for i := range long {
		long[i] = step(fmt.Sprint("s", i), 1)
	}
	cases := []struct {
		name  string
		steps []Step
		want  string
	}{
		{"none", nil, "steps no-step"},
		{"too many", long, "steps too-many"},
		{"same id", []Step{step("a", 1), step("a", 1)}, "steps[1].id repeated"},
		{"joined last", []Step{step("a", 1, func(s *Step) { s.JoinedToNext = true })}, "steps[0].joined_to_next joined-last"},
		{"cycle", []Step{
			step("a", 1, func(s *Step) { s.After = []string{"c"} }), step("b", 1), step("c", 1),
		}, " step-cycle"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			p := Procedure{ID: "p", Title: "P", Family: "e1", Steps: c.steps}
			if diff := cmp.Diff([]string{c.want}, rules(p.Faults())); diff != "" {
				t.Errorf("findings (-want +got):\n%s", diff)
			}
		})
	}
}

func TestPreparationFaults(t *testing.T) {
	cases := []struct {
		name   string
		change func(*Preparation)
		want   string
	}{
		{"no id", func(p *Preparation) { p.ID = "" }, "id id"},
		{"family", func(p *Preparation) { p.Family = "?" }, "family id"},
		{"no steps", func(p *Preparation) { p.SetUp, p.PutBack, p.Holds = nil, nil, nil }, "set_up no-step"},
		{"id on both sides", func(p *Preparation) { p.PutBack[0].ID = "on" }, "put_back[0].id repeated"},
		{"need twice", func(p *Preparation) { p.Needs = []string{"a", "a"} }, "needs repeated"},
		{"excludes what it needs", func(p *Preparation) { p.Needs, p.Excludes = []string{"a"}, []string{"a"} }, "excludes excludes"},
		{"held until", func(p *Preparation) { p.Holds[0].Tool.Until = "off" }, "holds[0].tool.until until"},
		{"held to a set-up step", func(p *Preparation) { p.Holds[0].To = "on" }, "holds[0].to hold"},
		{"caution", func(p *Preparation) { p.Cautions = []Caution{{Signal: Danger}} }, "cautions[0].text missing-text"},
		{"put back before set up", func(p *Preparation) { p.PutBack[0].Before = []string{"on"} }, " put-back-early"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			p := Preparation{
				ID: "p", Title: "P", SetUp: []Step{step("on", 5)}, PutBack: []Step{step("off", 5)},
				Holds: []Hold{{Tool: ToolNeed{Type: "pin"}}},
			}
			if err := p.Validate(); err != nil {
				t.Fatal(err)
			}
			c.change(&p)
			if diff := cmp.Diff([]string{c.want}, rules(p.Faults())); diff != "" {
				t.Errorf("findings (-want +got):\n%s", diff)
			}
			if fault.KindOf(p.Validate()) != fault.Invalid {
				t.Error("Validate accepts it")
			}
		})
	}
}

func TestLibraryFaults(t *testing.T) {
	prep := func(id string, change func(*Preparation)) func(Library) {
		return func(l Library) {
			p := l.Preparations[id]
			change(&p)
			l.Preparations[id] = p
		}
	}
	proc := func(id string, change func(*Procedure)) func(Library) {
		return func(l Library) {
			p := l.Procedures[id]
			change(&p)
			l.Procedures[id] = p
		}
	}
	cases := []struct {
		name   string
		change func(Library)
		want   string
	}{
		{"unknown need", proc("pump", func(p *Procedure) { p.Needs = []string{"x"} }), "procedures[pump].needs unknown-preparation"},
		{"unknown bearer", prep("drained", func(p *Preparation) { p.Needs = []string{"x"} }), "preparations[drained].needs unknown-preparation"},
		{"excludes itself", prep("drained", func(p *Preparation) { p.Excludes = []string{"drained"} }), "preparations[drained].excludes excludes"},
		{"unknown opposite", prep("drained", func(p *Preparation) { p.Excludes = []string{"x"} }), "preparations[drained].excludes unknown-preparation"},
		{"only after nothing", proc("pump", func(p *Procedure) { p.Steps[0].OnlyAfter = []string{"x"} }), "procedures[pump].steps[0].only_after unknown-preparation"},
		{"needs each other", prep("cover-off", func(p *Preparation) { p.Needs = []string{"locked"} }), "preparations preparation-cycle"},
		{"other family", proc("pump", func(p *Procedure) { p.Family = "e2" }), "procedures[pump].needs families-differ"},
		{"unknown owner", proc("pump", func(p *Procedure) { p.Steps[0].After = []string{"x/y"} }), "procedures[pump].steps[0].after step-reference"},
		{"unknown far step", proc("pump", func(p *Procedure) { p.Steps[0].After = []string{"chain/y"} }), "procedures[pump].steps[0].after step-reference"},
		{"hold from nowhere", prep("locked", func(p *Preparation) { p.Holds[0].From = "x" }), "preparations[locked].holds[0].from hold"},
		{"filed wrongly", proc("pump", func(p *Procedure) { p.ID = "pomp" }), "procedures[pump].id id"},
		{"opposites at once", prep("drained", func(p *Preparation) { p.Excludes = []string{"cover-off"} }), "procedures[pump] opposite-needs"},
		{"in the way of itself", proc("chain", func(p *Procedure) {
			p.Needs = []string{"locked"}
			p.Steps = append(p.Steps, step("last", 5))
		}), "procedures[chain] put-back-early"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l := workshop()
			c.change(l)
			got := rules(l.Faults())
			if len(got) == 0 || got[0] != c.want {
				t.Errorf("findings %q, want first %q", got, c.want)
			}
			if fault.KindOf(l.Validate()) != fault.Invalid {
				t.Error("Validate accepts it")
			}
		})
	}
}

func TestNeedsThatNoToolMeets(t *testing.T) {
	l := workshop()
	l.ToolTypes = map[string]site.ToolType{
		"locks": {ID: "locks", Purpose: site.Locking, Families: []string{"e1"}},
		"tw":    {ID: "tw", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 200},
	}
	if err := l.Validate(); err != nil {
		t.Fatal(err)
	}
	p := l.Procedures["pump"]
	p.Steps[0].Tools = []ToolNeed{{Type: "crane"}, {Purpose: "DRILLING"}, {Type: "tw"}}
	p.Steps[0].Torque = &Torque{Fasteners: 2, Stages: []Stage{{Torque: 15}, {Torque: 60}}}
	want := []string{
		"procedures[pump].steps[0].tools[0] unknown-tool-type",
		"procedures[pump].steps[0].tools[1] no-tool-fits",
		"procedures[pump].steps[0].tools[2] no-wrench-covers",
	}
	if diff := cmp.Diff(want, rules(l.Faults())); diff != "" {
		t.Errorf("findings (-want +got):\n%s", diff)
	}
}
