package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Along is a procedure that could be done along with a job.
type Along struct {
	procedure.Marginal
	// Slot says, for a booked job, whether its slot has room for it; nil
	// without one, or if the procedure cannot be part of the job.
	Slot *SlotAnswer
}

// SlotAnswer says whether a job can start when it does, in its bay, with more
// along, and be handed back no later than its promise, or than planned if there
// is none.
type SlotAnswer struct {
	Fits     bool
	HandBack time.Time // waits included; zero if it cannot start then
	Blockers []Blocker // without Fits
}

// WhileOpen tells what every other issued procedure of the engine family would
// add to a job if it were done now. With a booked job, whose procedures count
// then, it tells as well whether the slot has room, the job's own bookings aside.
func (w *Workshop) WhileOpen(ctx context.Context, slug string, ids []string, job int64) ([]Along, error) {
	var booked site.Job
	var bay string
	marginal, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]procedure.Marginal, error) {
		if job != 0 {
			var err error
			if booked, bay, err = slotOf(ctx, r, job, w.Now()); err != nil {
				return nil, err
			}
			ids = nil
			for _, p := range booked.Procedures {
				ids = append(ids, p.ID)
			}
		}
		lib, err := issued(ctx, r, ids)
		if err != nil {
			return nil, err
		}
		return lib.WhileOpen(ids)
	})
	if err != nil {
		return nil, err
	}
	out := make([]Along, 0, len(marginal))
	for _, m := range marginal {
		a := Along{Marginal: m}
		if job != 0 && m.Refused == nil && !booked.Planned.Start.Before(w.Now().Truncate(time.Minute)) {
			if a.Slot, err = w.slot(ctx, slug, booked, bay, append(slices.Clone(ids), m.Procedure)); err != nil {
				return nil, err
			}
		}
		out = append(out, a)
	}
	return out, nil
}

// slotOf reads a booked job and its bay. Precondition if it holds nothing.
func slotOf(ctx context.Context, r store.Reader, id int64, now time.Time) (site.Job, string, error) {
	job, err := r.Job(ctx, id, now)
	if err != nil {
		return job, "", err
	}
	if job.State == site.Cancelled || len(job.Procedures) == 0 {
		return job, "", fault.New(fault.Precondition, "NO_SLOT", "job %d holds no bay for procedures: ask with --procedure instead", id)
	}
	bookings, err := r.Bookings(ctx, store.BookingFilter{Job: id, Now: now})
	for _, b := range bookings {
		if b.Kind == site.KindBay {
			return job, b.Resource, err
		}
	}
	return job, "", err
}

// issued is the library of the newest issued procedures, with those of the job.
func issued(ctx context.Context, r store.Reader, ids []string) (procedure.Library, error) {
	refs := make([]site.ProcedureRef, 0, len(ids))
	for _, id := range ids {
		refs = append(refs, site.ProcedureRef{ID: id})
	}
	if _, err := merge(ctx, r, refs); err != nil {
		return procedure.Library{}, err
	}
	lib := procedure.Library{Preparations: map[string]procedure.Preparation{}, Procedures: map[string]procedure.Procedure{}}
	preparations, err := r.Preparations(ctx, Page{}, "")
	if err != nil {
		return lib, err
	}
	for _, p := range preparations {
		lib.Preparations[p.ID] = p
	}
	procedures, err := r.IssuedProcedures(ctx)
	if err != nil {
		return lib, err
	}
	for _, p := range procedures {
		lib.Procedures[p.ID] = p
	}
	lib.ToolTypes, err = typesByID(ctx, r)
	return lib, err
}

// slot checks a larger job against the slot of the one that is booked.
func (w *Workshop) slot(ctx context.Context, slug string, job site.Job, bay string, ids []string) (*SlotAnswer, error) {
	z, _, err := w.pose(ctx, slug, wanted{
		ids: ids, bay: bay, from: job.Planned.Start, to: job.Planned.Start.Add(lookAhead), without: job.ID,
	})
	if err != nil {
		return nil, err
	}
	told := job.Planned.End
	if !job.Promise.IsZero() {
		told = job.Promise
	}
	search, cancel := context.WithTimeout(ctx, thinking/4) // one of many
	defer cancel()
	res, err := plan.Check(search, &z.problem, 0, z.floor(told))
	if err != nil {
		return nil, err
	}
	out := &SlotAnswer{Fits: res.OK, Blockers: z.blockers(res.Blockers, res.Nominal)}
	switch {
	case res.Plan != nil:
		out.HandBack = z.at(res.Plan.Finish)
	case res.Waiting != nil:
		out.HandBack = z.at(res.Waiting.Finish)
	}
	return out, nil
}
