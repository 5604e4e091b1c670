package workshop

import (
	"slices"
	"testing"
	"time"

	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// follower books the chain once more for Tuesday, behind the job that runs.
func (e *engine) follower() Booked {
	e.t.Helper()
	p := find(e.t, e.Workshop, FindQuestion{Procedures: []string{"chain"}, Earliest: local(13, 8, 0)})[0].Plan
	o := order("W-902", p)
	o.Promise = p.During.End
	b, err := e.Book(e.t.Context(), act("book"), o)
	if err != nil {
		e.t.Fatal(err)
	}
	return b
}

func (e *engine) repair(q RepairQuestion) Repair {
	e.t.Helper()
	r, err := e.ProposeRepair(e.t.Context(), "quay", q)
	if err != nil {
		e.t.Fatal(err)
	}
	return r
}

func stepOf(p *Plan, id string) PlannedStep {
	return p.Steps[slices.IndexFunc(p.Steps, func(s PlannedStep) bool { return s.ID == id })]
}

func TestWhatGoesAsPlannedBreaksNothing(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	e.follower()
	e.do("remove", "ada", 60)
	if err := e.start("fit-locks", "ada"); err != nil {
		t.Fatal(err)
	}
	e.at = e.at.Add(10 * time.Minute)
	if r := e.repair(RepairQuestion{}); len(r.Broken) != 0 {
		t.Errorf("broken: %+v", r.Broken)
	}
}

func TestAStepThatBeganLateIsSeenAndMended(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	e.follower()
	e.do("remove", "ada", 60)
	e.at = e.at.Add(4 * time.Hour) // nobody began the next: it is one o'clock
	r := e.repair(RepairQuestion{})
	if len(r.Broken) == 0 || len(r.Jobs) == 0 || r.Jobs[0].Job != e.job.ID || r.Jobs[0].Plan == nil {
		t.Fatalf("%+v", r)
	}
	p := r.Jobs[0].Plan
	if got := stepOf(p, "cover-off/remove").During; !got.Start.Equal(local(12, 8, 0)) || !got.End.Equal(local(12, 9, 0)) {
		t.Errorf("what is done is moved to %v", got)
	}
	if got := stepOf(p, "locked/fit-locks").During.Start; got.Before(e.at) {
		t.Errorf("it would begin at %v, and it is %v", got, e.at)
	}
	if r.PromisesMoved != 0 || p.During.End.After(local(12, 17, 0)) { // four hours are left, and four to do
		t.Errorf("%d promises move, hand-back %v", r.PromisesMoved, p.During.End)
	}
	if _, err := e.BookArrangement(t.Context(), act("repair"), Arrangement{Jobs: r.Jobs, Reason: "late"}); err != nil {
		t.Fatal(err)
	}
	if again := e.repair(RepairQuestion{}); len(again.Broken) != 0 {
		t.Errorf("after the repair: %+v", again.Broken)
	}
	held, err := e.Bookings(t.Context(), "quay", Span{During: hours.Range{Start: local(12, 0, 0), End: local(14, 0, 0)}}, nil, e.job.ID)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(held, func(b site.Booking) bool {
		return b.During.Start.Equal(local(12, 8, 0)) && b.Kind == site.KindTechnician
	}) {
		t.Errorf("the past is gone from the book: %+v", held)
	}
	e.do("fit-locks", "ada", 30) // and the work goes on
}

func TestADelayOfWhatRunsMovesWhatFollows(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	second := e.follower()
	e.do("remove", "ada", 60)
	e.do("fit-locks", "ada", 30)
	if err := e.start("renew", "ada"); err != nil {
		t.Fatal(err)
	}
	e.at = e.at.Add(30 * time.Minute)
	q := e.told("renew", "ada")
	q.Note = "a bolt will not move"
	if _, err := e.ReportDelay(t.Context(), act("delay"), q, 900); err != nil {
		t.Fatal(err)
	}
	over := Overrun{Job: e.job.ID, Step: "chain/renew", Extra: 900}
	r := e.repair(RepairQuestion{Overrun: &over})
	if len(r.Jobs) != 2 || r.Jobs[0].Plan == nil || r.Jobs[1].Plan == nil {
		t.Fatalf("%d jobs, broken %+v; second %v in %+v; first to %v", len(r.Jobs), r.Broken, second.Job.Planned, second.Bookings[0], r.Jobs[0].Plan.During)
	}
	if got := stepOf(r.Jobs[0].Plan, "chain/renew").During; !got.Start.Equal(local(12, 9, 30)) || !got.End.After(local(14, 8, 0)) {
		t.Errorf("it runs %v", got)
	}
	a := Arrangement{Jobs: r.Jobs, Overruns: []Overrun{over}, Reason: q.Note}
	if _, err := e.BookArrangement(t.Context(), act("repair"), a); err != nil {
		t.Fatal(err)
	}
	if again := e.repair(RepairQuestion{}); len(again.Broken) != 0 {
		t.Errorf("after the repair: %+v", again.Broken)
	}
	moved, err := e.Job(t.Context(), "quay", second.Job.ID)
	if err != nil || !moved.Planned.End.After(second.Job.Planned.End) {
		t.Errorf("the second job ends %v, was %v: %v", moved.Planned.End, second.Job.Planned.End, err)
	}
}

func TestAnIllTechnicianIsRelieved(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	if err := e.start("remove", "ada"); err != nil {
		t.Fatal(err)
	}
	e.at = e.at.Add(20 * time.Minute)
	if _, err := e.PauseStep(t.Context(), act("pause"), e.told("remove", "ada")); err != nil {
		t.Fatal(err)
	}
	for _, who := range []string{"ada", "ben"} { // whoever is booked
		r := e.repair(RepairQuestion{Outage: &Outage{
			Ref: Ref{Kind: site.KindTechnician, ID: who}, During: hours.Range{Start: e.at, End: local(13, 0, 0)},
		}})
		for _, j := range r.Jobs {
			if j.Plan == nil {
				t.Errorf("without %s there is no place", who)
			}
		}
	}
}

func TestAClosedJobIsLeftAlone(t *testing.T) {
	t.Parallel()
	e := newEngine(t)
	e.do("remove", "ada", 60)
	for _, s := range []string{"fit-locks", "renew", "crank-bolt", "take-locks-off"} {
		q := e.told(s, "")
		q.Note = "customer called off"
		if _, err := e.WaiveStep(t.Context(), act("waive"), q); err != nil {
			t.Fatal(err)
		}
	}
	e.do("refit", "ada", 60)
	e.giveBack()
	if _, err := e.CloseJob(t.Context(), act("close"), e.job.ID, Told{}); err != nil {
		t.Fatal(err)
	}
	if r := e.repair(RepairQuestion{}); len(r.Broken)+len(r.Jobs) != 0 {
		t.Errorf("%+v", r)
	}
}
