package plan

import (
	"context"
	"testing"
)

// herdOf makes a population for a problem; nil if the problem is not sound.
func herdOf(p *Problem, seed uint64) (*arranger, *herd) {
	order, err := p.prepare()
	if err != nil {
		return nil, nil
	}
	a := newArranger(context.Background(), p, order, ArrangeOptions{Schedules: 2 * herdFrom, Seed: seed, Workers: 1})
	return a, a.workers[0].herd
}

// judged validates what a booker has just built, if all groups have a place.
func judged(t *testing.T, seed uint64, a *arranger, h *herd, s score) bool {
	t.Helper()
	if s.unplaced > 0 {
		return false
	}
	w := a.workers[0]
	for g, pl := range h.booker.plans() {
		w.put(g, pl)
	}
	if got := a.judge(w.placed); got.compare(s) > 0 { // tightening may better it
		t.Fatalf("seed %d: built as %+v, judged as %+v", seed, s, got)
	}
	w.score = s
	pl := a.answer(w).Plan
	if v := Validate(a.p, &pl); v != nil {
		t.Fatalf("seed %d: %+v\n%+v\n%+v", seed, v, a.p, pl)
	}
	return true
}

// TestBookerIsSound builds random lists of tiny problems and of workshops, and
// holds the best of them against a search of everything.
func TestBookerIsSound(t *testing.T) {
	solved, best := 0, 0
	for seed := range problems(2000) {
		p := tiny(seed)
		a, h := herdOf(p, seed)
		if h == nil {
			continue
		}
		list, at := make([]int32, h.n), make([]int32, h.n)
		least := Never
		for range 12 {
			h.br.draw.serial(h.br.axes[0], h.br.rng, list)
			if s := h.booker.build(list, at); judged(t, seed, a, h, s) {
				least = min(least, Time(s.ends))
			}
		}
		if want := bruteFront(p, false, 0); len(want) > 0 {
			if solved++; least == want[0].Start {
				best++
			} else if least < want[0].Start {
				t.Fatalf("seed %d: ends at %d, everything at %v", seed, least, want)
			}
		}
	}
	t.Logf("of %d problems %d are solved by one of a dozen lists", solved, best)
	if 10*best < 8*solved {
		t.Errorf("of %d problems only %d", solved, best)
	}
	for seed := range uint64(12) {
		for _, p := range []*Problem{week(1+int(seed), seed), referenceProblem(referenceSize(3+int(seed)), seed)} {
			a, h := herdOf(p, seed)
			h.sow(a, func() bool { return true })
			list, at := make([]int32, h.n), make([]int32, h.n)
			for range 20 {
				h.br.draw.serial(h.br.axes[0], h.br.rng, list)
				judged(t, seed, a, h, h.booker.build(list, at))
			}
		}
	}
}

// TestBookerDoesNotAllocate builds one list again and again.
func TestBookerDoesNotAllocate(t *testing.T) {
	a, h := herdOf(week(6, 1), 1)
	h.sow(a, func() bool { return true })
	list, at := h.br.pops[0][0].list, make([]int32, h.n)
	if got := testing.AllocsPerRun(20, func() { h.booker.build(list, at) }); got > 0 {
		t.Errorf("%v allocations", got)
	}
}

// TestBreedingLetsJobsTakeTurns arranges five jobs that must take turns on what
// they share: inserted one after the other they were late by half as much again
// as the 7,718 weighted minutes that a general solver found.
func TestBreedingLetsJobsTakeTurns(t *testing.T) {
	p := referenceProblem(referenceSize(5), 0)
	a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 3000, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	if v := Validate(p, &a.Plan); v != nil {
		t.Fatalf("%+v", v)
	}
	if t.Logf("late by %v", a.Late); a.Late > 8100 {
		t.Errorf("late by %v", a.Late)
	}
}
