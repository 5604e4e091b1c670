package forecast

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"bayhold/internal/plan"
)

// week is a person's week of eight-hour days with a break, from minute 0.
func week(weeks int) []plan.Window {
	var out []plan.Window
	for d := range plan.Time(7 * weeks) {
		if d%7 < 5 {
			out = append(out, plan.Window{Start: d*1440 + 480, End: d*1440 + 720}, plan.Window{Start: d*1440 + 750, End: d*1440 + 990})
		}
	}
	return out
}

// random makes up a job of some steps that is placed by a simple rule: each as
// early as its arcs and its person let it. It is the plan, so it must come out
// of the play again when nothing is drawn.
func random(r *rand.Rand, steps int) *Placed {
	p := &Placed{Jobs: 1}
	open := week(12)
	people := 2 + r.IntN(2)
	free := make([]plan.Time, people)
	for range people {
		p.Units = append(p.Units, plan.Unit{Open: open})
	}
	bay := int32(len(p.Units))
	p.Units = append(p.Units, plan.Unit{Open: []plan.Window{{Start: 0, End: 12 * 7 * 1440}}})
	cal := newCalendar(open)
	all := make([]int32, steps)
	for i := range steps {
		all[i] = int32(i)
		likely := 10 + r.IntN(90)
		// 64 shapes, so that their tables are made once.
		low, high := 0.6+0.3*float64(r.IntN(8))/7, 1.1+float64(r.IntN(8))/7
		s := Step{
			Planned: plan.Time(likely), Spread: Pert(float64(likely)*low, float64(likely), float64(likely)*high),
			Unbroken: r.IntN(5) == 0, Elapsed: r.IntN(10) == 0,
		}
		ready := plan.Time(0)
		for _, f := range []int{i - 1, i - 2, i - 1 - r.IntN(8)} {
			if f >= 0 && (f == i-1 || r.IntN(3) == 0) {
				a := plan.Arc{From: int32(f), To: int32(i), Lag: plan.Time(r.IntN(2) * r.IntN(60))}
				p.Arcs = append(p.Arcs, a)
				ready = max(ready, p.Steps[f].Place.End+a.Lag)
			}
		}
		who := r.IntN(people)
		if s.Elapsed {
			s.Unbroken = false
			s.Place = plan.Window{Start: ready, End: ready + s.Planned}
		} else {
			at := cal.begin(max(ready, free[who]), s.Unbroken, s.Planned)
			s.Place = plan.Window{Start: at, End: cal.finish(at, s.Planned)}
			free[who] = s.Place.End
			p.Holds = append(p.Holds, Hold{Unit: int32(who), Steps: []int32{int32(i)}, Crew: true})
		}
		p.Steps = append(p.Steps, s)
	}
	p.Holds = append(p.Holds, Hold{Unit: bay, Steps: all})
	return p
}

// frozen is the same network with every step taking what was planned.
func frozen(p *Placed) *Placed {
	q := *p
	q.Steps = slices.Clone(p.Steps)
	for i := range q.Steps {
		q.Steps[i].Spread = Fixed(float64(q.Steps[i].Planned))
	}
	return &q
}

func TestWithoutSpreadThePlanComesOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		p := random(r, 1+r.IntN(30))
		f, err := Simulate(context.Background(), frozen(p), Options{Runs: 3})
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range f.Jobs[0] {
			if at != f.Planned[0] {
				t.Fatalf("handed back %d, planned %d", at, f.Planned[0])
			}
		}
	})
}

// A step that takes longer never brings the hand-back forward as long as nothing
// is unbroken: the play is monotone.
func TestLongerStepsNeverHelp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		p := frozen(random(r, 2+r.IntN(30)))
		for i := range p.Steps {
			p.Steps[i].Unbroken = false
		}
		before, err := Simulate(context.Background(), p, Options{Runs: 1})
		if err != nil {
			t.Fatal(err)
		}
		p.Steps[r.IntN(len(p.Steps))].Spread = Fixed(float64(100 + r.IntN(500)))
		after, err := Simulate(context.Background(), p, Options{Runs: 1})
		if err != nil {
			t.Fatal(err)
		}
		if after.Jobs[0][0] < before.Jobs[0][0] {
			t.Fatalf("from %d to %d", before.Jobs[0][0], after.Jobs[0][0])
		}
	})
}

func TestAnyNumberOfWorkersGivesTheSame(t *testing.T) {
	p := random(rand.New(rand.NewPCG(7, 7)), 40)
	want, err := Simulate(context.Background(), p, Options{Runs: 999, Seed: 5, Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, workers := range []int{2, 3, 8} {
		got, err := Simulate(context.Background(), p, Options{Runs: 999, Seed: 5, Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got.Jobs[0], want.Jobs[0]) || !slices.Equal(got.Decides, want.Decides) {
			t.Errorf("%d workers answer otherwise than one", workers)
		}
	}
	other, err := Simulate(context.Background(), p, Options{Runs: 999, Seed: 6})
	if err != nil {
		t.Fatal(err)
	}
	if slices.Equal(other.Jobs[0], want.Jobs[0]) {
		t.Error("another seed draws the same")
	}
}

// Two steps side by side, then one: the longer of the two decides, and what both
// must wait for always does.
func TestDecidingSteps(t *testing.T) {
	always := plan.Unit{Open: []plan.Window{{Start: 0, End: 100_000}}}
	p := &Placed{
		Jobs: 1, Units: []plan.Unit{always, always},
		Steps: []Step{
			{Planned: 100, Spread: Pert(80, 100, 120), Place: plan.Window{Start: 0, End: 100}},
			{Planned: 60, Spread: Pert(40, 60, 140), Place: plan.Window{Start: 0, End: 60}},
			{Planned: 10, Spread: Fixed(10), Place: plan.Window{Start: 100, End: 110}},
		},
		Arcs:  []plan.Arc{{From: 0, To: 2}, {From: 1, To: 2}},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}, {Unit: 1, Steps: []int32{1}, Crew: true}, {Unit: 0, Steps: []int32{2}, Crew: true}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 4000})
	if err != nil {
		t.Fatal(err)
	}
	if f.Decides[2] != 4000 || f.Decides[0]+f.Decides[1] != 4000 || f.Decides[0] < f.Decides[1] || f.Decides[1] == 0 {
		t.Errorf("deciding: %v", f.Decides)
	}
}

// The order of the plan stands: a technician who comes late to the first step
// comes late to the second, whichever job it belongs to.
func TestOrderOfThePlanIsKeptBetweenJobs(t *testing.T) {
	person := plan.Unit{Open: week(2)}
	p := &Placed{
		Jobs: 2, Units: []plan.Unit{person},
		Steps: []Step{
			{Job: 0, Planned: 60, Spread: Fixed(300), Place: plan.Window{Start: 480, End: 540}},
			{Job: 1, Planned: 60, Spread: Fixed(60), Release: 540, Place: plan.Window{Start: 540, End: 600}},
		},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}, {Unit: 0, Steps: []int32{1}, Crew: true}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 1})
	if err != nil {
		t.Fatal(err)
	}
	// 300 minutes from 8:00 with half an hour's break end at 13:30, the second
	// an hour later.
	if f.Jobs[0][0] != 810 || f.Jobs[1][0] != 870 {
		t.Errorf("handed back at %d and %d", f.Jobs[0][0], f.Jobs[1][0])
	}
	p.Steps[0].Spread = Fixed(10)
	if f, err = Simulate(context.Background(), p, Options{Runs: 1}); err != nil || f.Jobs[1][0] != 600 {
		t.Errorf("the second vehicle is not there before its time: handed back at %v, %v", f.Jobs[1], err)
	}
}

// An unbroken step that was begun in time is finished, past the shift.
func TestUnbrokenStepsRunOver(t *testing.T) {
	p := &Placed{
		Jobs: 1, Units: []plan.Unit{{Open: week(2)}},
		Steps: []Step{{Planned: 60, Spread: Fixed(90), Unbroken: true, Release: 930, Place: plan.Window{Start: 930, End: 990}}},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 1})
	if err != nil || f.Jobs[0][0] != 1020 {
		t.Errorf("%v %v", f.Jobs, err)
	}
	p.Steps[0].Release, p.Steps[0].Place = 931, plan.Window{Start: 1440 + 480, End: 1440 + 540}
	if f, err = Simulate(context.Background(), p, Options{Runs: 1}); err != nil || f.Jobs[0][0] != 1440+570 {
		t.Errorf("%v %v", f.Jobs, err)
	}
}

// Whoever is absent is stood in for by somebody with the skills.
func TestAbsentPeopleAreStoodInFor(t *testing.T) {
	away := plan.Unit{Open: week(3), Shut: []plan.Blocked{{Window: plan.Window{Start: 1440, End: 7 * 1440}}}}
	p := &Placed{
		Jobs: 1, Units: []plan.Unit{away, {Open: week(3)}},
		Steps: []Step{{Planned: 60, Spread: Fixed(600), Place: plan.Window{Start: 480, End: 540}}},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 1})
	if err != nil || f.Jobs[0][0] != 7*1440+480+120 { // 480 minutes on Monday, 120 a week later
		t.Errorf("%v %v", f.Jobs, err)
	}
	p.Steps[0].StandIns = []int32{1}
	if f, err = Simulate(context.Background(), p, Options{Runs: 1}); err != nil || f.Jobs[0][0] != 1440+480+120 {
		t.Errorf("%v %v", f.Jobs, err)
	}
}

func TestShutBaysHoldUpWork(t *testing.T) {
	bay := plan.Unit{Open: []plan.Window{{Start: 0, End: 20_000}}, Shut: []plan.Blocked{{Window: plan.Window{Start: 600, End: 660}}}}
	p := &Placed{
		Jobs: 1, Units: []plan.Unit{{Open: week(2)}, bay},
		Steps: []Step{{Planned: 60, Spread: Fixed(180), Place: plan.Window{Start: 480, End: 540}}},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}, {Unit: 1, Steps: []int32{0}}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 1})
	if err != nil || f.Jobs[0][0] != 720 { // 480 to 600, then 660 to 720
		t.Errorf("%v %v", f.Jobs, err)
	}
}

func TestWhatHappenedIsNotDrawn(t *testing.T) {
	person := plan.Unit{Open: []plan.Window{{Start: -1000, End: 100_000}}}
	p := &Placed{
		Jobs: 1, Units: []plan.Unit{person},
		Steps: []Step{
			{Planned: 60, Spread: Pert(30, 60, 90), Place: plan.Window{Start: -200, End: -140}, Fact: Fact{Begun: true, Done: true, Start: -200, End: -150}},
			{Planned: 100, Spread: Pert(50, 100, 400), Place: plan.Window{Start: -140, End: -40}, Fact: Fact{Begun: true, Start: -140, Worked: 140}},
			{Planned: 30, Spread: Fixed(30), Place: plan.Window{Start: -40, End: -10}},
		},
		Arcs:  []plan.Arc{{From: 0, To: 1}, {From: 1, To: 2}},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}, {Unit: 0, Steps: []int32{1}, Crew: true}, {Unit: 0, Steps: []int32{2}, Crew: true}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 20_000, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	if f.Jobs[0][0] <= 30 {
		t.Errorf("done at %d: the step that goes on takes at least another minute", f.Jobs[0][0])
	}
	// The median of what is left is the median of the spread above 140 minutes.
	s := p.Steps[1].Spread
	want := s.Quantile(s.CDF(140)+0.5*(1-s.CDF(140))) - 140 + 30
	if got := f.Jobs[0].Quantile(0.5); float64(got.Low) > want+1 || float64(got.High) < want-1 {
		t.Errorf("median %v, want %.1f", got, want)
	}
	// Done steps cannot be the ones that decide.
	if f.Decides[0] != 0 || f.Decides[1] != f.Runs {
		t.Errorf("deciding: %v", f.Decides)
	}
}

// Work that began against the plan's order keeps the unit until it ends.
func TestWorkBegunOutOfOrder(t *testing.T) {
	p := &Placed{
		Jobs: 2, Units: []plan.Unit{{Open: []plan.Window{{Start: -1000, End: 100_000}}}},
		Steps: []Step{
			{Job: 0, Planned: 60, Spread: Fixed(60), Place: plan.Window{Start: -100, End: -40}},
			{Job: 1, Planned: 60, Spread: Fixed(60), Place: plan.Window{Start: -40, End: 20}, Fact: Fact{Begun: true, Start: -10, Worked: 10}},
			{Job: 1, Planned: 30, Spread: Fixed(30), Place: plan.Window{Start: 20, End: 50}},
		},
		Arcs:  []plan.Arc{{From: 1, To: 2}},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}}, {Unit: 0, Steps: []int32{1, 2}}},
	}
	f, err := Simulate(context.Background(), p, Options{Runs: 1})
	if err != nil {
		t.Fatal(err)
	}
	if f.Jobs[1][0] != 80 || f.Jobs[0][0] != 140 {
		t.Errorf("handed back at %d and %d, want 140 and 80", f.Jobs[0][0], f.Jobs[1][0])
	}
}

func TestPlayAllocatesNothing(t *testing.T) {
	w, err := compile(random(rand.New(rand.NewPCG(3, 3)), 60), false)
	if err != nil {
		t.Fatal(err)
	}
	pl := newPlayer(w, Options{})
	run := uint64(0)
	if n := testing.AllocsPerRun(500, func() { pl.play(run); run++ }); n != 0 {
		t.Errorf("%v allocations a run", n)
	}
}

func TestSimulateRefuses(t *testing.T) {
	p := random(rand.New(rand.NewPCG(3, 3)), 3)
	for name, change := range map[string]func(*Placed, *Options){
		"too many runs": func(_ *Placed, o *Options) { o.Runs = MaxRuns + 1 },
		"no such job":   func(_ *Placed, o *Options) { o.Focus = 1 },
		"no steps":      func(p *Placed, _ *Options) { p.Steps, p.Arcs, p.Holds = nil, nil, nil },
		"a bad arc":     func(p *Placed, _ *Options) { p.Arcs = append(slices.Clone(p.Arcs), plan.Arc{From: 9}) },
		"a bad hold":    func(p *Placed, _ *Options) { p.Holds = append(slices.Clone(p.Holds), Hold{Unit: 99}) },
		"backwards":     func(p *Placed, _ *Options) { p.Arcs = append(slices.Clone(p.Arcs), plan.Arc{From: 2, To: 0}) },
	} {
		q, o := *p, Options{}
		change(&q, &o)
		if _, err := Simulate(context.Background(), &q, o); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Simulate(ctx, p, Options{}); err == nil {
		t.Error("goes on when nobody waits any more")
	}
}

// BenchmarkForecast is 10,000 runs of a merged job of 60 steps from the placed
// network to its sorted hand-backs; the target is 200 ms on two cores. take-over
// has everybody able to do everything.
func BenchmarkForecast(b *testing.B) {
	p := random(rand.New(rand.NewPCG(1, 60)), 60)
	bench := func(name string, p *Placed, o Options) {
		b.Run(name, func(b *testing.B) {
			before := cpu()
			for b.Loop() {
				if _, err := Simulate(context.Background(), p, o); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(1000*(cpu()-before)/float64(b.N), "cpu-ms/op")
		})
	}
	for _, workers := range []int{1, 2} {
		bench(fmt.Sprint("workers=", workers), p, Options{Runs: 10_000, Workers: workers})
	}
	able := *p
	able.Steps = slices.Clone(p.Steps)
	for i := range able.Steps {
		for u := range int32(len(p.Units) - 1) {
			able.Steps[i].StandIns = append(able.Steps[i].StandIns, u)
		}
	}
	bench("take-over", &able, Options{Runs: 10_000, Workers: 2, TakeOver: true})
}

// BenchmarkPlay is one run of it.
func BenchmarkPlay(b *testing.B) {
	w, err := compile(random(rand.New(rand.NewPCG(1, 60)), 60), false)
	if err != nil {
		b.Fatal(err)
	}
	pl := newPlayer(w, Options{})
	b.ReportAllocs()
	run := uint64(0)
	for b.Loop() {
		pl.play(run)
		run++
	}
}
