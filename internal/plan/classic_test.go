package plan

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"
)

// shopOf is a job shop: each row a job of pairs of machine and minutes.
func shopOf(rows [][]int32, machines int) *Problem {
	p := &Problem{Jobs: []Job{{Due: Never, Weight: 1}}}
	for range machines {
		p.Pools = append(p.Pools, Pool{Capacity: 1})
	}
	for _, row := range rows {
		for k := 0; k < len(row); k += 2 {
			i := int32(len(p.Steps))
			if k > 0 {
				p.Arcs = append(p.Arcs, Arc{From: i - 1, To: i})
			}
			p.Uses = append(p.Uses, Use{Step: i, Pool: row[k], Amount: 1})
			p.Steps = append(p.Steps, Step{Duration: Time(row[k+1])})
			p.Horizon += Time(row[k+1])
		}
	}
	return p
}

// ft06 is the 6 x 6 job shop of H. Fisher and G. L. Thompson, "Probabilistic
// learning combinations of local job-shop scheduling rules", in Industrial
// Scheduling (1963); from memory. Its optimum is 55.
var ft06 = [][]int32{
	{2, 1, 0, 3, 1, 6, 3, 7, 5, 3, 4, 6},
	{1, 8, 2, 5, 4, 10, 5, 10, 0, 10, 3, 4},
	{2, 5, 3, 4, 5, 8, 0, 9, 1, 1, 4, 7},
	{1, 5, 0, 5, 2, 5, 3, 3, 4, 8, 5, 9},
	{2, 9, 1, 3, 4, 5, 5, 4, 0, 3, 3, 1},
	{1, 3, 3, 3, 5, 9, 0, 10, 4, 4, 2, 1},
}

// la01 is the first 10 x 5 job shop of S. Lawrence (1984); from memory. Its
// optimum is 666, the work of its busiest machine.
var la01 = [][]int32{
	{1, 21, 0, 53, 4, 95, 3, 55, 2, 34},
	{0, 21, 3, 52, 4, 16, 2, 26, 1, 71},
	{3, 39, 4, 98, 1, 42, 2, 31, 0, 12},
	{1, 77, 0, 55, 4, 79, 2, 66, 3, 77},
	{0, 83, 3, 34, 2, 64, 1, 19, 4, 37},
	{1, 54, 2, 43, 4, 79, 0, 92, 3, 62},
	{3, 69, 4, 77, 1, 87, 2, 87, 0, 93},
	{2, 38, 0, 60, 1, 41, 3, 24, 4, 83},
	{3, 17, 1, 49, 4, 25, 0, 44, 2, 98},
	{4, 77, 3, 79, 2, 43, 1, 75, 0, 96},
}

// TestClassicJobShops arranges published job shops, and proves them.
func TestClassicJobShops(t *testing.T) {
	for _, c := range []struct {
		name    string
		p       *Problem
		optimum Time
	}{
		{"ft06", shopOf(ft06, 6), 55},
		{"la01", shopOf(la01, 5), 666},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
			defer cancel()
			a, err := Arrange(ctx, c.p, ArrangeOptions{Seed: 1})
			if err != nil {
				t.Fatal(err)
			}
			if v := Validate(c.p, &a.Plan); v != nil {
				t.Fatalf("%+v", v)
			}
			if a.Plan.Finish != c.optimum || !a.Plan.Proved {
				t.Errorf("finish %d, bound %d, proved %v; the optimum is %d", a.Plan.Finish, a.Plan.Bound, a.Plan.Proved, c.optimum)
			}
		})
	}
}

// TestFindProvesFT06 takes the machines as named units, so that the search for
// one job has to prove it.
func TestFindProvesFT06(t *testing.T) {
	p := shopOf(ft06, 6)
	for _, u := range p.Uses {
		p.Claims = append(p.Claims, Claim{Steps: []int32{u.Step}, Eligible: []int32{u.Pool}, Count: 1})
	}
	for range p.Pools {
		p.Units = append(p.Units, Unit{Open: []Window{{0, Never}}, Expiry: Never})
	}
	p.Pools, p.Uses = nil, nil
	f, err := Find(context.Background(), p, FindOptions{Points: 1, Nodes: 1_000_000})
	if err != nil || len(f.Plans) == 0 || f.Plans[0].Finish != 55 {
		t.Fatalf("%v, %+v", err, f)
	}
	t.Logf("proved %v at %d nodes", f.Proved, f.Nodes)
}

// TestListsAreDeterministic builds the same lists on any number of calls.
func TestListsAreDeterministic(t *testing.T) {
	p := shopOf(la01, 5)
	var ends [2]Time
	for i := range ends {
		a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 200, Seed: 9})
		if err != nil {
			t.Fatal(err)
		}
		ends[i] = a.Plan.Finish
	}
	if ends[0] != ends[1] {
		t.Errorf("%d and %d", ends[0], ends[1])
	}
}

// BenchmarkDecode builds one list of 120 steps on four scarce pools again and
// again; it must not allocate.
func BenchmarkDecode(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	p := &Problem{Pools: []Pool{{20}, {18}, {25}, {15}}}
	for j := range int32(120) {
		p.Steps = append(p.Steps, Step{Duration: Time(1 + r.IntN(10))})
		p.Horizon += 10
		for pool := range int32(4) {
			p.Uses = append(p.Uses, Use{Step: j, Pool: pool, Amount: int32(r.IntN(11))})
		}
		for range min(2, j) {
			p.Arcs = append(p.Arcs, Arc{From: j - 1 - int32(r.IntN(min(int(j), 30))), To: j})
		}
	}
	order, err := p.prepare()
	if err != nil {
		b.Fatal(err)
	}
	w := compile(p, order)
	a := newAxis(w, false)
	bu := newBuilder(a, w.longestList())
	list, end := make([]int32, a.n), make([]int32, a.n)
	for i := range list {
		list[i] = int32(i)
	}
	b.ReportAllocs()
	for b.Loop() {
		bu.build(a, list, end)
	}
	b.ReportMetric(float64(b.N)*float64(a.n)/b.Elapsed().Seconds()/1e6, "Msteps/s")
}

// TestBreedingDoesNotAllocate runs the inner loop as it is in use.
func TestBreedingDoesNotAllocate(t *testing.T) {
	p := shopOf(la01, 5)
	order, err := p.prepare()
	if err != nil {
		t.Fatal(err)
	}
	is := newIslands(context.Background(), compile(p, order), ArrangeOptions{Schedules: 1000})
	br := is.brs[0]
	br.bound = 0
	br.sow(func() bool { return true })
	n := 0
	if got := testing.AllocsPerRun(1, func() {
		n = 0
		br.evolve(func() bool { n++; return n < 500 })
	}); got > 2 { // the two closures of this test
		t.Errorf("%v allocations in 500 schedules", got)
	}
}
