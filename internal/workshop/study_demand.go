package workshop

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Demand is one kind of job, and how often it is asked for.
type Demand struct {
	Procedures []string
	PerWeek    float64
	Asking     Asking
}

// Asking says how the times lie at which a kind of job is asked for; the zero
// value is Poisson.
type Asking struct {
	// Variation is the standard deviation of the gaps over their mean; nil: Poisson.
	Variation *float64
	Batch     int // 0 is one
	// Weekdays are those on which it is asked for, when work begins; none: all.
	Weekdays []time.Weekday
	// Times are the very times, taken again and again.
	Times []time.Time
}

// PastDemand tells from what past a demand was taken.
type PastDemand struct {
	Jobs  int
	Weeks float64
	// PerWeek is the rate of all kinds together with its 95 % interval.
	PerWeek forecast.Measure
	Few     bool // fewer than fewPast jobs
}

// Bounds of a demand.
const (
	maxAskings  = 20_000
	askedWithin = 2 * 366 * 24 * time.Hour
	// fewPast jobs leave their rate open by more than four tenths either way.
	fewPast = 20
	// morning is when a day is taken to begin on which nobody is at work.
	morning = 8 * 60
)

func (d *Demand) check(fs *fault.Fields, path string, scale float64) {
	a := d.Asking
	if len(a.Times) == 0 && !(d.PerWeek > 0 && d.PerWeek <= 1000) {
		fs.Add(path+".per_week", "must be above 0 and at most 1,000")
	}
	path += ".asking"
	if v := a.Variation; v != nil && !(*v >= 0 && *v <= forecast.MaxCV) {
		fs.Add(path+".gap_variation", "must be 0 to %d", forecast.MaxCV)
	}
	if a.Batch < 0 || a.Batch > forecast.MaxBatch {
		fs.Add(path+".batch", "must be 1 to %d", forecast.MaxBatch)
	}
	ways := 0
	for _, given := range []bool{a.Variation != nil || a.Batch > 1, len(a.Weekdays) > 0, len(a.Times) > 0} {
		if given {
			ways++
		}
	}
	if ways > 1 {
		fs.Add(path, "says more than one of gap_variation or batch, weekdays, and times")
	}
	if len(a.Times) == 0 {
		return
	}
	slices.SortFunc(a.Times, time.Time.Compare)
	switch {
	case len(a.Times) > maxAskings:
		fs.Add(path+".times", "must be %d at the most", maxAskings)
	case a.Times[len(a.Times)-1].Sub(a.Times[0]) > askedWithin:
		fs.Add(path+".times", "must lie within two years")
	case scale != 1:
		fs.Add("scale", "goes with demands a week; the times of %s are taken as they are", strings.Join(d.Procedures, " with "))
	}
}

// round is the whole weeks that the times of a demand lie in, all kinds together:
// from which Monday on, and how many days.
type round struct {
	from hours.Date
	days int
}

func roundOf(list []Demand, zone *time.Location) round {
	var first, last time.Time
	for _, d := range list {
		if n := len(d.Asking.Times); n > 0 {
			if at := d.Asking.Times[0]; first.IsZero() || at.Before(first) {
				first = at
			}
			if at := d.Asking.Times[n-1]; at.After(last) {
				last = at
			}
		}
	}
	from := hours.DateOf(weekOf(first, zone).Start, zone)
	return round{from, daysBetween(from, hours.DateOf(weekOf(last, zone).End, zone))}
}

// asking puts an Asking to a study of so many counted weeks whose minute 0 is that
// of the yard, the midnight with which a Monday begins.
func (d *Demand) asking(y *yard, weeks int, r round) forecast.Asking {
	a := d.Asking
	out := forecast.Asking{Batch: a.Batch}
	if a.Variation != nil {
		out.Gaps = &forecast.Gaps{CV: *a.Variation}
	}
	if len(a.Weekdays) == 0 && len(a.Times) == 0 {
		return out
	}
	out.Times = []plan.Time{}
	ask := func(at time.Time) {
		if t := plan.Time(at.Sub(y.epoch) / time.Minute); t >= 0 && t < y.horizon {
			out.Times = append(out.Times, t)
		}
	}
	begin, days := hours.DateOf(y.epoch, y.zone), 7*forecast.StudyWeeks(weeks)
	if len(a.Times) > 0 {
		wall := map[int][]int{} // minutes of each day of the round
		for _, t := range a.Times {
			local := t.In(y.zone)
			day := daysBetween(r.from, hours.DateOf(t, y.zone))
			wall[day] = append(wall[day], local.Hour()*60+local.Minute())
		}
		d.PerWeek = 7 * float64(len(a.Times)) / float64(r.days)
		counted := 7 * forecast.WarmUpWeeks(weeks)
		for k := range days {
			for _, minute := range wall[((k-counted)%r.days+r.days)%r.days] {
				ask(begin.AddDays(k).At(minute, y.zone))
			}
		}
		slices.Sort(out.Times) // a clock that is put back
		return out
	}
	opens := y.anybody()
	due := 0.0
	for k := range days {
		day := begin.AddDays(k)
		if !slices.Contains(a.Weekdays, day.Weekday()) {
			continue
		}
		at := day.At(morning, y.zone)
		if from := y.firstOpen(opens, day); !from.IsZero() {
			at = from
		}
		for due += d.PerWeek / float64(len(a.Weekdays)); due > 1-1e-9; due-- {
			ask(at)
		}
	}
	return out
}

// daysBetween counts the days from one day to a later one.
func daysBetween(a, b hours.Date) int {
	return int(math.Round(b.At(0, time.UTC).Sub(a.At(0, time.UTC)).Hours() / 24))
}

// anybody is when any technician is at work.
func (y *yard) anybody() []plan.Window {
	var all []plan.Window
	for i := range y.units {
		if y.refs[i].Kind == site.KindTechnician {
			all = append(all, y.units[i].Working()...)
		}
	}
	return plan.Union(all)
}

// firstOpen is when work begins on a day; zero if it does not.
func (y *yard) firstOpen(opens []plan.Window, day hours.Date) time.Time {
	from, to := day.At(0, y.zone), day.AddDays(1).At(0, y.zone)
	for _, w := range opens {
		start := y.epoch.Add(time.Duration(w.Start) * time.Minute)
		if !start.Before(from) {
			if start.Before(to) {
				return start
			}
			break
		}
	}
	return time.Time{}
}

// pastDemand tells what was booked in so many weeks, or since the site's first job
// if that is later: jobs by what was done.
func (w *Workshop) pastDemand(ctx context.Context, r store.Reader, weeks int) ([]Demand, *PastDemand, error) {
	const week = 7 * 24 * time.Hour
	now := w.Now()
	from := now.Add(-time.Duration(weeks) * week)
	first, err := r.Jobs(ctx, store.JobFilter{Now: now, Limit: 1})
	if err != nil {
		return nil, nil, err
	}
	if len(first) > 0 && first[0].Planned.Start.After(from) {
		// At least a week, or one job would make a rush.
		from = first[0].Planned.Start
		if latest := now.Add(-week); from.After(latest) {
			from = latest
		}
	}
	list, err := r.Jobs(ctx, store.JobFilter{Now: now, During: hours.Range{Start: from, End: now}})
	if err != nil {
		return nil, nil, err
	}
	past := &PastDemand{Weeks: now.Sub(from).Hours() / week.Hours()}
	count := map[string]int{}
	for _, j := range list {
		if len(j.Procedures) == 0 || j.Planned.Start.Before(from) {
			continue
		}
		ids := make([]string, 0, len(j.Procedures))
		for _, p := range j.Procedures {
			ids = append(ids, p.ID)
		}
		slices.Sort(ids)
		count[strings.Join(ids, " ")]++
		past.Jobs++
	}
	if past.Jobs == 0 {
		return nil, nil, fault.New(fault.Precondition, "NO_PAST", "no job with procedures began in the last %d weeks: say what is asked for, and how often a week", weeks)
	}
	past.PerWeek, past.Few = forecast.Rate(past.Jobs, past.Weeks), past.Jobs < fewPast
	var out []Demand
	for _, key := range keys(count) {
		out = append(out, Demand{Procedures: strings.Fields(key), PerWeek: float64(count[key]) / past.Weeks})
	}
	return out, past, nil
}

// checkDemand refuses what cannot be asked for.
func (q *StudyQuestion) checkDemand(fs *fault.Fields) {
	if len(q.Demand) > maxDemand {
		fs.Add("demand", "must be %d kinds of job at the most", maxDemand)
	}
	for i := range q.Demand {
		q.Demand[i].check(fs, fmt.Sprintf("demand[%d]", i), q.Scale)
	}
}
