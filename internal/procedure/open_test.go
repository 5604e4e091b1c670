package procedure

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
)

// dressed is the workshop with parts, cautions and issued procedures.
func dressed() Library {
	l := workshop()
	gasket := Part{ID: "gasket", Title: "Cover gasket", Quantity: 1, SingleUse: true}
	p := l.Preparations["cover-off"]
	p.PutBack[1].Parts = []Part{gasket}
	p.SetUp[0].Cautions = []Caution{{Signal: Cautn, Code: Hot, Text: "Let the engine cool."}}
	p.Cautions = []Caution{
		{Signal: Cautn, Code: Hot, Text: "Let the engine cool."},
		{Signal: Danger, Code: FuelPressure, Text: "Wait for the pressure to fall."},
	}
	l.Preparations["cover-off"] = p
	for id, p := range l.Procedures {
		p.State, p.Version = Issued, 1
		l.Procedures[id] = p
	}
	l.Procedures["chain"].Steps[1].Parts = []Part{
		{ID: "chain", Title: "Chain", Quantity: 1, SingleUse: true}, {ID: "guide", Title: "Guide", Quantity: 2},
	}
	l.Procedures["pump"].Steps[0].Parts = []Part{
		{ID: "bolt", Title: "Pump bolt", Quantity: 4, SingleUse: true}, {ID: "guide", Title: "Guide", Quantity: 1, SingleUse: true},
	}
	l.Procedures["wash"] = Procedure{ID: "wash", Title: "Wash", Family: "e1", State: Issued, Steps: []Step{step("wash", 20)}}
	l.Procedures["draft"] = Procedure{ID: "draft", Title: "Draft", Family: "e1", State: Draft, Steps: []Step{step("a", 20)}}
	l.Procedures["other"] = Procedure{ID: "other", Title: "Other", Family: "e2", State: Issued, Steps: []Step{step("a", 20)}}
	l.Preparations["safe"] = Preparation{ID: "safe", Excludes: []string{"cover-off"}, SetUp: []Step{step("a", 1)}, PutBack: []Step{step("b", 1)}}
	l.Procedures["valves"] = Procedure{
		ID: "valves", Title: "Valves", Family: "e1", State: Issued, Needs: []string{"safe"},
		BayFeatures: []string{"crane"},
		Steps:       []Step{step("measure", 30, func(s *Step) { s.After, s.Before = []string{"chain/off"}, []string{"chain/on"} })},
	}
	return l
}

func TestPartsOfAMergedJob(t *testing.T) {
	net, err := dressed().Merge([]string{"chain", "pump"})
	if err != nil {
		t.Fatal(err)
	}
	// 0 cover-off/take-off, 1 drained/drain, 2 locked/turn, 3 locked/lock,
	// 4 chain/off, 5 chain/on, 6 pump/swap, ... 11 cover-off/fit.
	want := []PartLine{
		{ID: "bolt", Title: "Pump bolt", Quantity: 4, Steps: []int{6}},
		{ID: "chain", Title: "Chain", Quantity: 1, Steps: []int{5}},
		{ID: "gasket", Title: "Cover gasket", Quantity: 1, Steps: []int{11}},
		{ID: "guide", Title: "Guide", Quantity: 1, IfWorn: 2, Steps: []int{5, 6}},
	}
	if diff := cmp.Diff(want, net.Parts()); diff != "" {
		t.Errorf("parts (-want +got):\n%s", diff)
	}
}

func TestCautionsInOrder(t *testing.T) {
	l := dressed()
	l.Procedures["chain"].Steps[0].Cautions = []Caution{
		{Signal: Notice, Text: "Mark the running direction."}, {Signal: Warning, Code: StoredEnergy, Text: "Pin the tensioner."},
	}
	net, err := l.Merge([]string{"chain"})
	if err != nil {
		t.Fatal(err)
	}
	want := []NetCaution{
		{Step: 0, From: "cover-off", Caution: Caution{Danger, FuelPressure, "Wait for the pressure to fall."}},
		{Step: 0, From: "cover-off", Caution: Caution{Cautn, Hot, "Let the engine cool."}},
		{Step: 3, Caution: Caution{Warning, StoredEnergy, "Pin the tensioner."}},
		{Step: 3, Caution: Caution{Notice, "", "Mark the running direction."}},
	}
	if diff := cmp.Diff(want, net.Cautions); diff != "" {
		t.Errorf("cautions (-want +got):\n%s", diff)
	}
}

func TestWhileOpen(t *testing.T) {
	got, err := dressed().WhileOpen([]string{"chain"})
	if err != nil {
		t.Fatal(err)
	}
	// chain alone: cover 30+10+40, locks 10+15+5, own 60+60+5: 235 minutes, one
	// after the other. The pump alone: cover 80, sump 20+15, own 45: 160; done
	// now it adds 80, all beside the chain's work, and no gasket.
	// Draining, if done first, is beside the cover: 30+45 lies beside 150.
	want := []Marginal{
		{
			Procedure: "pump", Version: 1, Title: "Oil pump",
			Added: Work{Steps: Estimate{80, 80, 80}, People: 80},
			Alone: Work{Steps: Estimate{160, 160, 160}, People: 160, Longest: 125},
			Saved: Work{Steps: Estimate{80, 80, 80}, People: 80, Longest: 125},
			Parts: []PartLine{
				{ID: "bolt", Title: "Pump bolt", Quantity: 4}, {ID: "guide", Title: "Guide", Quantity: 1},
			},
			PartsOnce: []PartLine{{ID: "gasket", Title: "Cover gasket", Quantity: 1}},
		},
		{
			Procedure: "wash", Title: "Wash",
			Added: Work{Steps: Estimate{20, 20, 20}, People: 20},
			Alone: Work{Steps: Estimate{20, 20, 20}, People: 20, Longest: 20},
			Saved: Work{Longest: 20},
		},
		{
			Procedure: "valves", Title: "Valves",
			Alone:   Work{Steps: Estimate{32, 32, 32}, People: 32, Longest: 32},
			Refused: &fault.Error{Kind: fault.Invalid, Reason: "OPPOSITE_NEEDS"},
		},
	}
	for i := range got {
		if r := got[i].Refused; r != nil {
			got[i].Refused = &fault.Error{Kind: r.Kind, Reason: r.Reason}
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("while it is open (-want +got):\n%s", diff)
	}
	if _, err := dressed().WhileOpen([]string{"nothing"}); fault.KindOf(err) != fault.NotFound {
		t.Errorf("unknown procedure: %v", err)
	}
}

func TestWhileOpenTellsWhatTheBayMustHave(t *testing.T) {
	l := dressed()
	l.Procedures["valves"].Steps[0].After, l.Procedures["valves"].Steps[0].Before = nil, nil
	got, err := l.WhileOpen([]string{"chain"})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range got {
		if m.Procedure == "valves" {
			if diff := cmp.Diff([]string{"crane"}, m.BayFeatures); diff != "" || m.Refused != nil {
				t.Errorf("bay features %v, refused %v", m.BayFeatures, m.Refused)
			}
		}
	}
}

func TestWorkOfACureAndAPair(t *testing.T) {
	n := Network{
		Steps: []NetStep{
			{Step: step("seal", 10, func(s *Step) { s.Crew[0].People = 2; s.WaitAfter = 30 })},
			{Step: Step{ID: "cure", Mode: Unattended, Estimate: Estimate{60, 60, 90}}},
			{Step: step("beside", 45)},
		},
		Arcs: []Arc{{From: 0, To: 1, Lag: 30}},
	}
	want := Work{Steps: Estimate{115, 115, 145}, People: 65, Longest: 100}
	if diff := cmp.Diff(want, n.Work()); diff != "" {
		t.Errorf("work (-want +got):\n%s", diff)
	}
}

func TestTooManyArcsAreRefused(t *testing.T) {
	free := func(prefix string) []Step {
		steps := make([]Step, 2_000)
		for i := range steps {
			steps[i] = step(prefix+string(rune('a'+i%26))+string(rune('a'+i/26%26))+string(rune('a'+i/676)), 1, func(s *Step) { s.Anytime = true })
		}
		return steps
	}
	l := Library{
		Preparations: map[string]Preparation{"p": {ID: "p", SetUp: free("x")}},
		Procedures:   map[string]Procedure{"q": {ID: "q", Needs: []string{"p"}, Steps: free("y")}},
	}
	_, err := l.Merge([]string{"q"})
	if f := fault.Fault(err); f == nil || f.Reason != "TOO_MANY_ARCS" || f.Kind != fault.Exhausted {
		t.Errorf("got %v, want TOO_MANY_ARCS", err)
	}
}
