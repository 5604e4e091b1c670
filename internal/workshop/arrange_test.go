package workshop

import (
	"context"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// arrange gives the answer to a question.
func arrange(t *testing.T, w *Workshop, q ArrangeQuestion) Improvement {
	t.Helper()
	var last Improvement
	err := w.Arrange(t.Context(), "quay", q, func(i Improvement) error {
		last = i
		return nil
	})
	if err != nil || !last.Done {
		t.Fatalf("done %v: %v", last.Done, err)
	}
	return last
}

func TestArrangeFindsPlacesForManyAndBooksThemInOneAct(t *testing.T) {
	t.Parallel()
	w := small(t)
	standing, err := book(t, w, "W-900", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	q := ArrangeQuestion{Jobs: []int64{standing.Job.ID}, Schedules: 300, Seed: 1}
	for _, ref := range []string{"W-901", "W-902"} {
		q.New = append(q.New, NewJob{
			Reference: ref, Procedures: []string{"chain"}, Earliest: local(12, 8, 0), Promise: local(13, 17, 0),
		})
	}
	best := arrange(t, w, q)
	if len(best.Jobs) != 3 {
		t.Fatalf("%d jobs", len(best.Jobs))
	}
	for _, j := range best.Jobs {
		if j.Plan == nil {
			t.Fatalf("%s has no place", j.Reference)
		}
	}
	out, err := w.BookArrangement(t.Context(), act("arrange"), Arrangement{Jobs: best.Jobs, Reason: "a busy Monday"})
	if err != nil || len(out) != 3 {
		t.Fatalf("booked %d: %v", len(out), err)
	}
	// The same jobs, seed and schedules give the same arrangement; what is
	// booked by now is gone.
	again, err := w.Bookings(t.Context(), "quay", Span{During: best.Jobs[0].Plan.During}, nil, standing.Job.ID)
	if err != nil || len(again) != len(best.Jobs[0].Plan.Bookings) {
		t.Errorf("the moved job holds %d, its plan %d: %v", len(again), len(best.Jobs[0].Plan.Bookings), err)
	}
	_, err = w.BookArrangement(t.Context(), act("arrange"), Arrangement{Jobs: best.Jobs[1:]})
	wantKind(t, err, fault.LostRace, "BOOKED")
}

func TestArrangeLeavesWhatNeedNotMove(t *testing.T) {
	t.Parallel()
	w := small(t)
	standing, err := book(t, w, "W-900", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	best := arrange(t, w, ArrangeQuestion{Jobs: []int64{standing.Job.ID}, Schedules: 200, New: []NewJob{
		{Reference: "W-901", Procedures: []string{"cam-bolts"}, Earliest: local(19, 8, 0), Promise: local(20, 17, 0)},
	}})
	if best.Jobs[0].Moved {
		t.Errorf("the job that stands is moved: %+v", best.Jobs[0].Plan)
	}
}

func TestMovingAJobGivesUpItsOldPlace(t *testing.T) {
	t.Parallel()
	w := small(t)
	first := chain(t, w, local(12, 8, 0))
	booked, err := book(t, w, "W-900", first)
	if err != nil {
		t.Fatal(err)
	}
	later := chain(t, w, local(19, 8, 0))
	move := []ArrangedJob{{Job: booked.Job.ID, Plan: &later, Promise: local(20, 12, 0)}}
	out, err := w.BookArrangement(t.Context(), act("move"), Arrangement{Jobs: move, Reason: "the customer asked"})
	if err != nil || out[0].Job.Planned != later.During || !out[0].Job.Promise.Equal(local(20, 12, 0)) {
		t.Fatalf("moved to %+v: %v", out, err)
	}
	if _, err := book(t, w, "W-901", first); err != nil {
		t.Errorf("the old place is not free: %v", err)
	}
	sheet, err := w.Sheet(t.Context(), "quay", booked.Job.ID)
	if err != nil || !sheet.Lines[0].During.Start.Equal(later.During.Start) {
		t.Errorf("the sheet shows %v: %v", sheet.Lines[0].During, err)
	}
	reserved, err := w.Reserve(t.Context(), act("reserve"), reservation(Ref{Kind: site.KindBay, ID: "bay-2"}))
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.BookArrangement(t.Context(), act("move"), Arrangement{Jobs: []ArrangedJob{{Job: reserved.Job.ID, Plan: &later}}})
	wantKind(t, err, fault.Precondition, "NO_STEPS")
	w.now = func() time.Time { return local(19, 9, 0) }
	_, err = w.BookArrangement(t.Context(), act("move"), Arrangement{Jobs: []ArrangedJob{{Job: booked.Job.ID, Plan: &first}}})
	wantKind(t, err, fault.Precondition, "BEGUN")
}

func TestArrangeEndsWithItsCaller(t *testing.T) {
	t.Parallel()
	w := small(t)
	ctx, cancel := context.WithCancel(t.Context())
	err := w.Arrange(ctx, "quay", ArrangeQuestion{Search: time.Minute, New: []NewJob{
		{Reference: "W-901", Procedures: []string{"chain"}, Earliest: local(12, 8, 0), Promise: local(12, 9, 0)},
		{Reference: "W-902", Procedures: []string{"cam-bolts"}, Earliest: local(12, 8, 0), Promise: local(12, 9, 0)},
	}}, func(Improvement) error {
		cancel()
		return nil
	})
	if err == nil {
		t.Error("a search that was given up answers as if it had ended")
	}
}

func TestArrangeRefuses(t *testing.T) {
	t.Parallel()
	w := small(t)
	none := func(Improvement) error { return nil }
	wantKind(t, w.Arrange(t.Context(), "quay", ArrangeQuestion{}, none), fault.Invalid, "ARRANGE")
	wantKind(t, w.Arrange(t.Context(), "quay", ArrangeQuestion{Jobs: []int64{99}}, none), fault.NotFound, "NOT_FOUND")
	wantKind(t, w.Arrange(t.Context(), "quay", ArrangeQuestion{Jobs: []int64{1}, Search: time.Hour}, none), fault.Invalid, "ARRANGE")
	// Job 1 is a reservation that came with the workshop's file.
	wantKind(t, w.Arrange(t.Context(), "quay", ArrangeQuestion{Jobs: []int64{1}}, none), fault.Precondition, "NO_STEPS")
}
