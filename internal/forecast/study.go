package forecast

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// UnitKind says what a unit is.
type UnitKind string

// The kinds of unit.
const (
	Bay    UnitKind = "BAY"
	Person UnitKind = "PERSON"
	Tool   UnitKind = "TOOL"
)

// Workshop is what a study works with: the units over its whole time, from
// minute 0, without bookings.
type Workshop struct {
	Units []plan.Unit
	Kinds []UnitKind // of each unit
}

// Work is one kind of job, and how often it is asked for.
type Work struct {
	Name    string
	PerWeek float64 // on average; of no account where Asking has the very times
	Asking  Asking
	Steps   []plan.Step
	Spreads []Spread // of each step: what it really takes
	Arcs    []plan.Arc
	Claims  []plan.Claim
}

// Arrival says when the vehicle of a booked job can be worked on.
type Arrival string

// The ways of arriving.
const (
	// Appointed vehicles come when the booked plan begins, not before.
	Appointed Arrival = "APPOINTED"
	// Waiting vehicles are left when the job is asked for.
	Waiting Arrival = "WAITING"
)

// StudyOptions say how to study.
type StudyOptions struct {
	Weeks, WarmUp int // weeks that count, and weeks before them that do not
	Replications  int
	Seed          uint64
	Workers       int // goroutines; 0 is 1; the answer does not depend on it
	Arrival       Arrival
	// Ahead is how many minutes ahead the planner looks for a place; a job that
	// has none by then goes elsewhere. 0: eight weeks.
	Ahead plan.Time
	// Nodes is the planner's budget for each booking; 0 is bookingNodes.
	Nodes int64
	// Progress is called, one call at a time, after each run.
	Progress func(done, of int)
}

// Bounds of a study.
const (
	MaxWeeks        = 104
	MaxReplications = 1000
	MaxVariants     = 20
	// Tail is how many weeks a run may go on after those that count, so that
	// their jobs come to an end.
	Tail        = 16
	weekMinutes = 7 * 24 * 60
	aheadWeeks  = 8
	// bookingNodes is the budget with which Arrange places a job. It is no matter
	// of speed alone: with a third of it, waits came out a tenth shorter.
	bookingNodes = 300
)

// WarmUpWeeks is the rule for the weeks that do not count: the workshop starts
// empty, and a quarter of the time studied, at least four weeks, goes by before
// counting begins.
func WarmUpWeeks(weeks int) int { return max(4, (weeks+3)/4) }

// StudyWeeks is how many weeks of the calendar a study needs to know.
func StudyWeeks(weeks int) int { return WarmUpWeeks(weeks) + weeks + Tail + aheadWeeks }

// Change makes a variant of the workshop, at most one thing of each kind.
type Change struct {
	// More are units of which there is one more, with the same hours.
	More []int32
	// Longer lets every person go on for so many minutes at the end of each
	// day's work.
	Longer plan.Time
	// Away takes a unit away for a time, which counts from the first week
	// that counts.
	Away []Absence
}

// Absence is a unit that cannot be had for a time.
type Absence struct {
	Unit   int32
	During plan.Window
}

// Variant is a change that is compared with the workshop as it is.
type Variant struct {
	Name   string
	Cost   float64 // in whatever money; 0 if not known
	Change Change
}

// Measure is an average over replications with its 95 % interval.
type Measure struct{ Mean, Low, High float64 }

// UnitUse is how a unit was used, as shares of its opening time.
type UnitUse struct {
	ID   string
	Kind UnitKind
	// Used is the share of time for which it was held by jobs, or worked.
	Used Measure
	// Blocked is the share for which a bay or tool was held while nobody
	// worked on its job.
	Blocked Measure
}

// Summary is what a workshop does with the demand.
type Summary struct {
	Jobs       Measure // asked for and booked in the weeks that count
	Wait       Measure // days from asking to the first step
	HandBack   Measure // days from asking to hand-back
	InBay      Measure // days from the first step to hand-back
	Late       Measure // days past the booked hand-back, on average over all jobs
	LateShare  Measure // share of jobs that were late
	InHouse    Measure // jobs that stand in a bay or wait, on average
	TurnedAway Measure // jobs for which no place was found
	Unfinished Measure // jobs not handed back when the time was over
	Units      []UnitUse
	// Growing says that waits were longer in the second half of the counted
	// weeks than in the first, beyond chance: the demand is more than the
	// workshop can do, and no average means much.
	Growing bool
}

// Compared is a variant's summary, and what it saves.
type Compared struct {
	Variant
	Summary
	// Saved is the waiting days saved over the weeks that count, all jobs
	// together, on the same demand.
	Saved Measure
	// SavedPerJob is the same for one job.
	SavedPerJob Measure
}

// Study is the answer to a study.
type Study struct {
	Weeks, WarmUp, Replications int
	Base                        Summary
	// Variants, those that save most first.
	Variants []Compared
}

// Run studies a workshop under a demand, as it is and in each variant. The
// booking policy is that of the planner, earliest hand-back first, with the small
// budget by which it places one job among many (plan.Quick); what is booked is then worked through in the order of the
// bookings, with durations as they come out. The error is a fault of kind Invalid
// for an unsound question, or that of the context.
func Run(ctx context.Context, w Workshop, demand []Work, variants []Variant, o StudyOptions) (*Study, error) {
	if err := checkStudy(w, demand, variants, &o); err != nil {
		return nil, err
	}
	cases := []*studyCase{newCase(w, demand, Change{}, o)}
	for _, v := range variants {
		cases = append(cases, newCase(w, demand, v.Change, o))
	}
	runs := make([][]run, len(cases)) // by case and replication
	for c := range runs {
		runs[c] = make([]run, o.Replications)
	}
	if err := runAll(ctx, cases, runs, o); err != nil {
		return nil, err
	}
	s := &Study{Weeks: o.Weeks, WarmUp: o.WarmUp, Replications: o.Replications, Base: summarize(cases[0], runs[0])}
	for i, v := range variants {
		c := Compared{Variant: v, Summary: summarize(cases[i+1], runs[i+1])}
		c.Saved, c.SavedPerJob = compare(runs[0], runs[i+1])
		s.Variants = append(s.Variants, c)
	}
	slices.SortStableFunc(s.Variants, func(a, b Compared) int { return cmp.Compare(b.Saved.Mean, a.Saved.Mean) })
	return s, nil
}

// runAll shares the runs among goroutines, replication by replication, so that
// a study that is broken off has all variants alike.
func runAll(ctx context.Context, cases []*studyCase, runs [][]run, o StudyOptions) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	total := len(cases) * o.Replications
	var next atomic.Int64
	var wait sync.WaitGroup
	var told sync.Mutex
	done := 0
	for range max(1, min(o.Workers, total)) {
		wait.Go(func() {
			for {
				k := int(next.Add(1)) - 1
				if k >= total || ctx.Err() != nil {
					return
				}
				c, rep := k%len(cases), k/len(cases)
				r, err := newEngine(cases[c], uint64(rep)).run(ctx)
				if err != nil {
					cancel(err)
					return
				}
				runs[c][rep] = r
				told.Lock()
				done++
				if o.Progress != nil {
					o.Progress(done, total)
				}
				told.Unlock()
			}
		})
	}
	wait.Wait()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

// checkStudy refuses what cannot be studied and fills in what was left open.
func checkStudy(w Workshop, demand []Work, variants []Variant, o *StudyOptions) error {
	var fs fault.Fields
	if o.Weeks < 1 || o.Weeks > MaxWeeks {
		fs.Add("weeks", "must be 1 to %d", MaxWeeks)
	}
	if o.Replications < 2 || o.Replications > MaxReplications {
		fs.Add("replications", "must be 2 to %d: an interval needs two", MaxReplications)
	}
	if o.WarmUp <= 0 {
		o.WarmUp = WarmUpWeeks(o.Weeks)
	}
	if o.Ahead <= 0 {
		o.Ahead = aheadWeeks * weekMinutes
	}
	if o.Nodes <= 0 {
		o.Nodes = bookingNodes
	}
	if o.Arrival == "" {
		o.Arrival = Appointed
	}
	if len(demand) == 0 {
		fs.Add("demand", "names no work")
	}
	if len(variants) > MaxVariants {
		fs.Add("variants", "must be %d at the most", MaxVariants)
	}
	for i, d := range demand {
		at := fmt.Sprintf("demand[%d]", i)
		if d.Asking.Times == nil && !(d.PerWeek > 0 && d.PerWeek <= 10_000) {
			fs.Add(at+".per_week", "must be above 0 and at most 10,000")
		}
		d.Asking.check(&fs, at)
		for c, cl := range d.Claims {
			if len(cl.Eligible) < int(cl.Count) {
				fs.Add(at, "nothing in the workshop can serve claim %d of %s", c, d.Name)
			}
			for _, u := range cl.Eligible {
				if u < 0 || int(u) >= len(w.Units) {
					fs.Add(at, "claim %d names a unit that is not there", c)
				}
			}
		}
		if len(d.Spreads) != len(d.Steps) {
			fs.Add(at, "has %d steps and %d spreads", len(d.Steps), len(d.Spreads))
		}
	}
	for i, v := range variants {
		for _, u := range v.Change.More {
			if u < 0 || int(u) >= len(w.Units) {
				fs.Add(fmt.Sprintf("variants[%d]", i), "there is no unit %d", u)
			}
		}
	}
	return fs.Err("STUDY", "the study cannot be run")
}
