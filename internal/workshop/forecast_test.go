package workshop

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

func TestPromisesAtAPercentile(t *testing.T) {
	t.Parallel()
	w := small(t)
	q := FindQuestion{Procedures: []string{"chain"}, Earliest: local(12, 8, 0), Confidence: 0.8}
	options := find(t, w, q)
	first := options[0]
	if !first.Promise.After(first.Plan.During.End) {
		t.Errorf("planned to %v, promised at 80 %% for %v", first.Plan.During.End, first.Promise)
	}
	if first.Promise.Minute()%15 != 0 {
		t.Errorf("promised for %v: no quarter of an hour", first.Promise)
	}
	q.Confidence = 0.99
	if surer := find(t, w, q)[0].Promise; surer.Before(first.Promise) {
		t.Errorf("at 99 %% %v, at 80 %% %v", surer, first.Promise)
	}
	o := order("W-1", first.Plan)
	o.Confidence = 0.8
	booked, err := w.Book(t.Context(), act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	if !booked.Job.Promise.Equal(first.Promise) || booked.Job.Confidence != 0.8 {
		t.Errorf("booked with %v at %v, found %v", booked.Job.Promise, booked.Job.Confidence, first.Promise)
	}
	kept, err := w.Job(t.Context(), "quay", booked.Job.ID)
	if err != nil || !kept.Promise.Equal(first.Promise) || kept.Confidence != 0.8 {
		t.Errorf("kept %+v, %v", kept, err)
	}
	f, err := w.ForecastJob(t.Context(), "quay", booked.Job.ID, Simulation{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	// The promise was rounded up, and 4,000 runs leave it open a little.
	if f.PromiseChance.High < 0.79 || !f.Promise.Equal(first.Promise) {
		t.Errorf("the promise holds with %+v", f.PromiseChance)
	}
	if len(f.Percentiles) != 3 || f.Percentiles[0].At.After(f.Percentiles[2].At) || f.Percentiles[1].Low.After(f.Percentiles[1].At) {
		t.Errorf("percentiles %+v", f.Percentiles)
	}
	if len(f.Deciding) == 0 || f.Deciding[0].Share < 0.5 || f.Deciding[0].Job != booked.Job.ID {
		t.Errorf("deciding %+v", f.Deciding)
	}
	// Alone in the workshop, a job does not gain much by others: its people are free.
	if o := f.TakeOver; o == nil || len(o.Percentiles) != 3 || o.Percentiles[0].At.After(f.Percentiles[0].At) || o.PromiseChance.Share < f.PromiseChance.Low {
		t.Errorf("with others %+v, without %+v", o, f)
	}
	again, err := w.ForecastJob(t.Context(), "quay", booked.Job.ID, Simulation{}, time.Time{})
	if err != nil || again.Percentiles[1] != f.Percentiles[1] {
		t.Errorf("asked again: %+v, %v", again.Percentiles, err)
	}
}

// A promise that a person gives keeps the chance that it has.
func TestTheChanceOfAGivenPromiseIsKept(t *testing.T) {
	t.Parallel()
	w := small(t)
	p := chain(t, w, local(12, 8, 0))
	o := order("W-1", p)
	o.Promise = p.During.End.Add(14 * 24 * time.Hour).Truncate(time.Minute)
	sure, err := w.Book(t.Context(), act("book"), o)
	if err != nil || sure.Job.Confidence < 0.99 {
		t.Fatalf("two weeks later: %v, %v", sure.Job.Confidence, err)
	}
	if _, err := w.Cancel(t.Context(), act("cancel"), sure.Job.ID, ""); err != nil {
		t.Fatal(err)
	}
	o.Promise = p.During.Start.Add(time.Minute)
	never, err := w.Book(t.Context(), act("book"), o)
	if err != nil || never.Job.Confidence > 0.01 || never.Job.Confidence == 0 {
		t.Errorf("a minute after the start: %v, %v", never.Job.Confidence, err)
	}
	for _, c := range []float64{-0.1, 1, 1.5} {
		o := order("W-2", p)
		o.Confidence = c
		_, err := w.Book(t.Context(), act("book"), o)
		wantKind(t, err, fault.Invalid, "PLAN")
	}
	o.Confidence = 0.8
	_, err = w.Book(t.Context(), act("book"), o)
	wantKind(t, err, fault.Invalid, "PLAN")
}

// What is done is a fact, and what is begun has less before it.
func TestForecastsFollowTheRecord(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	before, err := e.ForecastJob(t.Context(), "quay", e.job.ID, Simulation{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	e.do("remove", "ada", 50)
	after, err := e.ForecastJob(t.Context(), "quay", e.job.ID, Simulation{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if after.Open != before.Open-1 {
		t.Errorf("%d steps open, then %d", before.Open, after.Open)
	}
	for _, d := range after.Deciding {
		if d.Title == before.Deciding[len(before.Deciding)-1].Title && d.Step == "remove" {
			t.Errorf("a finished step decides: %+v", d)
		}
	}
	if err := e.start("fit-locks", "ada"); err != nil {
		t.Fatal(err)
	}
	e.at = e.at.Add(72 * time.Hour)
	late, err := e.ForecastJob(t.Context(), "quay", e.job.ID, Simulation{}, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if !late.Percentiles[0].At.After(after.Percentiles[0].At) || late.Percentiles[0].At.Before(e.at) {
		t.Errorf("three days at a step of half an hour: hand-back from %v to %v", after.Percentiles[0].At, late.Percentiles[0].At)
	}
	if late.PromiseChance.Share > after.PromiseChance.Share {
		t.Errorf("the promise grew surer: %v to %v", after.PromiseChance.Share, late.PromiseChance.Share)
	}
}

// Records teach: they come to light with the procedure, and forecasts draw on
// them; the promise is held against the end of the work.
func TestRecordsTeach(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	e.do("remove", "ada", 50)
	e.do("fit-locks", "ada", 30)
	if err := e.start("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	e.tick("renew", "chain-kit")
	e.at = e.at.Add(80 * time.Minute)
	if _, err := e.finish("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	times, err := e.ProcedureTimes(t.Context(), "quay", "chain", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, s := range times.Steps {
		n += s.N
		if s.N == 0 {
			continue
		}
		if s.Z != forecast.Credibility(1, times.K) || len(s.Records) != 1 || s.Records[0].Job != e.job.ID || math.Abs(s.Own-s.Records[0].Minutes) > 1e-6 {
			t.Errorf("%+v", s)
		}
		if want := s.Records[0].Minutes; want != 50 && want != 30 && want != 80 {
			t.Errorf("%s took %v minutes", s.Step, want)
		}
	}
	if n != 3 || times.Known {
		t.Errorf("%d records, constant known: %v", n, times.Known)
	}
	f, err := e.ForecastJob(t.Context(), "quay", e.job.ID, Simulation{}, time.Time{})
	if err != nil || f.Recorded != 0 || f.Open != 3 {
		t.Errorf("of what is left nothing was done before: %+v, %v", f, err)
	}
	next, err := e.ForecastPlan(t.Context(), "quay", chain(t, e.Workshop, local(14, 8, 0)), 0, Simulation{Runs: 500}, time.Time{})
	if err != nil || next.Recorded != 3 || next.Open != 6 {
		t.Errorf("the next one draws on records: %+v, %v", next, err)
	}
	r, err := e.ReviewPromises(t.Context(), "quay", hours.Range{Start: local(1, 0, 0), End: local(30, 0, 0)})
	if err != nil || r.Unrecorded != 1 || r.Whole.Kept.Of != 0 || r.Whole.Verdict != forecast.TooFew {
		t.Errorf("review of an open job: %+v, %v", r, err)
	}
}

func TestPromisesAreReviewed(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	e.do("remove", "ada", 50)
	e.do("fit-locks", "ada", 30)
	if err := e.start("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	e.tick("renew", "chain-kit")
	e.at = e.at.Add(80 * time.Minute)
	if _, err := e.finish("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	if err := e.start("crank-bolt", "ada"); err != nil {
		t.Fatal(err)
	}
	e.bolt()
	e.at = e.at.Add(30 * time.Minute)
	if _, err := e.finish("crank-bolt", "ada"); err != nil {
		t.Fatal(err)
	}
	e.do("take-locks-off", "ada", 10)
	e.do("refit", "cem", 40)
	e.giveBack()
	if _, err := e.CloseJob(t.Context(), act("close"), e.job.ID, Told{}); err != nil {
		t.Fatal(err)
	}
	r, err := e.ReviewPromises(t.Context(), "quay", hours.Range{Start: local(1, 0, 0), End: local(30, 0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if r.Whole.Kept.Of != 1 || r.Whole.Kept.Count != 1 || r.Whole.Verdict != forecast.TooFew || r.Whole.Promised != e.job.Confidence {
		t.Errorf("%+v, promised with %v", r, e.job.Confidence)
	}
	if _, err := e.ForecastJob(t.Context(), "quay", e.job.ID, Simulation{}, time.Time{}); err == nil {
		t.Error("forecasts what is over")
	}
}

func TestSiteForecast(t *testing.T) {
	t.Parallel()
	w := small(t)
	if list, err := w.ForecastSite(t.Context(), "quay", Simulation{}); err != nil || len(list) != 0 {
		t.Errorf("nothing stands: %v, %v", list, err)
	}
	one, err := book(t, w, "W-1", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	two, err := book(t, w, "W-2", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	held, err := w.Reserve(t.Context(), act("reserve"), reservation(Ref{Kind: site.KindTool, ID: one.Bookings[len(one.Bookings)-1].Resource}))
	if err != nil && fault.Fault(err).Kind != fault.LostRace {
		t.Fatal(err)
	}
	list, err := w.ForecastSite(t.Context(), "quay", Simulation{Runs: 500, Percentiles: []float64{0.9}})
	if err != nil || len(list) != 2 || list[0].Job.ID != one.Job.ID || list[1].Job.ID != two.Job.ID {
		t.Fatalf("%+v, %v", list, err)
	}
	if held.Job.ID != 0 {
		_, err := w.ForecastJob(t.Context(), "quay", held.Job.ID, Simulation{}, time.Time{})
		wantKind(t, err, fault.Precondition, "NO_STEPS")
	}
	_, err = w.ForecastSite(t.Context(), "quay", Simulation{Percentiles: []float64{1}})
	wantKind(t, err, fault.Invalid, "FORECAST")
}

func TestStudyOfASite(t *testing.T) {
	t.Parallel()
	w := small(t)
	q := StudyQuestion{
		Demand: []Demand{{Procedures: []string{"chain"}, PerWeek: 3}, {Procedures: []string{"chain", "cam-bolts"}, PerWeek: 0.5}}, Weeks: 2, Replications: 2,
		Variants: []StudyVariant{
			{OneMore: []Ref{{Kind: site.KindTechnician, ID: "ada"}}, Cost: 100}, {Longer: 60},
			{Away: []Away{{Ref: Ref{Kind: site.KindTechnician, ID: "ben"}, FromWeek: 1, Weeks: 2}}},
		},
	}
	told := 0
	a, err := w.Study(t.Context(), "quay", q, func(done, of int) {
		if told++; of != 8 || done != told {
			t.Errorf("run %d of %d after %d", done, of, told-1)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if told != 8 || len(a.Variants) != 3 || a.Base.Jobs.Mean < 1 || a.Demand[0].PerWeek != 3 {
		t.Errorf("%+v", a.Study)
	}
	for _, u := range a.Base.Units {
		if a.Refs[u.ID].ID != u.ID {
			t.Errorf("%s is nothing of the site", u.ID)
		}
	}
	for name, bad := range map[string]StudyQuestion{
		"no past":        {Weeks: 2, Replications: 2},
		"too long":       {Demand: q.Demand, Weeks: 53},
		"no change":      {Demand: q.Demand, Variants: []StudyVariant{{}}},
		"no such tool":   {Demand: q.Demand, Variants: []StudyVariant{{OneMore: []Ref{{Kind: site.KindTool, ID: "NO-1"}}}}},
		"away too late":  {Demand: q.Demand, Weeks: 2, Variants: []StudyVariant{{Away: []Away{{FromWeek: 3, Weeks: 1}}}}},
		"no such work":   {Demand: []Demand{{Procedures: []string{"nothing"}, PerWeek: 1}}},
		"no rate":        {Demand: []Demand{{Procedures: []string{"chain"}}}},
		"once is no run": {Demand: q.Demand, Replications: 1},
	} {
		if _, err := w.Study(t.Context(), "quay", bad, nil); err == nil || fault.Fault(err) == nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	q.Replications = 50
	if _, err := w.Study(ctx, "quay", q, func(int, int) { cancel() }); !errors.Is(err, context.Canceled) {
		t.Errorf("broken off: %v", err)
	}
}
