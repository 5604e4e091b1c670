package forecast

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"bayhold/internal/plan"
)

// Without anybody who could take over, it is the play in which nobody may.
func TestWithoutStandInsTheOrderStands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := random(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1)), rapid.IntRange(1, 20).Draw(t, "steps"))
		strict, err := Simulate(context.Background(), p, Options{Runs: 20, Seed: 4})
		if err != nil {
			t.Fatal(err)
		}
		free, err := Simulate(context.Background(), p, Options{Runs: 20, Seed: 4, TakeOver: true})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(strict.Jobs[0], free.Jobs[0]) {
			t.Fatalf("%v, not %v", free.Jobs[0], strict.Jobs[0])
		}
	})
}

// Nobody does two things at once, whoever takes over, and nobody comes to a step
// out of hours.
func TestWhoTakesOverDoesOneThingAtATime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := random(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2)), rapid.IntRange(2, 20).Draw(t, "steps"))
		people := int32(len(p.Units) - 1) // the bay is last
		for i := range p.Steps {
			if !p.Steps[i].Elapsed {
				for u := range people {
					p.Steps[i].StandIns = append(p.Steps[i].StandIns, u)
				}
			}
		}
		w, err := compile(p, true)
		if err != nil {
			t.Fatal(err)
		}
		pl := newPlayer(w, Options{Seed: 7})
		for run := range uint64(5) {
			pl.play(run)
			busy := make([][]plan.Window, people)
			for k := range w.nodes {
				nd := &w.nodes[k]
				if len(nd.crews) == 0 {
					continue
				}
				c := nd.crews[pl.sent[k]]
				for _, u := range c.units {
					busy[u] = append(busy[u], plan.Window{Start: pl.start[k], End: pl.end[k]})
				}
				if c.cal.first(pl.start[k]) != pl.start[k] {
					t.Fatalf("step %d begins at %d, when nobody is there", nd.step, pl.start[k])
				}
			}
			for u, ws := range busy {
				slices.SortFunc(ws, func(a, b plan.Window) int { return int(a.Start) - int(b.Start) })
				for i := 1; i < len(ws); i++ {
					if ws[i].Start < ws[i-1].End {
						t.Fatalf("person %d is at two steps: %v", u, ws)
					}
				}
			}
		}
	})
}

// Whoever is free and has the skills takes over from one who is held up; with
// nobody free, all wait.
func TestOthersTakeOver(t *testing.T) {
	p := &Placed{
		Jobs: 3, Units: []plan.Unit{{Open: week(2)}, {Open: week(2)}},
		Steps: []Step{
			{Job: 0, Planned: 60, Spread: Fixed(200), Place: plan.Window{Start: 480, End: 540}},
			{Job: 1, Planned: 60, Spread: Fixed(60), Place: plan.Window{Start: 540, End: 600}, StandIns: []int32{0, 1}},
			{Job: 2, Planned: 60, Spread: Fixed(60), Place: plan.Window{Start: 600, End: 660}, Release: 600, StandIns: []int32{0}},
		},
		Holds: []Hold{{Unit: 0, Steps: []int32{0}, Crew: true}, {Unit: 0, Steps: []int32{1}, Crew: true}, {Unit: 0, Steps: []int32{2}, Crew: true}},
	}
	for _, want := range []struct {
		others bool
		ends   []plan.Time
	}{
		{false, []plan.Time{680, 770, 830}}, // half an hour's break at 720
		{true, []plan.Time{680, 540, 770}},
	} {
		f, err := Simulate(context.Background(), p, Options{Runs: 1, TakeOver: want.others})
		if err != nil {
			t.Fatal(err)
		}
		for j, end := range want.ends {
			if f.Jobs[j][0] != end {
				t.Errorf("others may take over: %v; job %d ends at %d, want %d", want.others, j, f.Jobs[j][0], end)
			}
		}
	}
	// Two people for one step: the one who is held up is replaced.
	p.Steps[1].StandIns = []int32{0, 1, 2}
	p.Units = append(p.Units, plan.Unit{Open: week(2)})
	p.Holds = append(p.Holds, Hold{Unit: 1, Steps: []int32{1}, Crew: true})
	f, err := Simulate(context.Background(), p, Options{Runs: 1, TakeOver: true})
	if err != nil || f.Jobs[1][0] != 540 {
		t.Errorf("with two people: %v %v", f.Jobs, err)
	}
}
