package workshop

import (
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
	"bayhold/internal/trail"
)

// ArrangedJob is a job with the place proposed for it.
type ArrangedJob struct {
	Job       int64 // 0 for a new one
	Reference string
	Plan      *Plan       // nil if no place was found
	Planned   hours.Range // the place it has now; zero for a new job
	Promise   time.Time   // told to the customer; zero if none was
	Moved     bool        // whether Plan is another place than it has
	chance    float64     // of a promise that is new, found out as it is booked; 0: nobody knows
}

// Missed tells whether the place proposed breaks the promise, and ends later than
// the place that the job has.
func (j ArrangedJob) Missed() bool {
	end := j.Plan.During.End
	return !j.Promise.IsZero() && end.After(j.Promise) && end.After(j.Planned.End)
}

// maxArranged is how many jobs may be arranged or moved in one act.
const maxArranged = 200

// maxOverrun is how much longer a step may be said to take, in minutes.
const maxOverrun = 100_000

// Overrun is a step of a booked job that takes longer than it was planned.
type Overrun struct {
	Job   int64
	Step  string
	Extra int // working minutes more
}

// Arrangement asks for booked jobs to be moved and new ones to be booked.
type Arrangement struct {
	Jobs     []ArrangedJob
	Overruns []Overrun // that the jobs keep from then on
	Reason   string
}

// BookArrangement moves booked jobs to new places and books new ones, all or
// none. LostRace with the bookings in the way; Precondition if a plan fits no
// more, moves what has begun, or is for a job that holds nothing.
func (w *Workshop) BookArrangement(ctx context.Context, act Act, a Arrangement) ([]Booked, error) {
	if err := a.check(); err != nil {
		return nil, err
	}
	if err := w.settlePromises(ctx, act.Site, &a); err != nil {
		return nil, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) ([]Booked, error) {
		var ids []int64
		var refs []Ref
		for _, j := range a.Jobs {
			if j.Job != 0 {
				ids = append(ids, j.Job)
			}
			refs = append(refs, j.Plan.refs()...)
		}
		// All of it at once: locks taken in two goes would be out of order.
		standing, err := tx.LockJobs(ctx, ids, refs)
		if err != nil {
			return nil, err
		}
		if err := tx.Lapse(ctx, refs); err != nil {
			return nil, err
		}
		moves, err := a.moves(ctx, tx, standing)
		if err != nil {
			return nil, err
		}
		// What gives way goes first, so that jobs can change places.
		for _, m := range moves {
			if err := tx.Vacate(ctx, m.gone); err != nil {
				return nil, err
			}
		}
		return w.settle(ctx, tx, a, moves)
	})
}

func (a Arrangement) check() error {
	jobs := a.Jobs
	var fs fault.Fields
	checkText(&fs, "reason", a.Reason, false)
	for i, o := range a.Overruns {
		if o.Extra < 1 || o.Extra > maxOverrun {
			fs.Add(fmt.Sprintf("overruns[%d].extra_minutes", i), "must be 1 to %d", maxOverrun)
		}
	}
	if len(jobs) == 0 || len(jobs) > maxArranged {
		fs.Add("jobs", "must be 1 to %d", maxArranged)
	}
	seen := map[int64]bool{}
	for i, j := range jobs {
		path := fmt.Sprintf("jobs[%d]", i)
		switch {
		case j.Plan == nil:
			fs.Add(path+".plan", "is missing: leave out jobs without a place")
			continue
		case j.Job == 0:
			checkText(&fs, path+".reference", j.Reference, true)
		case seen[j.Job]:
			fs.Add(path+".job", "is named twice")
		}
		seen[j.Job] = j.Job != 0
		if !j.Promise.IsZero() {
			checkTime(&fs, path+".promise_time", j.Promise)
		}
		j.Plan.check(&fs, path+".plan")
	}
	return fs.Err("ARRANGEMENT", "the arrangement cannot be booked")
}

// mayMove refuses to move what holds nothing or has no steps.
func mayMove(j site.Job) error {
	switch {
	case j.State == site.Cancelled:
		return fault.New(fault.Precondition, "NOT_STANDING", "job %d holds nothing any more: it was cancelled or its time ran out", j.ID)
	case len(j.Steps) == 0:
		return fault.New(fault.Precondition, "NO_STEPS", "job %d has no steps: cancel it and reserve anew", j.ID)
	}
	return nil
}

// move is what becomes of one booked job.
type move struct {
	was, is site.Job
	gone    []site.Booking // that give way
	more    []site.Booking // that come
	network *procedure.Network
	touched []string // the job, and the resources it leaves and takes
}

// moves works out what becomes of the booked jobs of an arrangement.
func (a Arrangement) moves(ctx context.Context, tx *store.Tx, standing []site.Job) (map[int64]move, error) {
	was := make(map[int64]site.Job, len(standing))
	for _, j := range standing {
		was[j.ID] = j
	}
	out := make(map[int64]move, len(standing))
	for _, j := range a.Jobs {
		if j.Job == 0 {
			continue
		}
		m, err := a.move(ctx, tx, j, was[j.Job])
		if err != nil {
			return nil, err
		}
		out[j.Job] = m
	}
	return out, nil
}

func (a Arrangement) move(ctx context.Context, tx *store.Tx, j ArrangedJob, was site.Job) (move, error) {
	m := move{was: was, is: was}
	if err := mayMove(was); err != nil {
		return m, err
	}
	net, err := networkOf(ctx, tx.Reader, was)
	if err != nil {
		return m, err
	}
	if longer, err := a.stretch(j.Job, &net); err != nil {
		return m, err
	} else if longer {
		m.network = &net
	}
	st, err := tx.State(ctx, tx.Now(), j.Plan.extent(), j.Plan.refs())
	if err != nil {
		return m, err
	}
	far, err := progressOf(ctx, tx.Reader, was, tx.Now())
	if err != nil {
		return m, err
	}
	if far != nil && far.work.Record.Closing != nil {
		return m, fault.New(fault.Precondition, "NOT_STANDING", "job %d is closed and stays as it was", j.Job)
	}
	z, placed, err := hold(st, *j.Plan, net, j.Job, far)
	if err != nil {
		return m, err
	}
	now := z.judgement(Order{}, z.describe(placed, nil))
	if err := begunStay(was, now.job, tx.Now(), far); err != nil {
		return m, err
	}
	m.is.Planned, m.is.Steps = now.job.Planned, now.job.Steps
	if !j.Promise.IsZero() && !j.Promise.Equal(was.Promise) {
		m.is.Promise, m.is.Confidence = j.Promise, j.chance
	}
	held, err := tx.Bookings(ctx, store.BookingFilter{Job: j.Job, Now: tx.Now()})
	m.gone, m.more = difference(held, z.past(held, now.bookings))
	m.touched = store.Touching(j.Job, append(held, m.more...)...)
	return m, err
}

// stretch lets the steps of a job take as much longer as the arrangement says.
func (a Arrangement) stretch(job int64, net *procedure.Network) (longer bool, err error) {
	for _, o := range a.Overruns {
		if o.Job != job {
			continue
		}
		if err := stretchStep(net, o); err != nil {
			return false, err
		}
		longer = true
	}
	return longer, nil
}

func stretchStep(net *procedure.Network, o Overrun) error {
	at := slices.IndexFunc(net.Steps, func(s procedure.NetStep) bool { return s.ID == o.Step })
	if at < 0 {
		return fault.New(fault.NotFound, "NOT_FOUND", "job %d has no step %q", o.Job, o.Step)
	}
	e := &net.Steps[at].Step.Estimate
	e.Likely += o.Extra
	e.High = max(e.High, e.Likely)
	return nil
}

// begunStay refuses to move a step that has begun, or to have one begin before
// now.
func begunStay(was, is site.Job, now time.Time, far *progress) error {
	start := make(map[string]time.Time, len(was.Steps))
	for _, s := range was.Steps {
		start[s.ID] = s.During.Start
	}
	for _, s := range is.Steps {
		before := start[s.ID]
		if far != nil && !far.begun(s.ID) {
			before = s.During.Start // late, or not yet: it may be moved, but not into the past
			if s.During.Start.Before(now.Truncate(time.Minute)) {
				before = time.Time{}
			}
		}
		if (before.Before(now) || s.During.Start.Before(now.Truncate(time.Minute))) && !before.Equal(s.During.Start) {
			return fault.New(fault.Precondition, "BEGUN", "step %s of job %d has begun, or would have, and stays where it is", s.ID, was.ID)
		}
	}
	return nil
}

// difference tells which of the bookings held give way to those wanted, and
// which come.
func difference(held, want []site.Booking) (gone, more []site.Booking) {
	same := func(a, b site.Booking) bool {
		return a.Kind == b.Kind && a.Resource == b.Resource && a.During == b.During && slices.Equal(a.Steps, b.Steps)
	}
	for _, h := range held {
		if !slices.ContainsFunc(want, func(b site.Booking) bool { return same(h, b) }) {
			gone = append(gone, h)
		}
	}
	for _, b := range want {
		if !slices.ContainsFunc(held, func(h site.Booking) bool { return same(h, b) }) {
			more = append(more, b)
		}
	}
	return gone, more
}

// settle writes the jobs of an arrangement, whose old bookings have given way.
func (w *Workshop) settle(ctx context.Context, tx *store.Tx, a Arrangement, moves map[int64]move) ([]Booked, error) {
	out := make([]Booked, 0, len(a.Jobs))
	for _, j := range a.Jobs {
		var b Booked
		var err error
		if j.Job == 0 {
			b, err = w.write(ctx, tx, Order{Reference: j.Reference, Plan: *j.Plan, State: site.Confirmed, Promise: j.Promise, Confidence: j.chance})
		} else {
			b, err = settleMove(ctx, tx, moves[j.Job], a.Reason)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, b)
	}
	return out, nil
}

func settleMove(ctx context.Context, tx *store.Tx, m move, reason string) (Booked, error) {
	if len(m.gone)+len(m.more) == 0 && m.network == nil && m.is.Promise.Equal(m.was.Promise) {
		return Booked{Job: m.was}, nil // it stays as it is
	}
	before, after := trail.Differing(plain(placed(m.was, m.gone)), plain(placed(m.is, m.more)))
	tx.Log(store.Event{Kind: "job.moved", Subject: fmt.Sprintf("jobs/%d", m.is.ID), Touched: m.touched, Details: map[string]any{
		"reference": m.is.Reference, "reason": reason, "before": before, "after": after,
	}})
	if m.network != nil {
		if err := tx.PutWork(m.is.ID, *m.network); err != nil {
			return Booked{}, err
		}
	}
	bookings, err := tx.Move(ctx, m.is, m.more)
	return Booked{Job: m.is, Bookings: bookings}, err
}

// placed is where a job stands, as the log tells it, with those of its bookings
// that matter.
func placed(j site.Job, bookings []site.Booking) map[string]any {
	out := map[string]any{"Planned": j.Planned, "Steps": j.Steps}
	if !j.Promise.IsZero() {
		out["Promise"] = j.Promise
	}
	held := map[string][]hours.Range{}
	for _, b := range bookings {
		name := store.ResourceSubject(b.Kind, b.Resource)
		held[name] = append(held[name], b.During)
	}
	out["Bookings"] = held
	return out
}

// networkOf reads the network that a booked job was planned with.
func networkOf(ctx context.Context, r store.Reader, j site.Job) (procedure.Network, error) {
	net, err := r.Work(ctx, j.ID)
	if err == nil && len(net.Steps) == 0 {
		err = fault.New(fault.Precondition, "NO_STEPS", "job %d was not planned from procedures and cannot be arranged", j.ID)
	}
	return net, err
}
