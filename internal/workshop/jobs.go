package workshop

import (
	"context"
	"fmt"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Confirm makes a TENTATIVE job and its bookings CONFIRMED. Precondition if it
// was cancelled or its time ran out.
func (w *Workshop) Confirm(ctx context.Context, act Act, id int64) (site.Job, error) {
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Job, error) {
		job, err := tx.LockJob(ctx, id)
		if err != nil {
			return job, err
		}
		switch job.State {
		case site.Confirmed:
			return job, nil
		case site.Cancelled:
			return job, fault.New(fault.Precondition, "NOT_TENTATIVE",
				"job %d holds nothing any more: it was cancelled or its time ran out; find again and book", id)
		}
		return changeState(ctx, tx, job, site.Confirmed, "job.confirmed", "")
	})
}

// Cancel gives up a job and its bookings, for the reason given. A job that is
// cancelled already stays so. Forbidden to anybody but a manager for what they
// did not reserve themselves.
func (w *Workshop) Cancel(ctx context.Context, act Act, id int64, reason string) (site.Job, error) {
	var fs fault.Fields
	checkText(&fs, "reason", reason, false)
	if err := fs.Err("REASON", "the reason cannot be kept"); err != nil {
		return site.Job{}, err
	}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (site.Job, error) {
		job, err := tx.LockJob(ctx, id)
		if err != nil {
			return job, err
		}
		if err := ownJob(act.Caller, job); err != nil {
			return site.Job{}, err
		}
		return changeState(ctx, tx, job, site.Cancelled, "job.cancelled", reason)
	})
}

// ownJob lets a manager through to any job, and others to reservations of theirs.
func ownJob(c access.Caller, job site.Job) error {
	if c.Site == "" || c.Has(access.Manager) || job.ReservedBy != "" && job.ReservedBy == c.User {
		return nil
	}
	return fault.New(fault.Forbidden, "OWN_NAME",
		"job %d is no reservation that %s made, and a technician gives up their own only: ask a manager", job.ID, c.User)
}

func changeState(ctx context.Context, tx *store.Tx, job site.Job, to site.BookingState, kind, reason string) (site.Job, error) {
	held, err := tx.Bookings(ctx, store.BookingFilter{Job: job.ID, Now: tx.Now()})
	if err != nil {
		return job, err
	}
	if err := tx.SetJobState(ctx, job.ID, to); err != nil {
		return job, err
	}
	tx.Log(store.Event{
		Kind: kind, Subject: fmt.Sprintf("jobs/%d", job.ID), Touched: store.Touching(job.ID, held...),
		Details: map[string]any{"reference": job.Reference, "from": job.State, "to": to, "reason": reason},
	})
	return tx.Job(ctx, job.ID, tx.Now())
}
