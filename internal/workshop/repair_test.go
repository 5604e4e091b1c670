package workshop

import (
	"slices"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

// twoChains books the chain twice in bay-2: on Monday, and on Tuesday when bay-1
// is taken by W-100.
func twoChains(t *testing.T, w *Workshop) (first, second Booked) {
	t.Helper()
	p := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(12, 8, 0), Bay: "bay-2"})[0].Plan
	first, err := book(t, w, "W-901", p)
	if err != nil {
		t.Fatal(err)
	}
	o := order("W-902", chain(t, w, local(13, 8, 0)))
	o.Promise = local(13, 17, 0)
	second, err = w.Book(t.Context(), act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	return first, second
}

func TestAnOutageIsMendedInOneAct(t *testing.T) {
	t.Parallel()
	w := small(t)
	_, second := twoChains(t, w)
	// The locking set is out on Tuesday until noon.
	q := RepairQuestion{Outage: &Outage{
		Ref: Ref{Kind: site.KindTool, ID: "LK-1"}, During: hours.Range{Start: local(13, 0, 0), End: local(13, 12, 0)},
	}}
	repair, err := w.ProposeRepair(t.Context(), "quay", q)
	if err != nil {
		t.Fatal(err)
	}
	if len(repair.Broken) == 0 || !slices.ContainsFunc(repair.Broken, func(b site.Booking) bool { return b.Resource == "LK-1" }) {
		t.Errorf("broken: %+v", repair.Broken)
	}
	if len(repair.Jobs) != 1 || repair.Jobs[0].Job != second.Job.ID || repair.Jobs[0].Plan == nil {
		t.Fatalf("jobs: %+v", repair.Jobs)
	}
	// Locks on at one, four hours more: the promise of 17:00 is kept.
	if repair.PromisesMoved != 0 || repair.Jobs[0].Plan.During.End.After(local(13, 17, 0)) {
		t.Errorf("%d promises moved, hand-back %v", repair.PromisesMoved, repair.Jobs[0].Plan.During.End)
	}
	_, err = w.EditTool(t.Context(), act("edit"), "LK-1", func(v *site.Tool) {
		v.Condition, v.ConditionUntil, v.ConditionNote = site.Quarantined, local(13, 12, 0), "a pin is bent"
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.BookArrangement(t.Context(), act("repair"), Arrangement{Jobs: repair.Jobs, Reason: "locks damaged"}); err != nil {
		t.Errorf("booking the repair: %v", err)
	}
}

func TestAnOverrunMovesWhatFollows(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, second := twoChains(t, w)
	// At 10:00 on Monday the chain is half renewed, and takes six hours more:
	// the locks stay on into Tuesday morning, when the second job wants them.
	w.now = func() time.Time { return local(12, 10, 0) }
	overrun := Overrun{Job: first.Job.ID, Step: "chain/renew", Extra: 360}
	repair, err := w.ProposeRepair(t.Context(), "quay", RepairQuestion{Overrun: &overrun})
	if err != nil {
		t.Fatal(err)
	}
	if len(repair.Jobs) != 2 {
		t.Fatalf("jobs: %+v", repair.Jobs)
	}
	for _, j := range repair.Jobs {
		if j.Plan == nil {
			t.Fatalf("%s has no place", j.Reference)
		}
	}
	if got := repair.Jobs[0].Plan.During.Start; !got.Equal(local(12, 8, 0)) {
		t.Errorf("the job that has begun starts at %v", got)
	}
	a := Arrangement{Jobs: repair.Jobs, Overruns: []Overrun{overrun}, Reason: "a bolt will not move"}
	if _, err := w.BookArrangement(t.Context(), act("repair"), a); err != nil {
		t.Fatal(err)
	}
	// The book is sound again, and the same overrun once more is another one.
	again, err := w.ProposeRepair(t.Context(), "quay", RepairQuestion{Overrun: &Overrun{Job: second.Job.ID, Step: "chain/renew", Extra: 1}})
	if err != nil || len(again.Jobs) != 1 {
		t.Errorf("after the repair: %+v, %v", again, err)
	}
}

func TestRepairOfNothing(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, _ := twoChains(t, w)
	repair, err := w.ProposeRepair(t.Context(), "quay", RepairQuestion{Outage: &Outage{
		Ref: Ref{Kind: site.KindTool, ID: "JG-1"}, During: hours.Range{Start: local(12, 8, 0), End: local(20, 0, 0)},
	}})
	if err != nil || len(repair.Broken) != 0 || len(repair.Jobs) != 0 {
		t.Errorf("an outage that hits nobody: %+v, %v", repair, err)
	}
	ask := func(q RepairQuestion) error {
		_, err := w.ProposeRepair(t.Context(), "quay", q)
		return err
	}
	if err := ask(RepairQuestion{}); err != nil {
		t.Errorf("what breaks as it stands: %v", err)
	}
	wantKind(t, ask(RepairQuestion{
		Overrun: &Overrun{Job: first.Job.ID, Step: "chain/renew", Extra: 5},
		Outage:  &Outage{Ref: Ref{Kind: site.KindTool, ID: "LK-1"}, During: hours.Range{Start: local(12, 8, 0), End: local(13, 8, 0)}},
	}), fault.Invalid, "REPAIR")
	wantKind(t, ask(RepairQuestion{Overrun: &Overrun{Job: first.Job.ID, Step: "chain/renew"}}), fault.Invalid, "REPAIR")
	wantKind(t, ask(RepairQuestion{Overrun: &Overrun{Job: first.Job.ID, Step: "none", Extra: 5}}), fault.NotFound, "NOT_FOUND")
	wantKind(t, ask(RepairQuestion{Overrun: &Overrun{Job: 999, Step: "none", Extra: 5}}), fault.Precondition, "NOT_STANDING")
	wantKind(t, ask(RepairQuestion{Outage: &Outage{
		Ref: Ref{Kind: site.KindTool, ID: "XX-1"}, During: hours.Range{Start: local(12, 8, 0), End: local(13, 8, 0)},
	}}), fault.NotFound, "NOT_FOUND")
}

// A reservation has no steps, so that no plan can move it; it is told all the same.
func TestAnOutageTellsOfReservations(t *testing.T) {
	t.Parallel()
	w := small(t)
	lk := Ref{Kind: site.KindTool, ID: "LK-1"}
	booked, err := w.Reserve(t.Context(), act("reserve"), Reservation{
		Reference: "R-1", Refs: []Ref{lk}, During: hours.Range{Start: local(22, 8, 0), End: local(22, 12, 0)}, State: site.Confirmed,
	})
	if err != nil {
		t.Fatal(err)
	}
	repair, err := w.ProposeRepair(t.Context(), "quay", RepairQuestion{Outage: &Outage{
		Ref: lk, During: hours.Range{Start: local(22, 10, 0), End: local(23, 0, 0)},
	}})
	if err != nil || len(repair.Broken) != 1 || repair.Broken[0].Job != booked.Job.ID || len(repair.Jobs) != 0 {
		t.Errorf("%+v, %v", repair, err)
	}
	repair, err = w.ProposeRepair(t.Context(), "quay", RepairQuestion{Outage: &Outage{
		Ref: lk, During: hours.Range{Start: local(22, 12, 0), End: local(23, 0, 0)},
	}})
	if err != nil || len(repair.Broken) != 0 {
		t.Errorf("after it: %+v, %v", repair, err)
	}
}
