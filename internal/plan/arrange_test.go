package plan

import (
	"context"
	"runtime"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// week makes a workshop week with this many jobs.
func week(jobs int, seed uint64) *Problem {
	return workshop(shop{
		jobs: jobs, steps: 10, bays: 4, people: 8, tools: 40, bookings: 60, days: 7 + jobs*2/3,
		seed: seed, longest: 90, betweenSteps: 8,
	})
}

// TestArrangeIsSound validates arrangements of random weeks.
func TestArrangeIsSound(t *testing.T) {
	for seed := range uint64(8) {
		p := week(1+int(seed), seed)
		calls, last := 0, 1e300
		a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 60, Seed: seed, Improved: func(x Arrangement) {
			if calls++; x.Late > last {
				t.Errorf("seed %d: told of a worse plan: %v after %v", seed, x.Late, last)
			}
			last = x.Late
		}})
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Unplaced) > 0 || calls == 0 {
			t.Fatalf("seed %d: unplaced %v, told %d times", seed, a.Unplaced, calls)
		}
		if v := Validate(p, &a.Plan); v != nil {
			t.Fatalf("seed %d: %+v", seed, v)
		}
		if a.Late < a.LateBound || a.Plan.Finish < a.Plan.Bound {
			t.Errorf("seed %d: below its bound: %+v", seed, a)
		}
	}
}

// TestArrangeIsDeterministic runs the same call on one core and on all.
func TestArrangeIsDeterministic(t *testing.T) {
	p := week(8, 3)
	o := ArrangeOptions{Schedules: 100, Seed: 5}
	a, _ := Arrange(context.Background(), p, o)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	b, _ := Arrange(context.Background(), p, o)
	if d := cmp.Diff(a, b); d != "" {
		t.Errorf("on all cores and on one:\n%s", d)
	}
}

// TestArrangeTinyProblems arranges the problems of the exhaustive tests, with
// pools, frozen steps and all.
func TestArrangeTinyProblems(t *testing.T) {
	for seed := range problems(500) {
		p := tiny(seed)
		if p.Check() != nil {
			continue
		}
		a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 4})
		if err != nil {
			t.Fatal(err)
		}
		want := bruteFront(p, false, 0)
		if (len(want) > 0) != (len(a.Unplaced) == 0) {
			t.Fatalf("seed %d: unplaced %v, everything %v\n%+v", seed, a.Unplaced, want, p)
		}
		if len(want) > 0 {
			if v := Validate(p, &a.Plan); v != nil || a.Plan.Finish != want[0].Start {
				t.Fatalf("seed %d: %+v\n%+v, everything %v", seed, v, a.Plan, want)
			}
		}
	}
}

func TestArrangeStopsInTime(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	start := time.Now()
	if _, err := Arrange(ctx, week(20, 1), ArrangeOptions{}); err != nil {
		t.Fatal(err)
	}
	if d := time.Since(start); d > 5*time.Second {
		t.Errorf("took %v", d)
	}
}

// TestArrangeBeginsWithWhatStands gives it a plan of which one job no longer
// holds, and no budget to speak of.
func TestArrangeBeginsWithWhatStands(t *testing.T) {
	p := week(5, 2)
	a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 100})
	if err != nil {
		t.Fatal(err)
	}
	p.Steps[0].Duration += 30
	p.Steps[0].Unbroken = false
	b, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 2, Standing: &a.Plan})
	if err != nil || len(b.Unplaced) > 0 {
		t.Fatalf("%v, unplaced %v", err, b.Unplaced)
	}
	if v := Validate(p, &b.Plan); v != nil {
		t.Fatalf("%+v", v)
	}
	same := 0
	for i := range p.Steps {
		if a.Plan.Steps[i] == b.Plan.Steps[i] {
			same++
		}
	}
	if same < 4*len(p.Steps)/5 {
		t.Errorf("only %d of %d steps are where they stood", same, len(p.Steps))
	}
}

// TestInsertEndsEarlyBesideOthers puts a job beside one that has the same pool for
// longer than the job needs: it still ends as early as it can, its longer branch
// first.
func TestInsertEndsEarlyBesideOthers(t *testing.T) {
	p := &Problem{Horizon: 2000, Pools: []Pool{{Capacity: 2}}, Jobs: []Job{{Due: Never}, {Due: Never}},
		Units: []Unit{{ID: "technician", Open: []Window{{0, 2000}}, Expiry: Never}},
		Steps: []Step{{Duration: 900}, {Duration: 100, Job: 1}, {Duration: 100, Job: 1}, {Duration: 300, Job: 1}},
		Arcs:  []Arc{{From: 2, To: 3}},
		Uses:  []Use{{0, 0, 1}, {1, 0, 1}},
	}
	for s := range int32(2) {
		p.Claims = append(p.Claims, Claim{Steps: []int32{1 + s}, Eligible: []int32{0}, Count: 1, Crew: true})
	}
	in := newInserter(context.Background(), p, 0, p.grouped())
	if !in.insert(0) || !in.insert(1) {
		t.Fatal("no place")
	}
	if pl := in.placed[1]; pl.Finish != 400 || pl.Minutes != 400 || len(pl.Steps) != 3 {
		t.Errorf("%+v", pl)
	}
}

// TestArrangeKeepsToolsInTheirBays has three jobs that take one tool in turn and
// stand in either of two bays. The smaller gap is in the one that has no room
// for the last job; the tool need not move if all stand in the other.
func TestArrangeKeepsToolsInTheirBays(t *testing.T) {
	whole := []Window{{0, 1000}}
	p := &Problem{Horizon: 1000, Units: []Unit{
		{ID: "bay-1", Open: whole, Expiry: Never, Place: true},
		{ID: "bay-2", Open: whole, Expiry: Never, Place: true, Busy: []Blocked{{Window{200, 900}, 0}}},
		{ID: "tool", Open: whole, Expiry: Never},
	}}
	for j := range int32(3) {
		p.Jobs = append(p.Jobs, Job{Due: Never})
		p.Steps = append(p.Steps, Step{Duration: 90, Job: j})
		p.Claims = append(p.Claims,
			Claim{Steps: []int32{j}, Eligible: []int32{0, 1}, Count: 1}, Claim{Steps: []int32{j}, Eligible: []int32{2}, Count: 1})
	}
	a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 20})
	if err != nil {
		t.Fatal(err)
	}
	if v := Validate(p, &a.Plan); v != nil || a.Moves != 0 || a.Plan.Finish != 270 {
		t.Errorf("%d moves, ends at %d, %v: %+v", a.Moves, a.Plan.Finish, v, a.Plan)
	}
}

// TestArrangeStaysWhereItStood gives it a plan that could be mirrored at no
// loss: two jobs alike, of which either may go first.
func TestArrangeStaysWhereItStood(t *testing.T) {
	p := &Problem{Horizon: 1000, Units: []Unit{{ID: "bay", Open: []Window{{0, 1000}}, Expiry: Never}}}
	for j := range int32(2) {
		p.Jobs = append(p.Jobs, Job{Due: Never})
		p.Steps = append(p.Steps, Step{Duration: 100, Job: j})
		p.Claims = append(p.Claims, Claim{Steps: []int32{j}, Eligible: []int32{0}, Count: 1})
	}
	stands := Plan{Steps: []Window{{100, 200}, {0, 100}}, Units: [][]int32{{0}, {0}}, Finish: 200}
	a, err := Arrange(context.Background(), p, ArrangeOptions{Schedules: 500, Standing: &stands})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(stands.Steps, a.Plan.Steps); d != "" {
		t.Error(d)
	}
}
