package workshop

import (
	"context"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// maxAsked is how many booked jobs are asked whether they could give way.
const maxAsked = 20

// Room is a plan that is possible if a booked job gives way, and where to.
type Room struct {
	Plan      Plan
	Disturbed []ArrangedJob
}

// makeRoom tells how the job of a question could be handed back before by if one
// of the booked jobs gave way that have not begun. None of them begins before it
// does now, and reservations and the job that is replaced stay out of it.
func (w *Workshop) makeRoom(ctx context.Context, slug string, q FindQuestion, from, by time.Time) ([]Room, error) {
	now := w.Now()
	ask := ArrangeQuestion{Horizon: q.Horizon, New: []NewJob{{Procedures: q.Procedures, Bay: q.Bay, Earliest: from, Arrivals: q.Arrivals}}}
	var a arrangers
	err := w.view(ctx, slug, func(ctx context.Context, r store.Reader) error {
		listed, err := r.Jobs(ctx, store.JobFilter{Now: now, During: hours.Range{Start: from, End: by}})
		if err != nil {
			return err
		}
		for _, j := range listed {
			if j.ID != q.Replaces && len(ask.Jobs) < maxAsked && mayGiveWay(j, now) {
				ask.Jobs = append(ask.Jobs, j.ID)
			}
		}
		if len(ask.Jobs) == 0 {
			return nil
		}
		a, err = w.gather(ctx, r, ask, from)
		return err
	})
	if err != nil || a.fleet == nil {
		return nil, err
	}
	last, standing := len(a.jobs)-1, a.standing()
	if standing == nil {
		return nil, nil // what stands no longer fits: first it has to be repaired
	}
	rooms, err := plan.MakeRoom(ctx, &a.fleet.problem, plan.RippleOptions{Standing: standing}, int32(last), a.fleet.ceil(by))
	if err != nil {
		return nil, err
	}
	var out []Room
	for _, r := range rooms {
		found := a.improvement(plan.Arrangement{Plan: r.Plan}).Jobs
		room := Room{Plan: *found[last].Plan}
		for _, j := range found[:last] {
			if j.Moved {
				room.Disturbed = append(room.Disturbed, j)
			}
		}
		out = append(out, room)
	}
	return out, nil
}

// mayGiveWay tells whether a job has steps to move and has not begun.
func mayGiveWay(j site.Job, now time.Time) bool {
	return mayMove(j) == nil && len(j.Steps) > 0 && j.Planned.Start.After(now)
}
