package workshop

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Simulation says how to simulate; zero values are filled in.
type Simulation struct {
	Percentiles []float64
	Runs        int
	Seed        uint64
}

// Bounds of a forecast that somebody asks for.
const (
	maxPercentiles = 20
	maxForecast    = 200_000 // runs
	siteRuns       = 4_000
	mostDeciding   = 10
)

func (q *Simulation) check(fs *fault.Fields) {
	if len(q.Percentiles) == 0 {
		q.Percentiles = []float64{0.5, 0.8, 0.95}
	}
	if len(q.Percentiles) > maxPercentiles {
		fs.Add("simulation.percentiles", "must be %d at the most", maxPercentiles)
	}
	for i, p := range q.Percentiles {
		if !(p > 0 && p < 1) {
			fs.Add(fmt.Sprintf("simulation.percentiles[%d]", i), "must lie between 0 and 1")
		}
	}
	slices.Sort(q.Percentiles)
	if q.Runs < 0 || q.Runs > maxForecast {
		fs.Add("simulation.runs", "must be up to %d", maxForecast)
	}
}

// Percentile is when a job is done with a probability; zero times lie beyond what
// was looked at.
type Percentile struct {
	Probability   float64
	At, Low, High time.Time
}

// Deciding is a step that decides a hand-back, and how often.
type Deciding struct {
	Job       int64 // 0: of the plan
	Reference string
	Step      string
	Title     string
	Share     float64
}

// JobForecast is when a job is likely to be handed back.
type JobForecast struct {
	Job            site.Job // ID 0: a plan
	Planned        time.Time
	PlannedChance  forecast.Proportion
	Percentiles    []Percentile
	Promise        time.Time // zero: none
	PromiseChance  forecast.Proportion
	Deciding       []Deciding
	Runs           int
	Open, Recorded int // steps not done; of these, drawn from records
	// TakeOver is the same if whoever has the skills may take over a step from
	// the person it was planned for; nil where that was not asked.
	TakeOver *TakeOver
}

// TakeOver is a forecast in which others may take over.
type TakeOver struct {
	Percentiles                  []Percentile
	PlannedChance, PromiseChance forecast.Proportion
}

// ForecastJob plays a booked job beside all the others. promise is what to judge;
// zero: the promise that stands.
func (w *Workshop) ForecastJob(ctx context.Context, slug string, id int64, q Simulation, promise time.Time) (JobForecast, error) {
	var fs fault.Fields
	q.check(&fs)
	if err := fs.Err("FORECAST", "the question cannot be answered"); err != nil {
		return JobForecast{}, err
	}
	s, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) (*scene, error) {
		if _, err := r.Job(ctx, id, w.Now()); err != nil {
			return nil, err
		}
		return w.setScene(ctx, r, asItStands)
	})
	if err != nil {
		return JobForecast{}, err
	}
	at, err := s.find(id)
	if err != nil {
		return JobForecast{}, err
	}
	if promise.IsZero() {
		promise = s.cast[at].job.Promise
	}
	return s.playBoth(ctx, at, q, promise)
}

// play simulates the scene as it is planned and tells of one job.
func (s *scene) play(ctx context.Context, job int, q Simulation, promise time.Time) (JobForecast, error) {
	f, err := forecast.Simulate(ctx, &s.placed, forecast.Options{Runs: q.Runs, Seed: q.Seed, Workers: runtime.GOMAXPROCS(0), Focus: job})
	if err != nil {
		return JobForecast{}, err
	}
	out := s.tell(f, job, q, promise)
	out.Deciding = s.deciding(f)
	return out, nil
}

// playBoth simulates it once more, on the same draws, with others taking over.
func (s *scene) playBoth(ctx context.Context, job int, q Simulation, promise time.Time) (JobForecast, error) {
	out, err := s.play(ctx, job, q, promise)
	if err != nil {
		return out, err
	}
	f, err := forecast.Simulate(ctx, &s.placed, forecast.Options{Runs: q.Runs, Seed: q.Seed, Workers: runtime.GOMAXPROCS(0), Focus: job, TakeOver: true})
	if err != nil {
		return out, err
	}
	other := s.tell(f, job, q, promise)
	out.TakeOver = &TakeOver{other.Percentiles, other.PlannedChance, other.PromiseChance}
	return out, nil
}

// tell draws up the forecast of one job.
func (s *scene) tell(f *forecast.Forecast, job int, q Simulation, promise time.Time) JobForecast {
	m, sample := s.cast[job], f.Jobs[job]
	out := JobForecast{Job: m.job, Planned: s.instant(f.Planned[job]), Promise: promise, Runs: f.Runs, Open: m.open, Recorded: m.learned}
	out.PlannedChance = sample.By(f.Planned[job])
	for _, p := range q.Percentiles {
		b := sample.Quantile(p)
		out.Percentiles = append(out.Percentiles, Percentile{p, s.instant(b.At), s.instant(b.Low), s.instant(b.High)})
	}
	if !promise.IsZero() {
		out.PromiseChance = sample.By(s.minute(promise))
	}
	return out
}

// deciding lists the steps that most often decided the hand-back.
func (s *scene) deciding(f *forecast.Forecast) []Deciding {
	var out []Deciding
	for i, n := range f.Decides {
		if n == 0 {
			continue
		}
		job := s.cast[s.placed.Steps[i].Job].job
		out = append(out, Deciding{job.ID, job.Reference, s.ids[i], s.titles[i], float64(n) / float64(f.Runs)})
	}
	slices.SortStableFunc(out, func(a, b Deciding) int {
		switch {
		case a.Share > b.Share:
			return -1
		case a.Share < b.Share:
			return 1
		}
		return 0
	})
	return out[:min(len(out), mostDeciding)]
}

// ForecastPlan plays a plan that is not booked beside all that stands. promise is
// what to judge; zero: none. replaces is a job whose place it takes; 0: none.
func (w *Workshop) ForecastPlan(ctx context.Context, slug string, p Plan, replaces int64, q Simulation, promise time.Time) (JobForecast, error) {
	return w.forecastPlan(ctx, slug, p, replaces, q, promise, (*scene).playBoth)
}

func (w *Workshop) forecastPlan(ctx context.Context, slug string, p Plan, replaces int64, q Simulation, promise time.Time,
	play func(*scene, context.Context, int, Simulation, time.Time) (JobForecast, error)) (JobForecast, error) {
	var fs fault.Fields
	q.check(&fs)
	p.check(&fs, "plan")
	if err := fs.Err("FORECAST", "the question cannot be answered"); err != nil {
		return JobForecast{}, err
	}
	s, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) (*scene, error) {
		merged, err := merge(ctx, r, p.versions())
		if err != nil {
			return nil, err
		}
		part, err := placingOf(p, merged.network)
		if err != nil {
			return nil, err
		}
		return w.setScene(ctx, r, beside(part, replaces))
	})
	if err != nil {
		return JobForecast{}, err
	}
	return play(s, ctx, len(s.cast)-1, q, promise)
}

// placingOf puts a plan in the place of a booked job.
func placingOf(p Plan, net procedure.Network) (placing, error) {
	out := placing{network: net, bookings: p.Bookings, job: site.Job{Planned: p.extent(), Parts: jobParts(net, p.Arrivals)}}
	at := map[string]hours.Range{}
	for _, s := range p.Steps {
		at[s.ID] = s.During
	}
	for _, n := range net.Steps {
		during, ok := at[n.ID]
		if !ok {
			return out, unlike(fmt.Sprintf("step %q is missing", n.ID))
		}
		out.job.Steps = append(out.job.Steps, site.JobStep{ID: n.ID, Title: n.Step.Title, During: during})
	}
	return out, nil
}

// ForecastSite plays every job that stands, by planned hand-back. Reservations are
// left out: they last as long as they were booked for.
func (w *Workshop) ForecastSite(ctx context.Context, slug string, q Simulation) ([]JobForecast, error) {
	var fs fault.Fields
	if q.Runs == 0 {
		q.Runs = siteRuns
	}
	q.check(&fs)
	if err := fs.Err("FORECAST", "the question cannot be answered"); err != nil {
		return nil, err
	}
	s, err := read(ctx, w, slug, func(ctx context.Context, r store.Reader) (*scene, error) {
		return w.setScene(ctx, r, asItStands)
	})
	if err != nil || len(s.placed.Steps) == 0 {
		return nil, err
	}
	f, err := forecast.Simulate(ctx, &s.placed, forecast.Options{Runs: q.Runs, Seed: q.Seed, Workers: runtime.GOMAXPROCS(0), Focus: -1})
	if err != nil {
		return nil, err
	}
	var out []JobForecast
	for i, m := range s.cast {
		if !m.fixed {
			out = append(out, s.tell(f, i, q, m.job.Promise))
		}
	}
	slices.SortStableFunc(out, func(a, b JobForecast) int { return a.Planned.Compare(b.Planned) })
	return out, nil
}

// quarter is what promises at a percentile are rounded up to.
const quarter = 15 * time.Minute

// promiseRuns is how often a plan is played for a promise.
const promiseRuns = 4_000

// promiseAt gives the hand-back of a plan that holds with a probability, rounded
// up to a quarter of an hour.
func (w *Workshop) promiseAt(ctx context.Context, slug string, p Plan, replaces int64, confidence float64) (time.Time, error) {
	f, err := w.forecastPlan(ctx, slug, p, replaces, Simulation{Percentiles: []float64{confidence}, Runs: promiseRuns}, time.Time{}, (*scene).play)
	if err != nil {
		return time.Time{}, err
	}
	at := f.Percentiles[0].At
	if at.IsZero() {
		return at, fault.New(fault.Precondition, "PROMISE", "with %.0f %% certainty the job is not done within %.0f weeks of its plan: promise with less, or give a time",
			100*confidence, lookBeyond.Hours()/24/7)
	}
	return at.Add(quarter - 1).Truncate(quarter), nil
}

// settlePromise fills in what an order leaves open of its promise: the time for a
// confidence, or the confidence of a time.
func (w *Workshop) settlePromise(ctx context.Context, slug string, o *Order) error {
	switch {
	case o.Promise.IsZero() && o.Confidence == 0:
		return nil
	case o.Promise.IsZero():
		at, err := w.promiseAt(ctx, slug, o.Plan, o.Replaces, o.Confidence)
		o.Promise = at
		return err
	}
	// A promise that a person gives stands, whether or not its chance can be told.
	f, err := w.forecastPlan(ctx, slug, o.Plan, o.Replaces, Simulation{Runs: promiseRuns}, o.Promise, (*scene).play)
	if err != nil {
		return ctx.Err()
	}
	o.Confidence = max(f.PromiseChance.Share, leastChance)
	return nil
}

// leastChance stands for a promise that no run kept.
const leastChance = 0.0001

// PromiseReview is what became of promises.
type PromiseReview struct {
	Bands                []forecast.Band
	Whole                forecast.Band
	Unrecorded, Unstated int
}

// ReviewPromises holds the first promise of each job that fell due in a time
// against when it was handed back.
func (w *Workshop) ReviewPromises(ctx context.Context, slug string, during hours.Range) (PromiseReview, error) {
	var fs fault.Fields
	checkRange(&fs, "during", during.Start, during.End)
	if err := fs.Err("REVIEW", "the question cannot be answered"); err != nil {
		return PromiseReview{}, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (PromiseReview, error) {
		var out PromiseReview
		list, err := r.Promises(ctx, during.Start, during.End)
		if err != nil {
			return out, err
		}
		var kept []forecast.Kept
		for _, p := range list {
			switch {
			case p.HandedBack.IsZero():
				out.Unrecorded++
			case p.Confidence == 0:
				out.Unstated++
			default:
				kept = append(kept, forecast.Kept{Confidence: p.Confidence, Held: !p.HandedBack.After(p.Promise)})
			}
		}
		out.Bands, out.Whole = forecast.Review(kept)
		return out, nil
	})
}
