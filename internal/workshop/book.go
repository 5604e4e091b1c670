package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Limits of a plan that is to be booked.
const (
	maxSteps    = 5000
	maxBookings = 50_000
)

// Order asks for a plan to be written.
type Order struct {
	Reference string
	Plan      Plan // its procedures with versions, places of steps, bookings
	State     site.BookingState
	ExpiresAt time.Time
	Promise   time.Time // hand-back told to the customer; zero if none
	// Confidence asks for the promise that holds with this probability, 0 for
	// none; with a promise it is found out.
	Confidence float64
	Note       string
	Replaces   int64 // a job that is cancelled in the same act; 0: none
}

func (o Order) check(now time.Time) error {
	var fs fault.Fields
	checkText(&fs, "reference", o.Reference, true)
	checkText(&fs, "note", o.Note, false)
	checkStanding(&fs, o.State, o.ExpiresAt, now)
	if !o.Promise.IsZero() {
		checkTime(&fs, "promise_time", o.Promise)
	}
	if o.Confidence < 0 || o.Confidence >= 1 {
		fs.Add("promise_confidence", "must lie between 0 and 1")
	}
	if o.Confidence != 0 && !o.Promise.IsZero() {
		fs.Add("promise_confidence", "goes without promise_time: one follows from the other")
	}
	o.Plan.check(&fs, "plan")
	return fs.Err("PLAN", "the plan cannot be booked")
}

// check notes what is wrong with a plan that is to be booked, before anything
// is known of the site.
func (p Plan) check(fs *fault.Fields, path string) {
	before := len(*fs)
	if len(p.Steps) == 0 || len(p.Steps) > maxSteps {
		fs.Add(path+".steps", "must be 1 to %d", maxSteps)
	}
	if len(p.Bookings) == 0 || len(p.Bookings) > maxBookings {
		fs.Add(path+".bookings", "must be 1 to %d", maxBookings)
	}
	for i, pr := range p.Procedures {
		if pr.Version < 1 {
			fs.Add(fmt.Sprintf("%s.procedures[%d].version", path, i), "must be the version that was planned, from 1")
		}
	}
	for i, s := range p.Steps {
		checkRange(fs, fmt.Sprintf("%s.steps[%d]", path, i), s.During.Start, s.During.End)
	}
	for i, b := range p.Bookings {
		checkRange(fs, fmt.Sprintf("%s.bookings[%d]", path, i), b.During.Start, b.During.End)
	}
	if len(*fs) == before && p.extent().Length() > maxRange {
		fs.Add(path, "must not be longer than a year")
	}
}

// refs names the resources that a plan books, each once.
func (p Plan) refs() []Ref {
	out := make([]Ref, 0, len(p.Bookings))
	seen := make(map[Ref]bool, len(p.Bookings))
	for _, b := range p.Bookings {
		if !seen[b.Ref] {
			seen[b.Ref] = true
			out = append(out, b.Ref)
		}
	}
	return out
}

// versions names the procedures that a plan was made with.
func (p Plan) versions() []site.ProcedureRef {
	out := make([]site.ProcedureRef, 0, len(p.Procedures))
	for _, pr := range p.Procedures {
		out = append(out, pr.ProcedureRef)
	}
	return out
}

// extent is the time from a plan's first step to its last.
func (p Plan) extent() hours.Range {
	out := p.Steps[0].During
	for _, s := range p.Steps {
		if s.During.Start.Before(out.Start) {
			out.Start = s.During.Start
		}
		if s.During.End.After(out.End) {
			out.End = s.During.End
		}
	}
	return out
}

// Book writes a plan: every booking of it or none. The plan is judged anew
// against what the site has now. LostRace with the bookings in the way;
// Precondition if it fits no more for another reason; Invalid if it never did.
func (w *Workshop) Book(ctx context.Context, act Act, o Order) (Booked, error) {
	if err := o.check(w.Now()); err != nil {
		return Booked{}, err
	}
	if err := w.settlePromise(ctx, act.Site, &o); err != nil {
		return Booked{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (Booked, error) {
		if err := giveWay(ctx, tx, o); err != nil {
			return Booked{}, err
		}
		return w.write(ctx, tx, o)
	})
}

// giveWay cancels the job that an order takes the place of, with everything of
// both locked at once.
func giveWay(ctx context.Context, tx *store.Tx, o Order) error {
	if o.Replaces == 0 {
		return nil
	}
	old, err := tx.LockJobs(ctx, []int64{o.Replaces}, o.Plan.refs())
	if err != nil {
		return err
	}
	if old[0].State == site.Cancelled {
		return fault.New(fault.Precondition, "NOT_STANDING", "job %d holds nothing any more: book without it", o.Replaces)
	}
	_, err = changeState(ctx, tx, old[0], site.Cancelled, "job.replaced", "replaced by "+o.Reference)
	return err
}

// write judges the plan of an order and writes it.
func (w *Workshop) write(ctx context.Context, tx *store.Tx, o Order) (Booked, error) {
	plan, err := w.judge(ctx, tx, o)
	if err != nil {
		return Booked{}, err
	}
	booked, err := writeJob(ctx, tx, plan.job, plan.bookings, "job.booked")
	if err != nil {
		return booked, err
	}
	return booked, tx.PutWork(booked.Job.ID, plan.network)
}

// judged is a plan that fits the site as it is now.
type judged struct {
	job      site.Job
	network  procedure.Network
	bookings []site.Booking
}

// judge locks what a plan wants and holds the plan against the site as it is
// then, and last against the bookings that stand. LostRace names those in the way.
func (w *Workshop) judge(ctx context.Context, tx *store.Tx, o Order) (judged, error) {
	if err := checkRefs(o.Plan.versions()); err != nil {
		return judged{}, err
	}
	m, err := tx.LapseAndGather(ctx, o.Plan.refs(), store.Question{
		Procedures: o.Plan.versions(), During: o.Plan.extent(), Refs: o.Plan.refs(), Bookings: len(o.Plan.Bookings),
	})
	if err != nil {
		return judged{}, err
	}
	merged, err := mergeOf(m, o.Plan.versions())
	if err != nil {
		return judged{}, err
	}
	if o.Plan.extent().Start.Before(tx.Now().Truncate(time.Minute)) {
		return judged{}, fault.New(fault.Precondition, "PAST", "the plan begins in the past: find again")
	}
	z, placed, err := hold(m.State, o.Plan, merged.network, o.Replaces, nil)
	if err != nil {
		return judged{}, err
	}
	out := z.judgement(o, z.describe(placed, merged.procedures))
	return out, store.InTheWay(out.bookings, m.Bookings)
}

// hold holds a plan against its network and the site's shifts, closures,
// conditions and calibrations, whose rows the caller has locked. What is out for
// the job that has it already is at hand to it; job 0 is a new one.
func hold(st store.State, p Plan, net procedure.Network, job int64, far *progress) (*puzzle, *plan.Plan, error) {
	extent := p.extent()
	st.Bookings, st.Issues = nil, withoutJobs(st.Issues, job)
	y, err := newYard(st, extent.Start, extent.End)
	if err != nil {
		return nil, nil, err
	}
	z, err := newPuzzle(y, net, "", p.Arrivals)
	if err != nil {
		return nil, nil, err
	}
	z.advance(far)
	placed, err := z.place(p)
	return z, placed, err
}

// judgement is the job and the bookings that an order of a sound plan makes.
func (z *puzzle) judgement(o Order, p Plan) judged {
	out := judged{network: z.network, job: site.Job{
		Reference: o.Reference, EngineFamily: p.Family, Procedures: p.versions(), State: o.State,
		Planned: p.During, Promise: o.Promise, Confidence: o.Confidence, ExpiresAt: o.ExpiresAt, Note: o.Note,
		Parts: jobParts(z.network, p.Arrivals),
	}}
	for i, s := range p.Steps {
		out.job.Steps = append(out.job.Steps, site.JobStep{ID: s.ID, Title: s.Title, During: s.During, Position: i})
	}
	for _, b := range p.Bookings {
		out.bookings = append(out.bookings, site.Booking{Kind: b.Kind, Resource: b.ID, During: b.During, Steps: b.Steps})
	}
	return out
}

// place reads a plan back into the planner's terms, and judges it.
func (z *puzzle) place(p Plan) (*plan.Plan, error) {
	out, err := z.steps(p)
	if err != nil {
		return nil, err
	}
	if out.Units, err = z.serve(p.Bookings); err != nil {
		return nil, err
	}
	z.goOn(out, false)
	if against := plan.Validate(&z.problem, out); len(against) > 0 {
		f := fault.New(fault.Precondition, "PLAN_UNFIT", "the plan does not fit the site as it is now; nothing was booked: find again")
		for _, v := range against {
			f.Fields = append(f.Fields, z.violation(v))
		}
		return nil, f
	}
	mine, theirs := z.bookings(out), slices.Clone(p.Bookings)
	if z.progress != nil {
		mine, theirs = z.remaining(mine, z.progress.now), z.remaining(theirs, z.progress.now)
	}
	sortBookings(theirs)
	if !slices.EqualFunc(mine, theirs, sameBooking) {
		return nil, unlike("its bookings are not those that its steps need")
	}
	return out, nil
}

func sameBooking(a, b PlannedBooking) bool {
	return a.Ref == b.Ref && a.During.Start.Equal(b.During.Start) && a.During.End.Equal(b.During.End) &&
		slices.Equal(a.Steps, b.Steps)
}

func unlike(what string) error {
	return fault.New(fault.Invalid, "PLAN_ALTERED", "this is no plan as it was answered: %s; find again", what)
}

// steps gives the place of each step of the network.
func (z *puzzle) steps(p Plan) (*plan.Plan, error) {
	at := make(map[string]hours.Range, len(p.Steps))
	for _, s := range p.Steps {
		if _, twice := at[s.ID]; twice {
			return nil, unlike(fmt.Sprintf("step %q stands twice", s.ID))
		}
		at[s.ID] = s.During
	}
	out := &plan.Plan{Steps: make([]plan.Window, len(z.network.Steps))}
	for i, s := range z.network.Steps {
		r, ok := at[s.ID]
		if !ok {
			return nil, unlike(fmt.Sprintf("step %q is missing", s.ID))
		}
		out.Steps[i] = plan.Window{Start: z.floor(r.Start), End: z.floor(r.End)}
		out.Finish = max(out.Finish, out.Steps[i].End)
	}
	if len(at) != len(z.network.Steps) {
		return nil, unlike("it has steps that its procedures do not have")
	}
	out.Minutes = out.Finish
	return out, nil
}

// unfit says in words what a rule of the planner's validator asks for.
var unfit = map[string]string{
	"RELEASE":  "begins before it may",
	"ARC":      "begins before what must come first is done",
	"JOINED":   "does not follow at once on the step that it is joined to",
	"ELIGIBLE": "is served by something that is not fit for it",
	"OPEN":     "falls outside the working hours",
	"SHUT":     "is closed, absent or out of service at that time",
	"BUSY":     "is booked at that time",
	"EXPIRY":   "goes out of calibration before the end of the span",
	"WORK":     "has not the working time that it takes",
	"UNBROKEN": "must not be interrupted, and is",
	"DOUBLE":   "is needed twice at the same time",
}

// violation says what a judged plan breaks, in the words of the site.
func (z *puzzle) violation(v plan.Violation) fault.Field {
	path := "plan"
	if v.Step >= 0 && v.Step < len(z.network.Steps) {
		path = z.network.Steps[v.Step].ID
	}
	if v.Unit >= 0 && v.Unit < len(z.refs) {
		path += " with " + z.refs[v.Unit].ID
	}
	message, known := unfit[v.Rule]
	if !known {
		message = "does not fit"
	}
	return fault.Field{Path: path, Message: message}
}
