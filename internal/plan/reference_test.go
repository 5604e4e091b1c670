package plan

import (
	"context"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
)

// referenceOptima holds what a general constraint solver proves of small
// problems; the README in reference/ tells how it is made.
const referenceOptima = "testdata/reference-optima.json"

// refOptima is the file of proved optima.
type refOptima struct {
	Solver, Version string
	Problems        []refOptimum
}

// refOptimum is what the solver says of one problem that referenceProblem makes.
type refOptimum struct {
	Seed uint64
	Jobs int
	// Problem is the fingerprint of the problem: another one means that the
	// generator has changed, and the file has to be written anew.
	Problem string
	Finish  refVerdict // the end of the last step
	Late    refVerdict // weighted minutes past the promises
}

// refVerdict is the solver's answer for one objective.
type refVerdict struct {
	Status           string // OPTIMAL or INFEASIBLE
	Objective, Bound float64
}

// refShop says what workshop problem to make up.
type refShop struct {
	jobs, least, most   int // steps of a job
	bays, people, tools int
	bookings, days      int
	spread              int // days over which the vehicles arrive
	rush                int // per cent of a job's work after which it is promised
}

// referenceSize is the shape of a problem with this many jobs.
func referenceSize(jobs int) refShop {
	m := refShop{jobs: jobs, least: 8, most: 12, bays: 2 + jobs/5, people: 3 + jobs/3, tools: 6 + jobs, bookings: 4 + 2*jobs, days: 10 + jobs/2, spread: 2 + jobs/4, rush: 250}
	if jobs <= 3 {
		m.least, m.most, m.days, m.bays, m.people, m.tools = 3, 10-2*jobs, 7, 1+jobs/2, 3, 4
		m.spread, m.rush = 1, 100
	}
	return m
}

// referenceProblem makes up a workshop: bays, people of two skills with shifts
// and absences, tools of which some lapse or are away, bookings; jobs with
// spans, waits, joined and unbroken steps, crews of two, a pool, promises, now
// and then a step that has begun.
func referenceProblem(m refShop, seed uint64) *Problem {
	g := &refMaker{rand.New(rand.NewPCG(seed, 401)), m, &Problem{Horizon: Time(m.days) * 1440}, nil, nil, nil}
	for i := range m.bays {
		g.bays = g.unit(g.bays, Unit{ID: fmt.Sprint("bay-", i), Open: []Window{{0, g.p.Horizon}}})
	}
	for i := range m.people {
		g.people = g.unit(g.people, Unit{ID: fmt.Sprint("person-", i), Open: g.shifts(Time(i%2) * 60)})
	}
	for i := range m.tools {
		u := Unit{ID: fmt.Sprint("tool-", i), Open: []Window{{0, g.p.Horizon}}}
		if g.IntN(4) == 0 {
			u.Expiry = Time(12*60 + 30*g.IntN(m.days*40))
		}
		g.tools = g.unit(g.tools, u)
	}
	for b := range m.bookings {
		g.book(&g.p.Units[g.IntN(len(g.p.Units))], int32(b))
	}
	g.p.Pools = []Pool{{Capacity: int32(1 + m.bays)}}
	for j := range m.jobs {
		g.job(int32(j))
	}
	if first := &g.p.Steps[0]; g.IntN(6) == 0 {
		first.Frozen, first.At, first.Release = true, Time(540+15*g.IntN(8)), 0
	}
	return g.p
}

type refMaker struct {
	*rand.Rand
	refShop
	p                   *Problem
	bays, people, tools []int32
}

func (g *refMaker) unit(list []int32, u Unit) []int32 {
	if u.Expiry == 0 {
		u.Expiry = Never
	}
	g.p.Units = append(g.p.Units, u)
	return append(list, int32(len(g.p.Units)-1))
}

// shifts are five days a week with a break at noon; now and then one is off.
func (g *refMaker) shifts(late Time) []Window {
	var out []Window
	for d := range Time(g.days) {
		if d%7 < 5 && g.IntN(12) > 0 {
			out = append(out, Window{d*1440 + 450 + late, d*1440 + 720}, Window{d*1440 + 765, d*1440 + 990 + late})
		}
	}
	return out
}

// book puts a booking or a closure on a unit, beside those that stand there.
func (g *refMaker) book(u *Unit, ref int32) {
	at := Time(450 + 30*g.IntN(g.days*40))
	w := Window{at, at + 30 + Time(g.IntN(8))*30}
	list := &u.Busy
	if g.IntN(3) == 0 {
		list = &u.Shut
	}
	for _, o := range slices.Concat(u.Busy, u.Shut) {
		if overlaps(o.Window, w) {
			return
		}
	}
	*list = append(*list, Blocked{w, ref})
	slices.SortFunc(*list, func(a, b Blocked) int { return int(a.Start - b.Start) })
}

// job adds one job: a chain with side steps, in a bay from first to last, with
// a tool held over the middle of it.
func (g *refMaker) job(j int32) {
	first, n := int32(len(g.p.Steps)), g.least+g.IntN(g.most-g.least+1)
	release, work := Time(0), Time(0)
	if g.jobs > 1 {
		release = Time(g.IntN(1+g.spread))*1440 + Time(g.IntN(8))*30
	}
	for k := range n {
		s := Step{Duration: Time(10 + 5*g.IntN(34)), Release: release, Job: j, Unbroken: g.IntN(5) == 0}
		if s.Elapsed = g.IntN(8) == 0; s.Elapsed {
			s.Unbroken = false
		}
		work += s.Duration
		i := first + int32(k)
		g.p.Steps = append(g.p.Steps, s)
		g.arcs(first, i)
		g.claims(i)
	}
	all := make([]int32, n)
	for k := range all {
		all[k] = first + int32(k)
	}
	g.p.Claims = append(g.p.Claims, Claim{Steps: all, Eligible: g.bays, Count: 1})
	if n > 3 && g.IntN(3) > 0 {
		g.p.Claims = append(g.p.Claims, Claim{Steps: slices.Clone(all[1 : n-1]), Eligible: g.some(g.tools, 2), Count: 1})
	}
	due := release + 450 + work*Time(g.rush)/100 + Time(g.IntN(20))*30
	g.p.Jobs = append(g.p.Jobs, Job{Due: due, Weight: float64(1 + g.IntN(3))})
}

// arcs ties step i to one or two before it.
func (g *refMaker) arcs(first, i int32) {
	if i == first {
		return
	}
	a := Arc{From: i - 1, To: i}
	if i > first+1 && g.IntN(3) == 0 {
		a.From = i - 2
	}
	switch g.IntN(8) {
	case 0:
		a.Lag = Time(30 + 30*g.IntN(8))
	case 1:
		a.Joined = true
	}
	g.p.Arcs = append(g.p.Arcs, a)
	if a.From == i-2 && g.IntN(2) == 0 {
		g.p.Arcs = append(g.p.Arcs, Arc{From: first, To: i})
	}
}

// claims gives step i its people, perhaps a tool, and its use of the pool.
func (g *refMaker) claims(i int32) {
	s := &g.p.Steps[i]
	if !s.Elapsed {
		c := Claim{Steps: []int32{i}, Eligible: g.some(g.people, 1+len(g.people)/2), Count: 1, Crew: true}
		switch g.IntN(8) {
		case 0:
			g.p.Claims = append(g.p.Claims, Claim{Steps: []int32{i}, Eligible: g.some(g.people, 2), Count: 1, Crew: true})
		case 1:
			if c.Eligible, c.Count = g.people, 2; len(g.people) > 6 {
				c.Eligible = g.some(g.people, 6)
			}
		}
		g.p.Claims = append(g.p.Claims, c)
	}
	if g.IntN(3) == 0 {
		g.p.Claims = append(g.p.Claims, Claim{Steps: []int32{i}, Eligible: g.some(g.tools, 2), Count: 1})
	}
	if g.IntN(4) == 0 {
		g.p.Uses = append(g.p.Uses, Use{Step: i, Amount: int32(1 + g.IntN(2))})
	}
}

// some gives n of the units, ascending.
func (g *refMaker) some(units []int32, n int) []int32 {
	out := slices.Clone(units)
	g.Shuffle(len(out), func(a, b int) { out[a], out[b] = out[b], out[a] })
	out = out[:n]
	slices.Sort(out)
	return out
}

// refFingerprint is short for all of a problem.
func refFingerprint(p *Problem) string {
	data, err := json.Marshal(p)
	if err != nil {
		panic(err) // a problem holds nothing but numbers and names
	}
	h := fnv.New64a()
	h.Write(data)
	return fmt.Sprintf("%016x", h.Sum64())
}

func readOptima(t testing.TB) refOptima {
	data, err := os.ReadFile(referenceOptima)
	if err != nil {
		t.Fatal(err)
	}
	var o refOptima
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatalf("%s: %v", referenceOptima, err)
	}
	return o
}

// eachOptimum runs f for every problem of the file.
func eachOptimum(t *testing.T, f func(t *testing.T, o refOptimum, p *Problem)) {
	file := readOptima(t)
	solved := 0
	for _, o := range file.Problems {
		p := referenceProblem(referenceSize(o.Jobs), o.Seed)
		if got := refFingerprint(p); got != o.Problem {
			t.Fatalf("seed %d, %d jobs: the generator makes another problem (%s) than %s was made from (%s)",
				o.Seed, o.Jobs, got, referenceOptima, o.Problem)
		}
		if o.Finish.Status == "OPTIMAL" {
			solved++
		}
		f(t, o, p)
	}
	if solved < 200 {
		t.Errorf("%d optima in %s: too few", solved, referenceOptima)
	}
}

// TestReferenceFind compares the proved finish with the solver's.
func TestReferenceFind(t *testing.T) {
	proved := 0
	eachOptimum(t, func(t *testing.T, o refOptimum, p *Problem) {
		f, err := Find(context.Background(), p, FindOptions{Points: 1})
		if err != nil {
			t.Fatalf("seed %d, %d jobs: %v", o.Seed, o.Jobs, err)
		}
		if o.Finish.Status == "INFEASIBLE" {
			if len(f.Plans) > 0 || len(f.Impossible) == 0 {
				t.Errorf("seed %d, %d jobs: %d plans, impossible %v; the solver proves that there is none", o.Seed, o.Jobs, len(f.Plans), f.Impossible)
			}
			return
		}
		want := Time(o.Finish.Objective)
		if len(f.Plans) == 0 {
			t.Errorf("seed %d, %d jobs: no plan (impossible %v); the solver has one that ends at %d", o.Seed, o.Jobs, f.Impossible, want)
			return
		}
		pl := &f.Plans[0]
		if v := Validate(p, pl); v != nil {
			t.Errorf("seed %d, %d jobs: %+v", o.Seed, o.Jobs, v)
		}
		if f.Proved {
			proved++
		}
		if pl.Finish < want || f.Bound > want || f.Proved && pl.Finish != want || o.Jobs == 1 && !f.Proved {
			t.Errorf("seed %d, %d jobs: ends at %d, bound %d, proved %v; the solver proves %d", o.Seed, o.Jobs, pl.Finish, f.Bound, f.Proved, want)
		}
	})
	t.Logf("%d proved", proved)
}

// referenceEqual is how many of the lateness optima Arrange has to attain.
const referenceEqual = 195

// TestReferenceArrange compares the weighted lateness with the solver's. The
// search is no proof: it may miss some, but be below none.
func TestReferenceArrange(t *testing.T) {
	equal, all := 0, 0
	eachOptimum(t, func(t *testing.T, o refOptimum, p *Problem) {
		a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 60, Seed: 1})
		if err != nil {
			t.Fatalf("seed %d, %d jobs: %v", o.Seed, o.Jobs, err)
		}
		if o.Late.Status == "INFEASIBLE" {
			if len(a.Unplaced) == 0 {
				t.Errorf("seed %d, %d jobs: a plan; the solver proves that there is none", o.Seed, o.Jobs)
			}
			return
		}
		all++
		if len(a.Unplaced) > 0 {
			t.Logf("seed %d, %d jobs: unplaced %v", o.Seed, o.Jobs, a.Unplaced)
			return
		}
		if v := Validate(p, &a.Plan); v != nil {
			t.Errorf("seed %d, %d jobs: %+v", o.Seed, o.Jobs, v)
		}
		if want := o.Late.Objective; a.Late < want || a.LateBound > want {
			t.Errorf("seed %d, %d jobs: late by %v, bound %v; the solver proves %v", o.Seed, o.Jobs, a.Late, a.LateBound, want)
		} else if a.Late == want {
			equal++
		} else {
			t.Logf("seed %d, %d jobs: late by %v; the solver proves %v", o.Seed, o.Jobs, a.Late, want)
		}
	})
	t.Logf("%d of %d at the optimum", equal, all)
	if equal < referenceEqual {
		t.Errorf("%d of %d at the optimum, not %d", equal, all, referenceEqual)
	}
}
