package workshop

import (
	"context"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
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
	var s slot
	marginal, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]procedure.Marginal, error) {
		if job != 0 {
			var err error
			if s, err = w.readSlot(ctx, r, job); err != nil {
				return nil, err
			}
			ids = nil
			for _, p := range s.job.Procedures {
				ids = append(ids, p.ID)
			}
		}
		lib, err := issued(ctx, r, ids)
		if err != nil {
			return nil, err
		}
		s.lib = lib
		return lib.WhileOpen(ids)
	})
	if err != nil {
		return nil, err
	}
	out := make([]Along, 0, len(marginal))
	for _, m := range marginal {
		a := Along{Marginal: m}
		if job != 0 && m.Refused == nil && !s.job.Planned.Start.Before(w.Now().Truncate(time.Minute)) {
			if a.Slot, err = s.check(ctx, append(slices.Clone(ids), m.Procedure)); err != nil {
				return nil, err
			}
		}
		out = append(out, a)
	}
	return out, nil
}

// slot is the place that a booked job has, with the site around it, read once
// for all that could be done along.
type slot struct {
	job   site.Job
	bay   string
	lib   procedure.Library
	state store.State // without the job's own bookings
}

// readSlot reads a booked job, its bay and the site from its start on.
// Precondition if it holds nothing.
func (w *Workshop) readSlot(ctx context.Context, r store.Reader, id int64) (slot, error) {
	var s slot
	var err error
	if s.job, err = r.Job(ctx, id, w.Now()); err != nil {
		return s, err
	}
	if s.job.State == site.Cancelled || len(s.job.Procedures) == 0 {
		return s, fault.New(fault.Precondition, "NO_SLOT", "job %d holds no bay for procedures: ask with --procedure instead", id)
	}
	during := hours.Range{Start: s.job.Planned.Start, End: s.job.Planned.Start.Add(lookAhead)}
	if s.state, err = r.State(ctx, w.Now(), during, nil); err != nil {
		return s, err
	}
	s.state.Bookings = slices.DeleteFunc(s.state.Bookings, func(b site.Booking) bool {
		own := b.Job == id
		if own && b.Kind == site.KindBay {
			s.bay = b.Resource
		}
		return own
	})
	s.state.Issues = withoutJobs(s.state.Issues, id)
	return s, nil
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

// check holds a larger job against the slot.
func (s slot) check(ctx context.Context, ids []string) (*SlotAnswer, error) {
	net, err := s.lib.Merge(ids)
	if err != nil {
		return nil, err
	}
	y, err := newYard(s.state, s.job.Planned.Start, s.job.Planned.Start.Add(lookAhead))
	if err != nil {
		return nil, err
	}
	z, err := newPuzzle(y, net, s.bay, nil)
	if err != nil {
		return nil, err
	}
	told := s.job.Planned.End
	if !s.job.Promise.IsZero() {
		told = s.job.Promise
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
