package plan

import (
	"math/rand/v2"
	"testing"
)

// projectOf makes a random problem of steps and pools.
func projectOf(seed uint64, n int) *Problem {
	r := rand.New(rand.NewPCG(seed, 21))
	p := &Problem{Jobs: []Job{{Due: Never}}, Pools: []Pool{{Capacity: 4}, {Capacity: 5}}}
	for j := range n {
		d := Time(r.IntN(5))
		p.Steps = append(p.Steps, Step{Duration: d})
		p.Horizon += d + 2
		for i := range j {
			if r.IntN(4) == 0 {
				p.Arcs = append(p.Arcs, Arc{From: int32(i), To: int32(j), Lag: Time(max(0, r.IntN(6)-3))})
			}
		}
		for k := range p.Pools {
			if a := int32(r.IntN(5)); a > 0 {
				p.Uses = append(p.Uses, Use{Step: int32(j), Pool: int32(k), Amount: a})
			}
		}
	}
	return p
}

// TestLearnerIsExhaustive compares what the learner proves with a search of
// everything.
func TestLearnerIsExhaustive(t *testing.T) {
	for seed := range problems(400) {
		p := projectOf(seed, 1+int(seed%5))
		order, err := p.prepare()
		if err != nil {
			t.Fatal(err)
		}
		w := compile(p, order)
		l := newLearner(newAxis(w, false), w, int32(p.Horizon)+1)
		for l.search(func() bool { return false }) == foundOne {
		}
		want := bruteFront(p, false, 0)[0].Start
		if l.best == nil || Time(l.length) != want {
			t.Fatalf("seed %d: %d, everything %d\n%+v", seed, l.length, want, p)
		}
	}
}
