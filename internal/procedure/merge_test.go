package procedure

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// step is an attended step of one person for tests.
func step(id string, minutes int, change ...func(*Step)) Step {
	s := Step{
		ID: id, Title: id, Mode: Attended,
		Estimate: Estimate{minutes, minutes, minutes},
		Crew:     []Crew{{People: 1, Skills: []string{"engine"}}},
	}
	for _, c := range change {
		c(&s)
	}
	return s
}

// workshop is a small library: a cover, a drained sump, the timing locked
// (which needs the cover off), and work that needs them.
func workshop() Library {
	return Library{
		Preparations: map[string]Preparation{
			"cover-off": {
				ID: "cover-off", Title: "Cover off", Family: "e1",
				SetUp:   []Step{step("take-off", 30)},
				PutBack: []Step{step("clean", 10), step("fit", 40)},
			},
			"locked": {
				ID: "locked", Title: "Timing locked", Family: "e1", Needs: []string{"cover-off"},
				SetUp:   []Step{step("turn", 10), step("lock", 15)},
				PutBack: []Step{step("unlock", 5)},
				Holds:   []Hold{{Tool: ToolNeed{Type: "locks"}, From: "lock"}},
			},
			"drained": {
				ID: "drained", Title: "Sump drained", Family: "e1",
				SetUp:   []Step{step("drain", 20)},
				PutBack: []Step{step("fill", 15)},
			},
		},
		Procedures: map[string]Procedure{
			"chain": {
				ID: "chain", Title: "Timing chain", Family: "e1", Needs: []string{"locked", "cover-off"},
				Steps: []Step{step("off", 60), step("on", 60, func(s *Step) {
					s.Tools = []ToolNeed{{Type: "locks"}}
				}), step("turn-by-hand", 5, func(s *Step) { s.OnlyAfter = []string{"locked"} })},
			},
			"pump": {
				ID: "pump", Title: "Oil pump", Family: "e1", Needs: []string{"cover-off", "drained"},
				Steps: []Step{step("swap", 45)},
			},
		},
	}
}

// ids lists the steps of a network.
func (n Network) ids() []string {
	var ids []string
	for _, s := range n.Steps {
		ids = append(ids, s.ID)
	}
	return ids
}

// arcIDs lists the arcs of a network as "from>to".
func (n Network) arcIDs() []string {
	var ids []string
	for _, a := range n.Arcs {
		ids = append(ids, n.Steps[a.From].ID+">"+n.Steps[a.To].ID)
	}
	return ids
}

func TestMergeOfTwo(t *testing.T) {
	net, err := workshop().Merge([]string{"pump", "chain", "pump"})
	if err != nil {
		t.Fatal(err)
	}
	wantSteps := []string{
		"cover-off/take-off", "drained/drain", "locked/turn", "locked/lock",
		"chain/off", "chain/on", "pump/swap", "drained/fill", "locked/unlock",
		"chain/turn-by-hand", "cover-off/clean", "cover-off/fit",
	}
	if diff := cmp.Diff(wantSteps, net.ids()); diff != "" {
		t.Errorf("steps (-want +got):\n%s", diff)
	}
	wantArcs := []string{
		"cover-off/take-off>locked/turn",
		"cover-off/take-off>pump/swap",
		"cover-off/take-off>chain/turn-by-hand",
		"drained/drain>pump/swap",
		"locked/turn>locked/lock",
		"locked/lock>chain/off",
		"chain/off>chain/on",
		"chain/on>locked/unlock",
		"chain/on>chain/turn-by-hand",
		"pump/swap>drained/fill",
		"pump/swap>cover-off/clean",
		"locked/unlock>chain/turn-by-hand",
		"locked/unlock>cover-off/clean",
		"chain/turn-by-hand>cover-off/clean",
		"cover-off/clean>cover-off/fit",
	}
	if diff := cmp.Diff(wantArcs, net.arcIDs()); diff != "" {
		t.Errorf("arcs (-want +got):\n%s", diff)
	}
	// The step that names the locks uses those that are on the engine.
	wantHolds := []NetHold{{Tool: ToolNeed{Type: "locks"}, Steps: []int{3, 5, 8}, Preparation: "locked"}}
	if diff := cmp.Diff(wantHolds, net.Holds); diff != "" {
		t.Errorf("holds (-want +got):\n%s", diff)
	}
}

func TestMergeRefuses(t *testing.T) {
	edit := func(l Library, id string, change func(*Procedure)) Library {
		p := l.Procedures[id]
		p.Steps = append([]Step(nil), p.Steps...)
		change(&p)
		l.Procedures[id] = p
		return l
	}
	cases := []struct {
		name   string
		lib    Library
		ids    []string
		reason string
		words  []string
	}{
		{"nothing", workshop(), nil, "NO_PROCEDURE", nil},
		{"unknown procedure", workshop(), []string{"chain", "belt"}, "PROCEDURE_NOT_FOUND", []string{"belt"}},
		{"cycle across procedures", edit(edit(workshop(),
			"chain", func(p *Procedure) { p.Steps[0].After = []string{"pump/swap"} }),
			"pump", func(p *Procedure) { p.Steps[0].After = []string{"chain/on"} }),
			[]string{"chain", "pump"}, "STEP_CYCLE", []string{"chain/off", "chain/on", "pump/swap"}},
		{"placed before what it needs", edit(workshop(),
			"chain", func(p *Procedure) {
				p.Needs = []string{"locked"}
				p.Steps[1].OnlyBefore = []string{"locked"}
			}), []string{"chain"}, "SET_UP_LATE", []string{"chain/on", "locked/turn"}},
		{"a lock put back before what it guards", edit(workshop(),
			"chain", func(p *Procedure) { p.Steps[1].After = []string{"locked/unlock"} }),
			[]string{"chain"}, "PUT_BACK_EARLY", []string{"locked would be put back before chain/on", "locked/unlock"}},
		{"gap in joined steps", edit(edit(workshop(),
			"chain", func(p *Procedure) { p.Steps[0].JoinedToNext = true }),
			"pump", func(p *Procedure) {
				p.Steps[0].After = []string{"chain/off"}
				p.Steps[0].Before = []string{"chain/on"}
			}), []string{"chain", "pump"}, "JOINED_APART", []string{"chain/off", "pump/swap", "chain/on"}},
		{"unknown step", edit(workshop(),
			"chain", func(p *Procedure) { p.Steps[0].After = []string{"pump/swop"} }),
			[]string{"chain", "pump"}, "BAD_STEP_REFERENCE", []string{"chain/off", "pump/swop"}},
		{"other family", edit(workshop(), "pump", func(p *Procedure) { p.Family = "e2" }),
			[]string{"chain", "pump"}, "FAMILIES_DIFFER", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := c.lib.Merge(c.ids)
			var f *fault.Error
			if !errors.As(err, &f) {
				t.Fatalf("got %v, want a fault", err)
			}
			if f.Reason != c.reason {
				t.Errorf("reason %s, want %s: %v", f.Reason, c.reason, err)
			}
			for _, w := range c.words {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%v does not name %s", err, w)
				}
			}
		})
	}
}

// Common practice: the crank is held at a safe angle to work on valves and at
// its timing position to lock it; both cannot stand at once.
func TestOppositesAreOrdered(t *testing.T) {
	lib := workshop()
	lib.Preparations["safe"] = Preparation{
		ID: "safe", Excludes: []string{"locked"},
		SetUp: []Step{step("turn-back", 5)}, PutBack: []Step{step("turn-on", 5)},
	}
	lib.Procedures["valves"] = Procedure{ID: "valves", Family: "e1", Needs: []string{"safe"}, Steps: []Step{step("measure", 30)}}
	net, err := lib.Merge([]string{"valves", "chain"})
	if err != nil {
		t.Fatal(err)
	}
	order := strings.Join(net.ids(), " ")
	if strings.Index(order, "locked/unlock") > strings.Index(order, "safe/turn-back") {
		t.Errorf("safe begins before locked is gone: %s", order)
	}
	// An order that the steps state wins over the order of the ids.
	v := lib.Procedures["valves"]
	v.Steps[0].OnlyBefore = []string{"locked"}
	net, err = lib.Merge([]string{"valves", "chain"})
	if err != nil {
		t.Fatal(err)
	}
	order = strings.Join(net.ids(), " ")
	if strings.Index(order, "safe/turn-on") > strings.Index(order, "locked/turn") {
		t.Errorf("locked begins before safe is gone: %s", order)
	}
	v.Needs = []string{"safe", "locked"}
	v.Steps[0].OnlyBefore = nil
	lib.Procedures["valves"] = v
	_, err = lib.Merge([]string{"valves"})
	if f := fault.Fault(err); f == nil || f.Reason != "OPPOSITE_NEEDS" || !strings.Contains(f.Message, "valves") {
		t.Errorf("got %v, want OPPOSITE_NEEDS of valves", err)
	}
}

// Common practice: a stage of 100 N·m + 270° takes about 500 N·m to undo, by
// two people; a wrench that ends at 200 N·m does not serve it.
func TestPeakChoosesTheTool(t *testing.T) {
	s := step("pulley-bolt", 20, func(s *Step) {
		s.Crew[0].People = 2
		s.Torque = &Torque{Fasteners: 1, Stages: []Stage{{Torque: 100}, {Angle: 270}}, Peak: 500}
	})
	needs := s.Needs(nil)
	want := []ToolNeed{{Purpose: "TORQUE", Torque: 500, TorqueLow: 100}}
	if diff := cmp.Diff(want, needs); diff != "" {
		t.Fatalf("needs (-want +got):\n%s", diff)
	}
	wrench := site.ToolType{ID: "tw-200", Purpose: site.Torque, TorqueMin: 40, TorqueMax: 200}
	bar := site.ToolType{ID: "tm-600", Purpose: site.Torque, TorqueMin: 60, TorqueMax: 600}
	if Fits(wrench, needs[0], "e1") {
		t.Error("a wrench that ends at 200 N·m fits a peak of 500 N·m")
	}
	if !Fits(bar, needs[0], "e1") {
		t.Error("a multiplier rated for 600 N·m does not fit a peak of 500 N·m")
	}
}

// big makes a library of n procedures of k steps on shared preparations.
func big(n, k int) (Library, []string) {
	lib := Library{Preparations: map[string]Preparation{}, Procedures: map[string]Procedure{}}
	for i := range 10 {
		id := fmt.Sprintf("prep-%02d", i)
		p := Preparation{
			ID: id, SetUp: []Step{step("a", 10), step("b", 10)}, PutBack: []Step{step("c", 10), step("d", 10)},
			Holds: []Hold{{Tool: ToolNeed{Type: "lock-" + id}}},
		}
		if i > 0 {
			p.Needs = []string{fmt.Sprintf("prep-%02d", i/2)}
			if i%3 == 0 {
				p.Excludes = []string{fmt.Sprintf("prep-%02d", i-1)}
			}
		}
		if i == 3 { // 2 and 3 both stand on 1
			p.Excludes = []string{"prep-02"}
		}
		lib.Preparations[id] = p
	}
	p0 := lib.Preparations["prep-01"]
	p0.Needs = []string{"prep-00"}
	lib.Preparations["prep-01"] = p0
	var ids []string
	for i := range n {
		p := Procedure{ID: fmt.Sprintf("proc-%04d", i), Needs: []string{fmt.Sprintf("prep-%02d", i%10)}}
		for j := range k {
			s := step(fmt.Sprintf("s%02d", j), 10)
			switch {
			case j%7 == 3:
				s.After = []string{fmt.Sprintf("s%02d", j-2)}
			case j%11 == 4:
				s.JoinedToNext = true
			case j%13 == 5:
				s.Torque = &Torque{Fasteners: 4, Stages: []Stage{{Torque: 20}, {Angle: 90}}}
			}
			p.Steps = append(p.Steps, s)
		}
		lib.Procedures[p.ID] = p
		ids = append(ids, p.ID)
	}
	return lib, ids
}

func BenchmarkMerge(b *testing.B) {
	for _, n := range []int{10, 100, 1000} {
		lib, ids := big(n, 60)
		b.Run(fmt.Sprint(n*60), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := lib.Merge(ids); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
