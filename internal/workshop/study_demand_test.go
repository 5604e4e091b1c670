package workshop

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/forecast"
	"bayhold/internal/plan"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// quayYard is a yard of one technician, at work from 7:00 on Mondays to Thursdays,
// over a study of so many weeks from a Monday on. The clocks go back in the night
// to Sunday, 26 October 2031.
func quayYard(t *testing.T, monday string, weeks int) *yard {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	epoch, err := time.ParseInLocation(time.DateOnly, monday, zone)
	if err != nil {
		t.Fatal(err)
	}
	y := &yard{epoch: epoch.UTC(), zone: zone, horizon: plan.Time(forecast.StudyWeeks(weeks) * 7 * 24 * 60), refs: []Ref{{Kind: site.KindTechnician, ID: "ada"}}}
	var open []plan.Window
	for day := range forecast.StudyWeeks(weeks) * 7 {
		if at := epoch.AddDate(0, 0, day); at.Weekday() >= time.Monday && at.Weekday() <= time.Thursday {
			start := plan.Time(at.Add(7*time.Hour).Sub(epoch) / time.Minute)
			open = append(open, plan.Window{Start: start, End: start + 480})
		}
	}
	y.units = []plan.Unit{{Open: open}}
	return y
}

// when tells the first askings of an Asking in the site's time.
func when(y *yard, a forecast.Asking, n int) []string {
	var out []string
	for _, t := range a.Times[:min(n, len(a.Times))] {
		out = append(out, y.epoch.Add(time.Duration(t)*time.Minute).In(y.zone).Format("Mon 2 Jan 15:04"))
	}
	return out
}

func TestAskingOnWeekdays(t *testing.T) {
	t.Parallel()
	y := quayYard(t, "2031-10-20", 4)
	d := Demand{Procedures: []string{"chain"}, PerWeek: 3, Asking: Asking{Weekdays: []time.Weekday{time.Monday, time.Friday}}}
	a := d.asking(y, 4, round{})
	// One and a half a day: one, two, one, two. Nobody is at work on Fridays.
	want := []string{"Mon 20 Oct 07:00", "Fri 24 Oct 08:00", "Fri 24 Oct 08:00", "Mon 27 Oct 07:00", "Fri 31 Oct 08:00", "Fri 31 Oct 08:00"}
	if got := when(y, a, len(want)); !slices.Equal(got, want) {
		t.Errorf("asked for on %v, want %v", got, want)
	}
	if got := len(a.Times); got != 3*forecast.StudyWeeks(4) {
		t.Errorf("%d askings in %d weeks", got, forecast.StudyWeeks(4))
	}
}

// Two weeks of askings, taken again and again: their first week is the first that
// counts, whatever kind begins it, and the weeks before are filled from behind.
func TestAskingByAList(t *testing.T) {
	t.Parallel()
	y := quayYard(t, "2031-10-20", 4)
	at := func(text string) time.Time {
		out, err := time.ParseInLocation("2006-01-02 15:04", text, y.zone)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	list := []Demand{
		{Procedures: []string{"chain"}, Asking: Asking{Times: []time.Time{at("2030-03-14 16:00"), at("2030-03-05 09:30")}}},
		{Procedures: []string{"cam-bolts"}, Asking: Asking{Times: []time.Time{at("2030-03-12 10:00")}}},
	}
	q := StudyQuestion{Demand: list}
	if err := q.check(); err != nil {
		t.Fatal(err)
	}
	r := roundOf(list, y.zone)
	if r.days != 14 || r.from.String() != "2030-03-04" {
		t.Fatalf("round %+v", r)
	}
	// Four weeks go by before those that count, an even number, so that the list
	// begins with the study, too.
	chain, bolts := list[0].asking(y, 4, r), list[1].asking(y, 4, r)
	if got, want := when(y, chain, 4), []string{"Tue 21 Oct 09:30", "Thu 30 Oct 16:00", "Tue 4 Nov 09:30", "Thu 13 Nov 16:00"}; !slices.Equal(got, want) {
		t.Errorf("asked for on %v, want %v", got, want)
	}
	if got, want := when(y, bolts, 2), []string{"Tue 28 Oct 10:00", "Tue 11 Nov 10:00"}; !slices.Equal(got, want) {
		t.Errorf("asked for on %v, want %v", got, want)
	}
	if list[0].PerWeek != 1 || list[1].PerWeek != 0.5 {
		t.Errorf("%v and %v a week", list[0].PerWeek, list[1].PerWeek)
	}
	// Five weeks before those that count: the second week of the list comes first.
	y = quayYard(t, "2031-10-20", 20)
	if got, want := when(y, list[1].asking(y, 20, r), 1), []string{"Tue 21 Oct 10:00"}; !slices.Equal(got, want) {
		t.Errorf("asked for on %v, want %v", got, want)
	}
}

func TestAskingIsRefused(t *testing.T) {
	t.Parallel()
	half, negative := 0.5, -1.0
	for name, a := range map[string]Asking{
		"gaps and weekdays": {Variation: &half, Weekdays: []time.Weekday{time.Monday}},
		"batches and times": {Batch: 2, Times: []time.Time{monday}},
		"negative gaps":     {Variation: &negative},
		"too many at once":  {Batch: 1000},
		"three years":       {Times: []time.Time{monday, monday.AddDate(3, 0, 0)}},
	} {
		t.Run(name, func(t *testing.T) {
			q := StudyQuestion{Demand: []Demand{{Procedures: []string{"chain"}, PerWeek: 2, Asking: a}}}
			wantKind(t, q.check(), fault.Invalid, "STUDY")
		})
	}
	q := StudyQuestion{Scale: 2, Demand: []Demand{{Procedures: []string{"chain"}, Asking: Asking{Times: []time.Time{monday}}}}}
	wantKind(t, q.check(), fault.Invalid, "STUDY")
}

// What began counts, not what is booked for later or was cancelled, over the weeks
// that the site has been at it.
func TestDemandIsTakenFromThePast(t *testing.T) {
	t.Parallel()
	w := small(t)
	var begun []time.Time
	for day := 12; day < 20; day += 3 {
		b, err := book(t, w, "W-1", chain(t, w, local(day, 8, 0)))
		if err != nil {
			t.Fatal(err)
		}
		begun = append(begun, b.Job.Planned.Start)
	}
	gone, err := book(t, w, "W-2", chain(t, w, local(13, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Cancel(t.Context(), act("cancel"), gone.Job.ID, ""); err != nil {
		t.Fatal(err)
	}
	ask := func(now time.Time, weeks int) ([]Demand, *PastDemand, error) {
		later := New(w.store, func() time.Time { return now })
		var past *PastDemand
		list, err := read(t.Context(), later, "quay", func(ctx context.Context, r store.Reader) (list []Demand, err error) {
			list, past, err = later.pastDemand(ctx, r, weeks)
			return list, err
		})
		return list, past, err
	}
	now := begun[2].AddDate(0, 0, 14)
	weeks := now.Sub(begun[0]).Hours() / 24 / 7
	list, past, err := ask(now, 26)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 1 || !slices.Equal(list[0].Procedures, []string{"chain"}) || math.Abs(list[0].PerWeek-3/weeks) > 1e-9 {
		t.Errorf("demand %+v", list)
	}
	if past.Jobs != 3 || math.Abs(past.Weeks-weeks) > 1e-9 || !past.Few || past.PerWeek.Low > 3/weeks || past.PerWeek.High < 3/weeks {
		t.Errorf("past %+v", past)
	}
	// A day after the first job, the second is still to come; a week counts.
	if list, past, err = ask(begun[0].Add(24*time.Hour), 26); err != nil || past.Jobs != 1 || past.Weeks != 1 || list[0].PerWeek != 1 {
		t.Errorf("%+v %+v %v", list, past, err)
	}
	// A site that has been at it for longer than what is asked for.
	if list, past, err = ask(now, 3); err != nil || past.Weeks != 3 || past.Jobs < 1 {
		t.Errorf("%+v %+v %v", list, past, err)
	}
	_, _, err = ask(now.AddDate(1, 0, 0), 26)
	wantKind(t, err, fault.Precondition, "NO_PAST")
}
