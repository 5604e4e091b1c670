package procedure

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/site"
)

// lintable is a library without a finding, with the tools it names.
func lintable() Library {
	turned := step("turn-by-hand", 10, func(s *Step) {
		s.Title = "Turn the crank two full turns by hand"
		s.OnlyAfter = []string{"locked"}
		s.HoldPoint = true
		s.Checks = []Check{{ID: "free", Title: "Turns freely, locks drop in again"}}
		s.Cautions = []Caution{{Signal: Warning, Code: HandTurns, Text: "Stop at any resistance."}}
		s.Line = 40
	})
	return Library{
		ToolTypes: map[string]site.ToolType{
			"locks":  {ID: "locks", Purpose: site.Locking, Families: []string{"e1"}},
			"tw":     {ID: "tw", Purpose: site.Torque, TorqueMin: 20, TorqueMax: 200},
			"bar":    {ID: "bar", Purpose: site.Torque, TorqueMin: 60, TorqueMax: 800},
			"drill":  {ID: "drill", Purpose: site.Drilling},
			"puller": {ID: "puller", Purpose: site.Tensioning},
		},
		Preparations: map[string]Preparation{
			"locked": {
				ID: "locked", Title: "Timing locked", Family: "e1", Line: 10,
				SetUp:   []Step{step("lock", 15, func(s *Step) { s.Tools = []ToolNeed{{Type: "locks"}}; s.Line = 12 })},
				PutBack: []Step{step("unlock", 5, func(s *Step) { s.Line = 18 })},
				Holds:   []Hold{{Tool: ToolNeed{Type: "locks"}}},
			},
		},
		Procedures: map[string]Procedure{
			"chain": {
				ID: "chain", Title: "Timing chain", Family: "e1", Needs: []string{"locked"}, Line: 30,
				Steps: []Step{
					step("off", 60, func(s *Step) { s.Line = 32 }),
					step("on", 60, func(s *Step) {
						s.Line = 34
						s.Unbroken = true
						s.Parts = []Part{{ID: "bolt", Title: "Cam wheel bolt", Quantity: 2, SingleUse: true}}
						s.Torque = &Torque{
							Fasteners: 2, Thread: "M10", Class: "10.9", SingleUse: true,
							Stages: []Stage{{Torque: 40}, {Angle: 90}},
						}
					}),
					turned,
				},
			},
		},
	}
}

func TestLintIsContent(t *testing.T) {
	for _, f := range lintable().Lint() {
		t.Error(f)
	}
}

func TestLint(t *testing.T) {
	// edit changes a step of the procedure, or of the preparation's lists.
	edit := func(i int, change func(*Step)) func(*Library) {
		return func(l *Library) { change(&l.Procedures["chain"].Steps[i]) }
	}
	prep := func(change func(*Preparation)) func(*Library) {
		return func(l *Library) {
			p := l.Preparations["locked"]
			change(&p)
			l.Preparations["locked"] = p
		}
	}
	say := func(i int, title string, people int) func(*Library) {
		return edit(i, func(s *Step) { s.Title, s.Crew[0].People = title, people })
	}
	caution := func(i int, title string, code string, people int) lintCase {
		return lintCase{
			name: "caution " + code + ": " + title, change: say(i, title, people),
			line: 32, path: "procedures[chain].steps[0].cautions", rule: "caution-missing", word: code,
		}
	}
	cases := []lintCase{
		{"isolated step", func(l *Library) {
			p := l.Procedures["chain"]
			p.Steps = append(p.Steps, step("sweep", 5, func(s *Step) { s.Anytime = true; s.Line = 50 }))
			l.Procedures["chain"] = p
		}, 50, "procedures[chain].steps[3].anytime", "isolated", ""},
		{"unreachable steps", func(l *Library) {
			l.Preparations["spare"] = Preparation{ID: "spare", Title: "Spare", SetUp: []Step{step("a", 1)}, Line: 60}
		}, 60, "preparations[spare]", "unreachable", ""},
		{"lock put back before what it guards", edit(1, func(s *Step) { s.After = []string{"locked/unlock"} }),
			30, "procedures[chain]", "put-back-early", "chain/on"},
		{"lock off before own tightening", func(l *Library) {
			l.Procedures["chain"].Steps[1].OnlyAfter = []string{"locked"}
		}, 34, "procedures[chain].steps[1].only_after", "lock-off-early", "locked"},
		{"lock off before put-back's tightening", prep(func(p *Preparation) {
			p.PutBack = append(p.PutBack, step("bolt", 5, func(s *Step) {
				s.Line = 20
				s.Torque = &Torque{Fasteners: 1, Stages: []Stage{{Torque: 50}}}
			}))
			p.Holds[0].To = "unlock"
		}), 20, "preparations[locked].put_back[1]", "lock-off-early", "unlock"},
		{"no wrench covers", edit(1, func(s *Step) { s.Torque.Peak = 900 }),
			34, "procedures[chain].steps[1].torque", "no-wrench-covers", "900 N·m"},
		{"named wrench too small", edit(1, func(s *Step) { s.Tools, s.Torque.Peak = []ToolNeed{{Type: "tw"}}, 500 }),
			34, "procedures[chain].steps[1].tools[0]", "no-wrench-covers", "500 N·m"},
		{"named figure too small", edit(1, func(s *Step) { s.Tools = []ToolNeed{{Torque: 30}} }),
			34, "procedures[chain].steps[1].tools", "no-wrench-covers", "30 N·m"},
		{"single-use part without quantity", edit(1, func(s *Step) { s.Parts[0].Quantity = 0 }),
			34, "procedures[chain].steps[1].parts[0].quantity", "part-quantity", ""},
		{"no estimate", edit(0, func(s *Step) { s.Estimate = Estimate{} }),
			32, "procedures[chain].steps[0].estimate", "missing-estimate", ""},
		{"lock held by nobody", prep(func(p *Preparation) { p.Holds = nil }),
			12, "preparations[locked].set_up[0].tools[0]", "held-by-nobody", "locks"},
		{"lock named twice", func(l *Library) {
			lock := []ToolNeed{{Type: "locks"}}
			l.Procedures["look"] = Procedure{ID: "look", Title: "Look", Family: "e1", Line: 70, Steps: []Step{
				step("see", 5, func(s *Step) { s.Line = 72; s.Tools = lock }),
				step("wait", 5, func(s *Step) { s.Line = 73 }),
				step("see-again", 5, func(s *Step) { s.Line = 74; s.Tools = lock }),
			}}
		}, 72, "procedures[look].steps[0].tools[0]", "held-by-nobody", "see-again"},
		{"hold point without check", edit(2, func(s *Step) { s.Checks = nil }),
			40, "procedures[chain].steps[2].hold_point", "hold-point", ""},
		{"no hand turns", edit(2, func(s *Step) { s.HoldPoint = false }),
			30, "procedures[chain]", "hand-turns", "locked"},
		{"cranked while locked", edit(0, func(s *Step) { s.Instruction = "Crank the engine over." }),
			32, "procedures[chain].steps[0]", "cranked-locked", "locked"},
		{"cranked beside the locks of others", func(l *Library) {
			l.Procedures["run"] = Procedure{ID: "run", Title: "Oil pressure", Family: "e1", Steps: []Step{
				step("warm", 5, func(s *Step) { s.Title, s.TurnsEngine = "Run the engine warm", true; s.Line = 90 }),
			}}
		}, 90, "procedures[run].steps[0]", "cranked-locked", "in a job with locked"},
		{"turned under power, by the flag alone", edit(0, func(s *Step) { s.TurnsEngine = true }),
			32, "procedures[chain].steps[0]", "cranked-locked", "locked"},
		{"turned under power, by the words alone", edit(0, func(s *Step) { s.Instruction = "Crank the engine over." }),
			32, "procedures[chain].steps[0].turns_engine", "turns-engine", "turns_engine"},
		{"implausible torque", edit(1, func(s *Step) {
			s.Torque.Stages = []Stage{{Torque: 190}}
		}), 34, "procedures[chain].steps[1].torque.stages[0]", "torque-implausible", "torque-high:190"},
		{"left half done", edit(1, func(s *Step) { s.Unbroken = false }),
			34, "procedures[chain].steps[1].torque", "not-unbroken", ""},
		{"stretch bolts again", edit(1, func(s *Step) { s.Parts = nil }),
			34, "procedures[chain].steps[1].torque", "not-renewed", ""},
		caution(0, "Jack up the front and set on axle stands", LiftSupport, 1),
		caution(0, "Remove the subframe", CogShift, 1),
		caution(0, "Open the fuel rail", FuelPressure, 1),
		caution(0, "Unscrew the starter motor", BatteryIsolate, 1),
		caution(0, "Disconnect the negative pole of the battery", BatteryIsolate, 1),
		caution(0, "Unbolt the turbo from the exhaust manifold", Hot, 1),
		caution(0, "Pull the pin from the tensioner", StoredEnergy, 1),
		caution(0, "Drill out the broken stud", Eye, 1),
		caution(0, "Run the engine and look for leaks", Fumes, 1),
		caution(0, "Lower the cylinder head into place", TwoPerson, 2),
		caution(0, "Crank the engine for oil pressure", LocksOut, 1),
		caution(0, "First start", HandTurns, 1),
		caution(0, "Put sealant on the cover", Chemical, 1),
		{"caution from the tool", edit(0, func(s *Step) { s.Tools = []ToolNeed{{Type: "puller"}} }),
			32, "procedures[chain].steps[0].cautions", "caution-missing", StoredEnergy},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l := lintable()
			c.change(&l)
			fs := l.Lint()
			found := slices.ContainsFunc(fs, func(f Finding) bool {
				return f.Line == c.line && f.Path == c.path && f.Rule == c.rule && strings.Contains(f.Message, c.word)
			})
			if !found {
				t.Errorf("not found; findings: %v", fs)
			}
		})
	}
}

type lintCase struct {
	name   string
	change func(*Library)
	line   int
	path   string
	rule   string
	word   string // in the message
}

func TestLintTakesAnAnswer(t *testing.T) {
	l := lintable()
	s := &l.Procedures["chain"].Steps[1]
	s.Torque.Stages = []Stage{{Torque: 190}}
	s.Torque.Accepted = []string{"torque-high:190"}
	// A caution on the preparation covers the steps that stand in it.
	p := l.Preparations["locked"]
	p.Cautions = []Caution{{Signal: Danger, Code: FuelPressure, Text: "Wait for the pressure to fall."}}
	l.Preparations["locked"] = p
	l.Procedures["chain"].Steps[0].Title = "Open the fuel rail"
	for _, f := range l.Lint() {
		t.Error(f)
	}
	// Another figure is another doubt.
	s.Torque.Stages[0].Torque = 200
	if got := rules(l.Lint()); len(got) != 1 || !strings.Contains(got[0], "torque-implausible") {
		t.Errorf("findings %q", got)
	}
}

// A lock that is fitted and taken off within one step, or held until the other
// step that names it, wants no hold.
func TestLintLetsALockBeUsedOnce(t *testing.T) {
	l := lintable()
	l.Procedures["look"] = Procedure{ID: "look", Title: "Look", Family: "e1", Steps: []Step{
		step("see", 5, func(s *Step) { s.Tools = []ToolNeed{{Type: "locks", Until: "see-again"}} }),
		step("wait", 5),
		step("see-again", 5, func(s *Step) { s.Tools = []ToolNeed{{Type: "locks"}} }),
	}}
	for _, f := range l.Lint() {
		t.Error(f)
	}
}

// A step that runs the engine is kept from the locks by only_after, or by a
// preparation that excludes them.
func TestLintLetsAnEngineRunUnlocked(t *testing.T) {
	run := func(change func(*Step)) Step {
		return step("warm", 5, func(s *Step) {
			s.Title, s.TurnsEngine = "Test run", true
			s.Cautions = []Caution{{Signal: Danger, Code: Fumes, Text: "Extraction on."}}
			change(s)
		})
	}
	l := lintable()
	l.Preparations["whole"] = Preparation{ID: "whole", Title: "Whole", Excludes: []string{"locked"}, SetUp: []Step{step("look", 5)}}
	l.Procedures["run"] = Procedure{ID: "run", Title: "Run", Family: "e1", Steps: []Step{
		run(func(s *Step) { s.OnlyAfter = []string{"locked"} }),
	}}
	l.Procedures["run-whole"] = Procedure{
		ID: "run-whole", Title: "Run", Family: "e1", Needs: []string{"whole"}, Steps: []Step{run(func(*Step) {})},
	}
	for _, f := range l.Lint() {
		t.Error(f)
	}
}

// One person may carry a gasket; words that only look alike draw nothing.
func TestLintIsNotNervous(t *testing.T) {
	for _, title := range []string{
		"Lift off the air filter", "Photograph the hose routing", "Note the spring clip colour", "Start at the left",
		"Connect the battery", "Check the part number", "Clean the sealing face", "Fit the cover", "Batteries are not included here",
	} {
		l := lintable()
		l.Procedures["chain"].Steps[0].Title = title
		for _, f := range l.Lint() {
			t.Errorf("%q: %v", title, f)
		}
	}
}

func TestFindingsComeByLine(t *testing.T) {
	l := lintable()
	l.Procedures["chain"].Steps[0].Estimate = Estimate{}
	l.Preparations["locked"].SetUp[0].HoldPoint = true
	l.Procedures["chain"].Steps[2].Checks = nil
	want := []string{"12", "32", "40"}
	var got []string
	for _, f := range l.Lint() {
		line, _, _ := strings.Cut(f.String(), ":")
		got = append(got, line)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("lines (-want +got):\n%s", diff)
	}
}
