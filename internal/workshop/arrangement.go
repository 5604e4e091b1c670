package workshop

import (
	"context"
	"fmt"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// ArrangedJob is a job with the place proposed for it.
type ArrangedJob struct {
	Job       int64 // 0 for a new one
	Reference string
	Plan      *Plan       // nil if no place was found
	Planned   hours.Range // the place it has now; zero for a new job
	Promise   time.Time   // told to the customer; zero if none was
	Moved     bool        // whether Plan is another place than it has
}

// maxArranged is how many jobs may be arranged or moved in one act.
const maxArranged = 200

// BookArrangement moves booked jobs to new places and books new ones, all or
// none. LostRace with the bookings in the way; Precondition if a plan fits no
// more, or a job has begun or holds nothing.
func (w *Workshop) BookArrangement(ctx context.Context, act Act, jobs []ArrangedJob, reason string) ([]Booked, error) {
	if err := checkArrangement(jobs, reason); err != nil {
		return nil, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) ([]Booked, error) {
		var booked []int64
		var refs []Ref
		for _, j := range jobs {
			if j.Job != 0 {
				booked = append(booked, j.Job)
			}
			refs = append(refs, j.Plan.refs()...)
		}
		// All of it at once: locks taken in two goes would be out of order.
		standing, err := tx.LockJobs(ctx, booked, refs)
		if err != nil {
			return nil, err
		}
		was := make(map[int64]site.Job, len(standing))
		for _, j := range standing {
			if err := mayMove(j, tx.Now()); err != nil {
				return nil, err
			}
			was[j.ID] = j
		}
		if err := tx.Lapse(ctx, refs); err != nil {
			return nil, err
		}
		if err := tx.Vacate(ctx, booked); err != nil {
			return nil, err
		}
		out := make([]Booked, 0, len(jobs))
		for _, j := range jobs {
			b, err := w.settle(ctx, tx, j, was[j.Job], reason)
			if err != nil {
				return nil, err
			}
			out = append(out, b)
		}
		return out, nil
	})
}

func checkArrangement(jobs []ArrangedJob, reason string) error {
	var fs fault.Fields
	checkText(&fs, "reason", reason, false)
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

// mayMove refuses to move what holds nothing, has no steps, or has begun.
func mayMove(j site.Job, now time.Time) error {
	switch {
	case j.State == site.Cancelled:
		return fault.New(fault.Precondition, "NOT_STANDING", "job %d holds nothing any more: it was cancelled or its time ran out", j.ID)
	case len(j.Steps) == 0:
		return fault.New(fault.Precondition, "NO_STEPS", "job %d is a reservation: cancel it and reserve anew", j.ID)
	case !j.Planned.Start.After(now):
		return fault.New(fault.Precondition, "BEGUN", "job %d has begun and stays where it is", j.ID)
	}
	return nil
}

// settle writes one job of an arrangement; was is the job that stands, if one
// does, vacated.
func (w *Workshop) settle(ctx context.Context, tx *store.Tx, j ArrangedJob, was site.Job, reason string) (Booked, error) {
	if j.Job == 0 {
		plan, err := w.judge(ctx, tx, Order{Reference: j.Reference, Plan: *j.Plan, State: site.Confirmed, Promise: j.Promise})
		if err != nil {
			return Booked{}, err
		}
		booked, err := writeJob(ctx, tx, plan.job, plan.bookings, "job.booked")
		if err != nil {
			return booked, err
		}
		return booked, tx.PutWork(ctx, booked.Job.ID, plan.network)
	}
	net, err := tx.Work(ctx, j.Job)
	if err != nil {
		return Booked{}, err
	}
	z, placed, err := hold(ctx, tx, *j.Plan, net)
	if err != nil {
		return Booked{}, err
	}
	now := z.judgement(Order{}, z.describe(placed, nil))
	moved := was
	moved.Planned, moved.Steps = now.job.Planned, now.job.Steps
	if !j.Promise.IsZero() {
		moved.Promise = j.Promise
	}
	tx.Log(store.Event{Kind: "job.moved", Subject: fmt.Sprintf("jobs/%d", j.Job), Details: map[string]any{
		"reference": was.Reference, "from": was.Planned, "to": moved.Planned, "reason": reason,
	}})
	bookings, err := tx.Move(ctx, moved, now.bookings)
	return Booked{Job: moved, Bookings: bookings}, err
}

// networkOf reads the network that a booked job was planned with.
func networkOf(ctx context.Context, r store.Reader, j site.Job) (procedure.Network, error) {
	net, err := r.Work(ctx, j.ID)
	if err == nil && len(net.Steps) == 0 {
		err = fault.New(fault.Precondition, "NO_STEPS", "job %d was not planned from procedures and cannot be arranged", j.ID)
	}
	return net, err
}
