package workshop

import (
	"testing"
	"time"

	"bayhold/internal/hours"
)

// A promise that an arrangement makes has the chance that the job has then, and one
// that stays keeps what was said of it; the review goes by the first.
func TestNewPromisesOfAnArrangementHaveTheirChance(t *testing.T) {
	t.Parallel()
	w := small(t)
	told := order("W-900", chain(t, w, local(12, 8, 0)))
	told.Confidence = 0.8
	booked, err := w.Book(t.Context(), act("book"), told)
	if err != nil {
		t.Fatal(err)
	}
	silent, err := book(t, w, "W-901", chain(t, w, local(13, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	later, soon := chain(t, w, local(19, 8, 0)), chain(t, w, local(15, 8, 0))
	fresh := chain(t, w, local(22, 8, 0))
	out, err := w.BookArrangement(t.Context(), act("move"), Arrangement{Jobs: []ArrangedJob{
		{Job: booked.Job.ID, Plan: &later, Promise: later.During.End},
		{Job: silent.Job.ID, Plan: &soon, Promise: soon.During.End.AddDate(0, 0, 14)},
		{Reference: "W-902", Plan: &fresh, Promise: fresh.During.Start.Add(time.Minute)},
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i, b := range out {
		f, err := w.ForecastJob(t.Context(), "quay", b.Job.ID, Simulation{}, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		said := b.Job.Confidence
		if said < f.PromiseChance.Low-0.03 || said > f.PromiseChance.High+0.03 {
			t.Errorf("job %d: promised with %v, the forecast says %+v", i, said, f.PromiseChance)
		}
		kept, err := w.Job(t.Context(), "quay", b.Job.ID)
		if err != nil || kept.Confidence != said {
			t.Errorf("job %d: kept %v of %v, %v", i, kept.Confidence, said, err)
		}
	}
	if one, two, three := out[0].Job.Confidence, out[1].Job.Confidence, out[2].Job.Confidence; one <= 0 || one > 0.79 || two < 0.99 || three != leastChance {
		t.Errorf("chances %v, %v, %v", one, two, three)
	}
	// Moved again with the promise that stands: what was said of it stays.
	again := chain(t, w, local(20, 8, 0))
	moved, err := w.BookArrangement(t.Context(), act("again"), Arrangement{Jobs: []ArrangedJob{{Job: booked.Job.ID, Plan: &again, Promise: out[0].Job.Promise}}})
	if err != nil || moved[0].Job.Confidence != out[0].Job.Confidence || !moved[0].Job.Promise.Equal(out[0].Job.Promise) {
		t.Errorf("%+v, %v", moved, err)
	}
	r, err := w.ReviewPromises(t.Context(), "quay", hours.Range{Start: local(12, 0, 0), End: local(31, 0, 0).AddDate(0, 1, 0)})
	if err != nil || r.Unrecorded != 3 || r.Unstated != 0 {
		t.Errorf("review %+v, %v", r, err)
	}
}
