package workshop

import (
	"context"
	"fmt"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// BookedLeave is the booking by which a tool is away, and the jobs that were
// moved for it.
type BookedLeave struct {
	Booking site.Booking
	Moved   []Booked
}

// BookLeave books the time for which a tool is away for calibration, and moves
// the jobs in the way to the places given, in one act. The tool need not be in
// calibration to the end of it. LostRace with the bookings in the way.
func (w *Workshop) BookLeave(ctx context.Context, act Act, tag string, during hours.Range, jobs []ArrangedJob, note string) (BookedLeave, error) {
	arrangement := Arrangement{Jobs: jobs, Reason: "calibration of " + tag}
	if err := checkLeave(during, note, w.Now()); err != nil {
		return BookedLeave{}, err
	}
	if len(jobs) > 0 {
		if err := arrangement.check(); err != nil {
			return BookedLeave{}, err
		}
	}
	ref := Ref{Kind: site.KindTool, ID: tag}
	return store.Act(ctx, w.store, w.request(act), func(ctx context.Context, tx *store.Tx) (BookedLeave, error) {
		var out BookedLeave
		ids, refs := []int64{}, []Ref{ref}
		for _, j := range jobs {
			if j.Job == 0 {
				return out, fault.New(fault.Invalid, "LEAVE", "only jobs that are booked can be moved for a leave")
			}
			ids = append(ids, j.Job)
			refs = append(refs, j.Plan.refs()...)
		}
		// All of it at once: locks taken in two goes would be out of order.
		standing, err := tx.LockJobs(ctx, ids, refs)
		if err != nil {
			return out, err
		}
		tool, _, err := calibrated(ctx, tx.Reader, tag)
		if err != nil {
			return out, err
		}
		if tool.Condition == site.Retired || tool.Condition == site.Lost {
			return out, fault.New(fault.Precondition, "CONDITION", "tool %q is %s: it cannot be sent away", tag, tool.Condition)
		}
		if err := tx.Lapse(ctx, refs); err != nil {
			return out, err
		}
		if len(jobs) > 0 {
			moves, err := arrangement.moves(ctx, tx, standing)
			if err != nil {
				return out, err
			}
			for _, m := range moves {
				if err := tx.Vacate(ctx, m.gone); err != nil {
					return out, err
				}
			}
			if out.Moved, err = w.settle(ctx, tx, arrangement, moves); err != nil {
				return out, err
			}
		}
		out.Booking, err = bookLeave(ctx, tx, tag, during, note)
		return out, err
	})
}

func bookLeave(ctx context.Context, tx *store.Tx, tag string, during hours.Range, note string) (site.Booking, error) {
	job := site.Job{Reference: "calibration of " + tag, State: site.Confirmed, Planned: during, Note: note}
	bookings := []site.Booking{{Kind: site.KindTool, Resource: tag, During: during}}
	if err := tx.Claim(ctx, bookings); err != nil {
		return site.Booking{}, err
	}
	job, booked, err := tx.Book(ctx, job, false, bookings)
	if err != nil {
		return site.Booking{}, err
	}
	tx.Log(store.Event{Kind: "tool.leave", Subject: "tools/" + tag, Touched: []string{fmt.Sprintf("jobs/%d", job.ID)}, Details: map[string]any{
		"during": during, "note": note, "job": job.ID,
	}})
	return booked[0], tx.AddLeave(ctx, job.ID, tag)
}

func checkLeave(during hours.Range, note string, now time.Time) error {
	var fs fault.Fields
	checkText(&fs, "note", note, false)
	checkRange(&fs, "during", during.Start, during.End)
	if len(fs) == 0 && during.Start.Before(now.Truncate(time.Minute)) {
		fs.Add("during.start", "lies in the past")
	}
	return fs.Err("LEAVE", "the leave cannot be booked")
}
