package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/measure"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// lookAhead is how far a search goes when nobody says.
const lookAhead = 8 * 7 * 24 * time.Hour

// thinking bounds the search of one question. Somebody waits for the answer on
// the telephone: a good plan now is worth more than a proved one later, and the
// answer says which it is.
const thinking = 3 * time.Second

// points is how many options between the earliest hand-back and the fewest
// hours in the bay are told at the most; people do not weigh more.
const points = 6

// CheckQuestion asks whether a job can start at a time.
type CheckQuestion struct {
	Procedures []string
	Start      time.Time
	By         time.Time // latest hand-back that counts as yes; zero: that of an empty workshop
	Bay        string    // only this one; empty: any
	Arrivals   []Arrival // parts that are not here yet
	Replaces   int64     // a job whose own bookings do not count; 0: none
}

// CheckAnswer is yes with a plan, or no with what stands in the way.
type CheckAnswer struct {
	Possible bool
	Plan     *Plan
	Blockers []Blocker
	Waiting  *Plan     // with no: starts then and waits where it must; nil if there is none
	Asked    time.Time // the hand-back that was asked for; zero if none could be named
}

// Check tells whether a job can start at a time without waiting for anything.
func (w *Workshop) Check(ctx context.Context, slug string, q CheckQuestion) (CheckAnswer, error) {
	now := w.Now()
	var fs fault.Fields
	checkTime(&fs, "start_time", q.Start)
	end := q.Start.Add(lookAhead)
	if !q.By.IsZero() {
		checkRange(&fs, "hand_back_by", q.Start, q.By)
		if q.By.After(end) {
			end = q.By
		}
	}
	if len(fs) == 0 && q.Start.Before(now.Truncate(time.Minute)) {
		fs.Add("start_time", "lies in the past")
	}
	if err := fs.Err("CHECK", "the question cannot be answered"); err != nil {
		return CheckAnswer{}, err
	}
	z, job, err := w.pose(ctx, slug, wanted{ids: q.Procedures, bay: q.Bay, arrivals: q.Arrivals, from: q.Start, to: end, without: q.Replaces})
	if err != nil {
		return CheckAnswer{}, err
	}
	by := plan.Never
	if !q.By.IsZero() {
		by = z.floor(q.By)
	}
	search, cancel := context.WithTimeout(ctx, thinking)
	defer cancel()
	res, err := plan.Check(search, &z.problem, 0, by)
	if err != nil {
		return CheckAnswer{}, err
	}
	answered(ctx, res.Proved)
	out := CheckAnswer{Possible: res.OK, Blockers: z.blockers(res.Blockers, res.Nominal), Asked: q.By}
	if q.By.IsZero() && res.Nominal != nil {
		out.Asked = z.at(res.Nominal.Finish)
	}
	if res.Plan != nil {
		p := z.propose(res.Plan, job.procedures)
		out.Plan = &p
	}
	if !res.OK && res.Waiting != nil {
		p := z.propose(res.Waiting, job.procedures)
		out.Waiting = &p
	}
	return out, nil
}

// answered counts an answer of the planner by what it is worth.
func answered(ctx context.Context, proved bool) {
	label := "best found"
	if proved {
		label = "proved"
	}
	measure.Add(ctx, measure.PlanProofs, 1, label)
}

// Outcome says how a search ended.
type Outcome string

// The outcomes of Find.
const (
	Found      Outcome = "FOUND"
	Impossible Outcome = "IMPOSSIBLE" // proved
	NotFound   Outcome = "NOT_FOUND"  // within the work allowed
)

// FindQuestion asks when a job can be handed back.
type FindQuestion struct {
	Procedures []string
	Earliest   time.Time // arrival of the vehicle
	Horizon    time.Time // latest hand-back of use; zero: eight weeks later
	Bay        string    // only this one; empty: any
	Arrivals   []Arrival // parts that are not here yet
	Replaces   int64     // a job whose own bookings do not count; 0: none
	Confidence float64   // what to promise with; 0: nothing is said of promises
	Disturb    bool      // tell as well what giving way of one booked job would bring
}

// Option is a plan and what it is best at. It moves nothing that stands.
type Option struct {
	Plan     Plan
	Earliest bool      // no option is handed back earlier
	Shortest bool      // no option takes fewer hours in the bay
	Promise  time.Time // holds with the probability asked for; zero if none was
}

// FindAnswer is the options, earliest hand-back first.
type FindAnswer struct {
	Outcome  Outcome
	Options  []Option
	Blockers []Blocker // of an impossible job
	Rooms    []Room    // handed back earlier than all options, at the cost of a booked job
}

// Find tells the plan of the earliest hand-back, the one of the fewest hours in
// the bay, and what lies between.
func (w *Workshop) Find(ctx context.Context, slug string, q FindQuestion) (FindAnswer, error) {
	from, err := w.window(&q)
	if err != nil {
		return FindAnswer{}, err
	}
	if q.Confidence < 0 || q.Confidence >= 1 {
		return FindAnswer{}, fault.New(fault.Invalid, "FIND", "a promise is made with a probability between 0 and 1, not %g", q.Confidence)
	}
	z, job, err := w.pose(ctx, slug, wanted{ids: q.Procedures, bay: q.Bay, arrivals: q.Arrivals, from: from, to: q.Horizon, without: q.Replaces})
	if err != nil {
		return FindAnswer{}, err
	}
	search, cancel := context.WithTimeout(ctx, thinking)
	defer cancel()
	front, err := plan.Find(search, &z.problem, plan.FindOptions{Points: points})
	if err != nil {
		return FindAnswer{}, err
	}
	answered(ctx, front.Proved || len(front.Impossible) > 0)
	out := FindAnswer{Outcome: Found}
	for i := range front.Plans {
		p := z.propose(&front.Plans[i], job.procedures)
		p.Bound, p.Proved = z.at(front.Bound), i == 0 && front.Proved
		o := Option{Plan: p, Earliest: i == 0, Shortest: i == len(front.Plans)-1}
		if q.Confidence > 0 {
			if o.Promise, err = w.promiseAt(ctx, slug, p, q.Replaces, q.Confidence); err != nil {
				return FindAnswer{}, err
			}
		}
		out.Options = append(out.Options, o)
	}
	switch {
	case len(front.Plans) > 0:
	case len(front.Impossible) > 0:
		out.Outcome, out.Blockers = Impossible, z.blockers(front.Impossible, nil)
	default:
		out.Outcome = NotFound
	}
	if q.Disturb {
		by := q.Horizon
		if len(out.Options) > 0 {
			by = out.Options[0].Plan.During.End
		}
		out.Rooms, err = w.makeRoom(search, slug, q, from, by)
	}
	return out, err
}

// window fills in the horizon of a question and gives the time from which a job
// may begin: nothing can start before now, whenever the vehicle came.
func (w *Workshop) window(q *FindQuestion) (time.Time, error) {
	var fs fault.Fields
	checkTime(&fs, "earliest_time", q.Earliest)
	if len(fs) == 0 {
		checkHorizon(&fs, q.Earliest, &q.Horizon)
	}
	from := q.Earliest
	if now := minuteUp(w.Now()); from.Before(now) {
		from = now
	}
	if len(fs) == 0 && !from.Before(q.Horizon) {
		fs.Add("horizon_time", "lies in the past")
	}
	return from, fs.Err("FIND", "the question cannot be answered")
}

// checkHorizon notes what is wrong with how far a question looks ahead, and says
// it where the question does not.
func checkHorizon(fs *fault.Fields, from time.Time, horizon *time.Time) {
	if horizon.IsZero() {
		*horizon = from.Add(lookAhead)
	}
	before := len(*fs)
	checkTime(fs, "horizon_time", *horizon)
	switch {
	case len(*fs) > before:
	case !horizon.After(from):
		fs.Add("horizon_time", "must lie after the time from which on is asked")
	case horizon.Sub(from) > maxRange:
		fs.Add("horizon_time", "must lie within a year of the time from which on is asked")
	}
}

// wanted is a job that the planner is asked about.
type wanted struct {
	ids      []string // of procedures
	bay      string   // only this one; empty: any
	arrivals []Arrival
	from, to time.Time
	without  int64 // a job whose own bookings do not count; 0: none
}

// pose reads the site and puts a job to the planner over a stretch of time.
func (w *Workshop) pose(ctx context.Context, slug string, q wanted) (*puzzle, work, error) {
	refs := make([]site.ProcedureRef, 0, len(q.ids))
	for _, id := range q.ids {
		refs = append(refs, site.ProcedureRef{ID: id})
	}
	if err := checkRefs(refs); err != nil {
		return nil, work{}, err
	}
	m, err := w.material(ctx, slug, store.Question{Procedures: refs, During: hours.Range{Start: q.from, End: q.to}, Job: q.without})
	if err != nil {
		return nil, work{}, err
	}
	job, err := mergeOf(m, refs)
	if err != nil {
		return nil, job, err
	}
	if q.bay != "" && !slices.ContainsFunc(m.Bays, func(b site.Bay) bool { return b.ID == q.bay }) {
		return nil, job, store.None("bay", q.bay)
	}
	if q.without != 0 {
		if m.Job == nil {
			return nil, job, store.None("job", fmt.Sprint(q.without))
		}
		m.Bookings = slices.DeleteFunc(m.Bookings, func(b site.Booking) bool { return b.Job == q.without })
		m.Issues = withoutJobs(m.Issues, q.without)
	}
	y, err := newYard(m.State, q.from, q.to)
	if err != nil {
		return nil, job, err
	}
	z, err := newPuzzle(y, job.network, q.bay, q.arrivals)
	return z, job, err
}
