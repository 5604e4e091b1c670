package forecast

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"bayhold/internal/plan"
)

// tally counts what a run shows.
type tally struct {
	awaited    int // jobs that count and are not handed back
	turnedAway int
	inHouse    int64
	since      plan.Time // of the last change of inHouse
	area       int64     // job minutes, by time
	counted    int64     // the same within the weeks that count
	used       []int64   // minutes of each unit in the weeks that count
	blocked    []int64
}

func newTally(c *studyCase) tally {
	return tally{used: make([]int64, len(c.units)), blocked: make([]int64, len(c.units))}
}

// pass lets time go by with so many jobs in the house.
func (t *tally) pass(e *engine, now plan.Time) {
	t.area += t.inHouse * int64(now-t.since)
	if from, to := max(t.since, e.c.from), min(now, e.c.to); from < to {
		t.counted += t.inHouse * int64(to-from)
	}
	t.since = now
}

// came counts a job in.
func (t *tally) came(e *engine, now plan.Time) {
	t.pass(e, now)
	t.inHouse++
}

// handedBack counts a job out, and what it held.
func (t *tally) handedBack(e *engine, id int32) {
	job := &e.jobs[id]
	t.pass(e, job.end)
	t.inHouse--
	if job.asked >= e.c.from && job.asked < e.c.to {
		t.awaited--
	}
	var work []plan.Window
	for k := range e.c.works[job.work].Steps {
		st := &e.steps[job.first+int32(k)]
		work = append(work, clip(st.place, e.c.from, e.c.to))
	}
	work = plan.Union(work)
	for _, h := range job.holds {
		hold := &e.holds[h]
		if hold.crew {
			continue
		}
		at := clip(plan.Window{Start: hold.from, End: hold.until}, e.c.from, e.c.to)
		held := int64(e.c.house.minutes(at))
		busy := int64(0)
		for _, w := range plan.Common(work, plan.Union([]plan.Window{at})) {
			busy += int64(e.c.house.minutes(w))
		}
		t.used[hold.unit] += held
		t.blocked[hold.unit] += held - busy
	}
}

// worked counts a person's minutes at a step.
func (t *tally) worked(e *engine, unit int32, st *liveStep) {
	at := clip(st.place, e.c.from, e.c.to)
	if st.cal != nil {
		t.used[unit] += int64(st.cal.minutes(at))
	} else {
		t.used[unit] += int64(at.End - at.Start)
	}
}

// clip cuts a window to a range.
func clip(w plan.Window, from, to plan.Time) plan.Window {
	w.Start, w.End = max(w.Start, from), min(w.End, to)
	w.End = max(w.Start, w.End)
	return w
}

// run is what one replication came to.
type run struct {
	jobs, turnedAway, unfinished int
	wait, back, bay, late        float64 // days, summed over the jobs that count
	lates                        int
	early, latter                float64 // average wait in the first and in the second half
	inHouse                      float64
	used, blocked                []float64 // shares, by unit
	area, stays                  int64
}

const dayMinutes = 24 * 60

// close draws up what a run came to, and checks that its books agree.
func (t *tally) close(e *engine) (run, error) {
	r := run{turnedAway: t.turnedAway}
	t.pass(e, e.now)
	half := (e.c.from + e.c.to) / 2
	var halves [2]struct{ sum, n float64 }
	for i := range e.jobs {
		j := &e.jobs[i]
		end := j.end
		if end < 0 {
			end = e.now
		}
		r.stays += int64(end - j.asked)
		if j.asked < e.c.from || j.asked >= e.c.to {
			continue
		}
		r.jobs++
		began := j.began
		if began < 0 {
			began = e.now
		}
		if j.end < 0 {
			r.unfinished++
		}
		wait := days(began - j.asked)
		r.wait += wait
		r.back += days(end - j.asked)
		r.bay += days(end - began)
		if late := end - j.promised; late > 0 {
			r.lates++
			r.late += days(late)
		}
		h := &halves[0]
		if j.asked >= half {
			h = &halves[1]
		}
		h.sum, h.n = h.sum+wait, h.n+1
	}
	r.early, r.latter = halves[0].sum/max(1, halves[0].n), halves[1].sum/max(1, halves[1].n)
	r.area = t.area
	if r.area != r.stays {
		return r, errLittle(r.area, r.stays)
	}
	r.inHouse = float64(t.counted) / float64(e.c.to-e.c.from)
	whole := plan.Window{Start: e.c.from, End: e.c.to}
	for u := range e.c.units {
		of := e.c.house.minutes(whole)
		if e.c.kinds[u] == Person {
			of = e.c.opens[u].minutes(whole)
		}
		r.used = append(r.used, float64(t.used[u])/float64(max(1, of)))
		r.blocked = append(r.blocked, float64(t.blocked[u])/float64(max(1, of)))
	}
	return r, nil
}

func days(t plan.Time) float64 { return float64(t) / dayMinutes }

// measure is the mean of one number over the replications with the interval of
// Student's t: the replications are independent, whatever happens within them.
func measure(xs []float64) Measure {
	mean, n := stat.Mean(xs, nil), float64(len(xs))
	if n < 2 {
		return Measure{mean, math.Inf(-1), math.Inf(1)}
	}
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile((1+confidence)/2) * stat.StdErr(stat.StdDev(xs, nil), n)
	return Measure{mean, mean - half, mean + half}
}

// over measures one number of each run.
func over(runs []run, f func(*run) float64) Measure {
	xs := make([]float64, len(runs))
	for i := range runs {
		xs[i] = f(&runs[i])
	}
	return measure(xs)
}

// perJob spreads a sum over the jobs of a run.
func perJob(f func(*run) float64) func(*run) float64 {
	return func(r *run) float64 { return f(r) / max(1, float64(r.jobs)) }
}

// summarize draws the replications of a case together.
func summarize(c *studyCase, runs []run) Summary {
	s := Summary{
		Jobs:       over(runs, func(r *run) float64 { return float64(r.jobs) }),
		Wait:       over(runs, perJob(func(r *run) float64 { return r.wait })),
		HandBack:   over(runs, perJob(func(r *run) float64 { return r.back })),
		InBay:      over(runs, perJob(func(r *run) float64 { return r.bay })),
		Late:       over(runs, perJob(func(r *run) float64 { return r.late })),
		LateShare:  over(runs, perJob(func(r *run) float64 { return float64(r.lates) })),
		InHouse:    over(runs, func(r *run) float64 { return r.inHouse }),
		TurnedAway: over(runs, func(r *run) float64 { return float64(r.turnedAway) }),
		Unfinished: over(runs, func(r *run) float64 { return float64(r.unfinished) }),
	}
	growth := over(runs, func(r *run) float64 { return r.latter - r.early })
	s.Growing = growth.Low > 0 && growth.Mean > 0.25*s.Wait.Mean || s.Unfinished.Mean > 0.05*s.Jobs.Mean
	for u := range c.units {
		use := UnitUse{ID: c.units[u].ID, Kind: c.kinds[u], Used: over(runs, func(r *run) float64 { return r.used[u] })}
		if use.Kind != Person {
			use.Blocked = over(runs, func(r *run) float64 { return r.blocked[u] })
		}
		s.Units = append(s.Units, use)
	}
	slices.SortStableFunc(s.Units, func(a, b UnitUse) int { return cmp.Compare(b.Used.Mean, a.Used.Mean) })
	return s
}

// compare sets a variant's runs against those of the workshop as it is, pair by
// pair: the same demand, the same durations.
func compare(base, other []run) (whole, each Measure) {
	saved, per := make([]float64, len(base)), make([]float64, len(base))
	for i := range base {
		per[i] = base[i].wait/max(1, float64(base[i].jobs)) - other[i].wait/max(1, float64(other[i].jobs))
		saved[i] = per[i] * float64(base[i].jobs)
	}
	return measure(saved), measure(per)
}
