package workshop

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"

	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/store"
)

// errNoNews says that an arrangement promises nothing new.
var errNoNews = errors.New("no promise is new")

// settlePromises finds the chance of each new promise of an arrangement, by
// playing all that will stand once it is booked. Promises that stay keep theirs.
func (w *Workshop) settlePromises(ctx context.Context, slug string, a *Arrangement) error {
	if !slices.ContainsFunc(a.Jobs, func(j ArrangedJob) bool { return !j.Promise.IsZero() }) {
		return nil
	}
	jobs := slices.Clone(a.Jobs)
	at := make([]int, len(jobs)) // of each, in the cast
	s, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) (*scene, error) {
		return w.setScene(ctx, r, func(parts []placing) ([]placing, error) { return a.recast(ctx, r, parts, at) })
	})
	// A promise that a person gives stands, whether or not its chance can be told:
	// what is unsound is refused where it is booked.
	if err != nil {
		return ctx.Err()
	}
	f, err := forecast.Simulate(ctx, &s.placed, forecast.Options{Runs: promiseRuns, Workers: runtime.GOMAXPROCS(0), Focus: -1})
	if err != nil {
		return ctx.Err()
	}
	for i, j := range jobs {
		if !j.Promise.IsZero() {
			jobs[i].chance = max(f.Jobs[at[i]].By(s.minute(j.Promise)).Share, leastChance)
		}
	}
	a.Jobs = jobs
	return nil
}

// recast puts the jobs of an arrangement where it has them, among those that
// stand, and notes in at which of the cast each is.
func (a Arrangement) recast(ctx context.Context, r store.Reader, parts []placing, at []int) ([]placing, error) {
	news := false
	for i, j := range a.Jobs {
		if j.Job == 0 {
			merged, err := merge(ctx, r, j.Plan.versions())
			if err != nil {
				return nil, err
			}
			part, err := placingOf(*j.Plan, merged.network)
			if err != nil {
				return nil, err
			}
			at[i], parts = len(parts), append(parts, part)
			news = news || !j.Promise.IsZero()
			continue
		}
		k := slices.IndexFunc(parts, func(p placing) bool { return p.job.ID == j.Job })
		if k < 0 || len(parts[k].network.Steps) == 0 {
			return nil, fmt.Errorf("job %d does not stand", j.Job)
		}
		at[i] = k
		news = news || !j.Promise.IsZero() && !j.Promise.Equal(parts[k].job.Promise)
		parts[k].move(*j.Plan)
		if _, err := a.stretch(j.Job, &parts[k].network); err != nil {
			return nil, err
		}
	}
	if !news {
		return nil, errNoNews
	}
	return parts, nil
}

// move puts a booked job where a plan has it; steps that the plan leaves out, as
// they are done, stay.
func (p *placing) move(to Plan) {
	during := map[string]hours.Range{}
	for _, s := range to.Steps {
		during[s.ID] = s.During
	}
	p.job.Steps = slices.Clone(p.job.Steps)
	for i := range p.job.Steps {
		if d, ok := during[p.job.Steps[i].ID]; ok {
			p.job.Steps[i].During = d
		}
	}
	p.job.Planned, p.bookings = to.extent(), to.Bookings
	p.network.Steps = slices.Clone(p.network.Steps)
}
