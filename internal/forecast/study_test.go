package forecast

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"syscall"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bayhold/internal/plan"
)

// garage makes up a workshop with shifts, bays, locking sets and wrenches, and
// three kinds of timing job: preparations that nest around the work, a set that
// stays on the engine over most of it, steps for two, sealant that cures.
func garage(seed uint64, bays, people, perWeek, weeks int) (Workshop, []Work) {
	r := rand.New(rand.NewPCG(seed, 8))
	var w Workshop
	end := plan.Time(StudyWeeks(weeks) * weekMinutes)
	add := func(kind UnitKind, name string, u plan.Unit) int32 {
		u.ID, u.Expiry = name, plan.Never
		w.Units, w.Kinds = append(w.Units, u), append(w.Kinds, kind)
		return int32(len(w.Units) - 1)
	}
	always := []plan.Window{{Start: 0, End: end}}
	var bayIDs, timing, anyone []int32
	for i := range bays {
		bayIDs = append(bayIDs, add(Bay, fmt.Sprintf("bay-%d", i), plan.Unit{Open: always}))
	}
	for i := range people {
		var open []plan.Window
		late := plan.Time(i%3) * 60
		for d := range end / dayMinutes {
			if d%7 < 5 {
				open = append(open, plan.Window{Start: d*1440 + 420 + late, End: d*1440 + 720}, plan.Window{Start: d*1440 + 765, End: d*1440 + 960 + late})
			}
		}
		u := add(Person, fmt.Sprintf("person-%d", i), plan.Unit{Open: open})
		anyone = append(anyone, u)
		if i%3 != 2 {
			timing = append(timing, u)
		}
	}
	wrenches := []int32{add(Tool, "wrench-a", plan.Unit{Open: always}), add(Tool, "wrench-b", plan.Unit{Open: always})}
	var demand []Work
	for k := range 3 {
		sets := []int32{add(Tool, fmt.Sprintf("set-%d", k), plan.Unit{Open: always})}
		if k == 0 {
			sets = append(sets, add(Tool, "set-0b", plan.Unit{Open: always}))
		}
		demand = append(demand, timingJob(r, fmt.Sprintf("job-%d", k), float64(perWeek)/3, bayIDs, timing, anyone, wrenches, sets))
	}
	return w, demand
}

// timingJob makes up one kind of job of 18 steps and some ten hours.
func timingJob(r *rand.Rand, name string, perWeek float64, bays, timing, anyone, wrenches, sets []int32) Work {
	const steps = 18
	w := Work{Name: name, PerWeek: perWeek}
	all := make([]int32, steps)
	for i := range int32(steps) {
		all[i] = i
		d := plan.Time(15 + 5*r.IntN(9))
		s := plan.Step{Duration: d, Unbroken: r.IntN(6) == 0}
		if i == 13 {
			s = plan.Step{Duration: 60, Elapsed: true} // cures
		}
		w.Steps = append(w.Steps, s)
		w.Spreads = append(w.Spreads, Pert(0.75*float64(d), float64(d), 1.8*float64(d)))
		if i > 0 {
			w.Arcs = append(w.Arcs, plan.Arc{From: i - 1, To: i})
		}
		if !s.Elapsed {
			crew := plan.Claim{Steps: []int32{i}, Eligible: anyone, Count: 1, Crew: true}
			if i > 3 && i < 13 {
				crew.Eligible = timing
			}
			if i == 6 {
				crew.Count = 2
			}
			w.Claims = append(w.Claims, crew)
		}
		if i == 8 || i == 11 {
			w.Claims = append(w.Claims, plan.Claim{Steps: []int32{i}, Eligible: wrenches, Count: 1})
		}
	}
	w.Claims = append(w.Claims, plan.Claim{Steps: all[5:13], Eligible: sets, Count: 1}, plan.Claim{Steps: all, Eligible: bays, Count: 1})
	return w
}

// Whatever the workshop, nothing is held twice, people work in their hours, the
// arcs are kept, and every job ends.
func TestRunsAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64Range(0, 1000).Draw(t, "seed")
		arrival := rapid.SampledFrom([]Arrival{Appointed, Waiting}).Draw(t, "arrival")
		w, demand := garage(seed, rapid.IntRange(1, 4).Draw(t, "bays"), rapid.IntRange(3, 6).Draw(t, "people"), rapid.IntRange(2, 16).Draw(t, "a week"), 1)
		o := StudyOptions{Weeks: 1, WarmUp: 1, Replications: 2, Seed: seed, Arrival: arrival}
		if err := checkStudy(w, demand, nil, &o); err != nil {
			t.Fatal(err)
		}
		e := newEngine(newCase(w, demand, Change{}, o), 0)
		r, err := e.run(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if r.unfinished > 0 {
			t.Fatalf("%d jobs never end", r.unfinished)
		}
		sound(t, e)
	})
}

func sound(t *rapid.T, e *engine) {
	held := map[int32][]plan.Window{}
	for i := range e.holds {
		if h := &e.holds[i]; h.taken && h.left == 0 {
			held[h.unit] = append(held[h.unit], plan.Window{Start: h.from, End: h.until})
		}
	}
	for u, ws := range held {
		slices.SortFunc(ws, func(a, b plan.Window) int { return int(a.Start-b.Start)*1000 + int(a.End-b.End) })
		for i := 1; i < len(ws); i++ {
			if ws[i].Start < ws[i-1].End {
				t.Fatalf("unit %d is held for %v and %v", u, ws[i-1], ws[i])
			}
		}
	}
	for i := range e.jobs {
		j := &e.jobs[i]
		work := &e.c.works[j.work]
		for _, a := range work.Arcs {
			from, to := &e.steps[j.first+a.From], &e.steps[j.first+a.To]
			if to.state != coming && (from.state != finished || from.place.End+a.Lag > to.place.Start) {
				t.Fatalf("job %d: step %d before step %d", i, a.To, a.From)
			}
		}
		for k := range work.Steps {
			st := &e.steps[j.first+int32(k)]
			if st.state != finished {
				continue
			}
			worked := st.place.End - st.place.Start
			if st.cal != nil && !work.Steps[k].Unbroken {
				worked = st.cal.minutes(st.place)
			}
			if worked != st.minutes {
				t.Fatalf("job %d step %d: %d minutes in %v, wants %d", i, k, worked, st.place, st.minutes)
			}
			if st.cal != nil && st.cal.first(st.place.Start) != st.place.Start {
				t.Fatalf("job %d step %d begins when nobody is there", i, k)
			}
			if e.c.o.Arrival == Appointed && st.place.Start < j.asked {
				t.Fatalf("job %d begins before it is asked for", i)
			}
		}
	}
}

func TestStudyIsTheSameOnAnyNumberOfCores(t *testing.T) {
	w, demand := garage(3, 3, 4, 8, 4)
	variants := []Variant{{Name: "one more bay", Change: Change{More: []int32{0}}}, {Name: "longer", Change: Change{Longer: 60}}}
	o := StudyOptions{Weeks: 4, WarmUp: 1, Replications: 4, Seed: 9, Workers: 1}
	want, err := Run(context.Background(), w, demand, variants, o)
	if err != nil {
		t.Fatal(err)
	}
	o.Workers = 3
	got, err := Run(context.Background(), w, demand, variants, o)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("three goroutines answer otherwise than one")
	}
}

// A workshop in which one thing is short: one more of it saves most, one more of
// what there is plenty of saves nothing, and taking it away costs.
func TestVariantsAreRanked(t *testing.T) {
	w, demand := garage(5, 6, 9, 12, 10)
	scarce := int32(slices.IndexFunc(w.Units, func(u plan.Unit) bool { return u.ID == "set-1" }))
	// Only one kind of job, and its one set on the engine for most of it.
	demand = demand[1:2]
	demand[0].PerWeek = 6
	got, err := Run(context.Background(), w, demand, []Variant{
		{Name: "one more bay", Change: Change{More: []int32{0}}},
		{Name: "set away", Change: Change{Away: []Absence{{Unit: scarce, During: plan.Window{Start: 2 * weekMinutes, End: 3 * weekMinutes}}}}},
		{Name: "one more set", Cost: 900, Change: Change{More: []int32{scarce}}},
		{Name: "longer hours", Change: Change{Longer: 60}},
	}, StudyOptions{Weeks: 10, WarmUp: 2, Replications: 8, Seed: 4, Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range got.Variants {
		t.Logf("%-13s saves %.1f (%.1f to %.1f) waiting days, waits %.2f", v.Name, v.Saved.Mean, v.Saved.Low, v.Saved.High, v.Wait.Mean)
	}
	first, last := got.Variants[0], got.Variants[len(got.Variants)-1]
	if first.Name != "one more set" || first.Saved.Low <= 0 {
		t.Errorf("most saves %s, %+v", first.Name, first.Saved)
	}
	if last.Name != "set away" || last.Saved.High >= 0 {
		t.Errorf("least saves %s, %+v", last.Name, last.Saved)
	}
	for _, v := range got.Variants {
		if v.Name == "one more bay" && (v.Saved.Mean > 0.1*first.Saved.Mean) {
			t.Errorf("a bay that nobody wants saves %+v", v.Saved)
		}
	}
	for _, u := range got.Base.Units {
		if u.Used.Mean < 0 || u.Used.Mean > 1.05 || u.Blocked.Mean > u.Used.Mean {
			t.Errorf("use of %s: %+v", u.ID, u)
		}
	}
}

// Jobs are asked for while everybody is away for three weeks: they find their place
// after that, unbroken steps, too. One waits for nothing, one for 20 days, and one
// for 14 and for the one before it.
func TestStudyOverAShutDown(t *testing.T) {
	w, demand := garage(2, 3, 4, 4, 6)
	demand = demand[:1]
	demand[0].Asking.Times = []plan.Time{2 * weekMinutes, 3*weekMinutes + dayMinutes, 4 * weekMinutes}
	away := plan.Window{Start: 3 * weekMinutes, End: 6 * weekMinutes}
	for i := range w.Units {
		if w.Kinds[i] == Person {
			w.Units[i].Open = plan.Less(w.Units[i].Open, []plan.Window{away})
		}
	}
	for i := range demand {
		for k := range demand[i].Steps {
			demand[i].Steps[k].Unbroken = !demand[i].Steps[k].Elapsed
		}
	}
	got, err := Run(context.Background(), w, demand, nil, StudyOptions{Weeks: 6, WarmUp: 1, Replications: 2, Seed: 6})
	if err != nil {
		t.Fatal(err)
	}
	if got.Base.Jobs.Mean != 3 || got.Base.TurnedAway.Mean != 0 || got.Base.Wait.Mean < 11 || got.Base.Wait.Mean > 13 {
		t.Errorf("%+v", got.Base)
	}
}

func TestStudyRefuses(t *testing.T) {
	w, demand := garage(1, 2, 3, 4, 2)
	good := StudyOptions{Weeks: 2, Replications: 2}
	for name, try := range map[string]func() error{
		"no weeks": func() error {
			o := good
			o.Weeks = 0
			_, err := Run(context.Background(), w, demand, nil, o)
			return err
		},
		"one replication": func() error {
			o := good
			o.Replications = 1
			_, err := Run(context.Background(), w, demand, nil, o)
			return err
		},
		"no demand": func() error { _, err := Run(context.Background(), w, nil, nil, good); return err },
		"a bad variant": func() error {
			_, err := Run(context.Background(), w, demand, []Variant{{Change: Change{More: []int32{99}}}}, good)
			return err
		},
		"nobody to serve": func() error {
			d := slices.Clone(demand)
			d[0].Claims = append(slices.Clone(d[0].Claims), plan.Claim{Steps: []int32{0}, Count: 1})
			_, err := Run(context.Background(), w, d, nil, good)
			return err
		},
	} {
		if err := try(); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	o := good
	o.Replications = 50
	o.Progress = func(done, _ int) {
		if done == 2 {
			cancel()
		}
	}
	if _, err := Run(ctx, w, demand, nil, o); !errors.Is(err, context.Canceled) {
		t.Errorf("broken off: %v", err)
	}
}

// BenchmarkStudy is 26 weeks of eight bays, 40 replications; the target is a
// minute on two cores. Of the runs it plays some, by their number; all are
// alike, so that cpu-s/study, the processor time of 40, can be had sooner.
func BenchmarkStudy(b *testing.B) {
	w, demand := garage(1, 8, 9, 18, 26)
	for _, runs := range []int{4, 40} {
		b.Run(fmt.Sprint("runs=", runs), func(b *testing.B) {
			before := cpu()
			for b.Loop() {
				s, err := Run(context.Background(), w, demand, nil, StudyOptions{Weeks: 26, Replications: runs, Seed: 1, Workers: 2})
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(s.Base.Jobs.Mean, "jobs/run")
				b.ReportMetric(s.Base.Wait.Mean, "wait-days")
				b.ReportMetric(s.Base.Late.Mean, "late-days")
				b.ReportMetric(s.Base.InBay.Mean, "bay-days")
			}
			b.ReportMetric((cpu()-before)/float64(b.N)/float64(runs)*40, "cpu-s/study")
		})
	}
}

// cpu is the processor time that this process has taken, in seconds: on a machine
// that is shared the clock on the wall says little.
func cpu() float64 {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		return math.NaN()
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano()).Seconds()
}
