package workshop

import (
	"context"
	"slices"
	"sync"
	"testing"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

func chain(t *testing.T, w *Workshop, earliest time.Time) Plan {
	t.Helper()
	return find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: earliest})[0].Plan
}

func TestBookedPlanIsHeld(t *testing.T) {
	t.Parallel()
	w := small(t)
	p := chain(t, w, local(12, 8, 0))
	booked, err := book(t, w, "W-200", p)
	if err != nil {
		t.Fatal(err)
	}
	if len(booked.Bookings) != len(p.Bookings) || booked.Job.State != site.Confirmed || !booked.Job.Planned.End.Equal(p.During.End) {
		t.Errorf("booked %+v for plan %+v", booked.Job, p.During)
	}
	job, err := w.Job(t.Context(), "quay", booked.Job.ID)
	if err != nil || len(job.Steps) != len(p.Steps) {
		t.Errorf("read back %d of %d steps: %v", len(job.Steps), len(p.Steps), err)
	}
	// The same question now has another answer, and the same bookings are gone.
	if next := chain(t, w, local(12, 8, 0)); next.During.End.Equal(p.During.End) {
		t.Errorf("the locking set is promised twice until %v", next.During.End)
	}
	_, err = book(t, w, "W-201", p)
	f := fault.Fault(err)
	if f == nil || f.Kind != fault.LostRace || len(f.Held) == 0 || f.Held[0].Reference != "W-200" {
		t.Errorf("the second of two equal plans: %v", err)
	}
}

// TestBookJudgesThePlanAnew changes the site on another server than the one that
// made the plan and books it.
func TestBookJudgesThePlanAnew(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		edit func(*testing.T, *Workshop)
	}{
		"the tool was quarantined": {func(t *testing.T, w *Workshop) {
			_, err := w.EditTool(t.Context(), act("edit"), "LK-1", func(v *site.Tool) {
				v.Condition, v.ConditionUntil, v.ConditionNote = site.Quarantined, local(20, 12, 0), "a pin is bent"
			})
			if err != nil {
				t.Fatal(err)
			}
		}},
		"the tool was retired":            {func(t *testing.T, w *Workshop) { retire(t, w, "MU-1") }},
		"the calibration was withdrawn":   {func(t *testing.T, w *Workshop) { uncalibrate(t, w, "MU-1") }},
		"somebody fell ill":               {func(t *testing.T, w *Workshop) { absent(t, w, "ada", local(12, 0, 0), local(13, 0, 0)) }},
		"the bay was closed for that day": {func(t *testing.T, w *Workshop) { closeBays(t, w, local(12, 0, 0), local(13, 0, 0)) }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w, other := smallTwice(t)
			p := chain(t, w, local(12, 8, 0))
			c.edit(t, other)
			_, err := book(t, w, "W-200", p)
			wantKind(t, err, fault.Precondition, "PLAN_UNFIT")
			if list, err := w.Bookings(t.Context(), "quay", Span{During: p.During}, nil, 0); err != nil || len(list) != 0 {
				t.Errorf("%d bookings stand after a refusal: %v", len(list), err)
			}
		})
	}
}

func uncalibrate(t *testing.T, w *Workshop, tag string) {
	t.Helper()
	if _, err := w.EditTool(t.Context(), act("edit"), tag, func(v *site.Tool) { v.CalibratedUntil = time.Time{} }); err != nil {
		t.Fatal(err)
	}
}

func closeBays(t *testing.T, w *Workshop, from, to time.Time) {
	t.Helper()
	for _, id := range []string{"bay-1", "bay-2"} {
		_, err := w.EditBay(t.Context(), act("edit"), id, func(v *site.Bay) {
			v.Closures = append(v.Closures, site.Closure{During: hours.Range{Start: from, End: to}, Reason: "flood"})
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestAlteredPlanIsRefused(t *testing.T) {
	t.Parallel()
	w := small(t)
	sound := chain(t, w, local(12, 8, 0))
	for name, alter := range map[string]func(*Plan){
		"a booking left out":       func(p *Plan) { p.Bookings = p.Bookings[1:] },
		"a booking shortened":      func(p *Plan) { p.Bookings[0].During.End = p.Bookings[0].During.End.Add(-time.Minute) },
		"a step left out":          func(p *Plan) { p.Steps = p.Steps[1:] },
		"a step twice":             func(p *Plan) { p.Steps = append(p.Steps, p.Steps[0]) },
		"a step of something else": func(p *Plan) { p.Steps[0].ID = "cover-off/polish" },
		"a step too early":         func(p *Plan) { p.Steps[3].During.Start = p.Steps[0].During.Start },
		"a wrench for a torque beyond it": func(p *Plan) {
			for i := range p.Bookings {
				if p.Bookings[i].ID == "MU-1" {
					p.Bookings[i].ID = "TW-1"
				}
			}
		},
		"a version that does not exist": func(p *Plan) { p.Procedures[0].Version = 7 },
		"no version":                    func(p *Plan) { p.Procedures[0].Version = 0 },
		"nothing":                       func(p *Plan) { *p = Plan{} },
	} {
		t.Run(name, func(t *testing.T) {
			p := sound
			p.Steps, p.Bookings, p.Procedures = slices.Clone(p.Steps), slices.Clone(p.Bookings), slices.Clone(p.Procedures)
			alter(&p)
			_, err := book(t, w, "W-200", p)
			switch fault.KindOf(err) {
			case fault.Invalid, fault.Precondition, fault.NotFound:
			default:
				t.Errorf("got %v", err)
			}
		})
	}
	if _, err := book(t, w, "W-200", sound); err != nil {
		t.Errorf("the plan as it was answered: %v", err)
	}
}

func TestTentativeLapsesAndConfirms(t *testing.T) {
	t.Parallel()
	w := small(t)
	p := chain(t, w, local(12, 8, 0))
	o := order("W-200", p)
	o.State, o.ExpiresAt = site.Tentative, monday.Add(time.Hour)
	held, err := w.Book(t.Context(), act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	confirmed, err := w.Confirm(t.Context(), act("confirm"), held.Job.ID)
	if err != nil || confirmed.State != site.Confirmed || !confirmed.ExpiresAt.IsZero() {
		t.Fatalf("confirmed %+v: %v", confirmed, err)
	}
	cancelled, err := w.Cancel(t.Context(), act("cancel"), held.Job.ID, "customer changed their mind")
	if err != nil || cancelled.State != site.Cancelled {
		t.Fatalf("cancelled %+v: %v", cancelled, err)
	}
	if _, err := w.Cancel(t.Context(), act("cancel"), held.Job.ID, ""); err != nil {
		t.Errorf("cancelling twice: %v", err)
	}
	_, err = w.Confirm(t.Context(), act("confirm"), held.Job.ID)
	wantKind(t, err, fault.Precondition, "NOT_TENTATIVE")

	o = order("W-201", p)
	o.State, o.ExpiresAt = site.Tentative, monday.Add(time.Hour)
	lapsing, err := w.Book(t.Context(), act("book"), o)
	if err != nil {
		t.Fatal(err)
	}
	w.now = func() time.Time { return monday.Add(time.Hour) }
	_, err = w.Confirm(t.Context(), act("confirm"), lapsing.Job.ID)
	wantKind(t, err, fault.Precondition, "NOT_TENTATIVE")
	if _, err := book(t, w, "W-202", p); err != nil {
		t.Errorf("booking where a hold has lapsed: %v", err)
	}
	_, err = w.Confirm(t.Context(), act("confirm"), 9999)
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
}

func TestSameRequestTwiceIsOneBooking(t *testing.T) {
	t.Parallel()
	w := small(t)
	a := act("book")
	o := order("W-200", chain(t, w, local(12, 8, 0)))
	first, err := w.Book(t.Context(), a, o)
	if err != nil {
		t.Fatal(err)
	}
	second, err := w.Book(t.Context(), a, o)
	if err != nil || second.Job.ID != first.Job.ID {
		t.Errorf("the repeat answers job %d, the first %d: %v", second.Job.ID, first.Job.ID, err)
	}
}

func reservation(refs ...Ref) Reservation {
	return Reservation{
		Reference: "W-300", Refs: refs, State: site.Confirmed,
		During: hours.Range{Start: local(13, 8, 0), End: local(14, 12, 0)},
	}
}

func TestReserve(t *testing.T) {
	t.Parallel()
	w := small(t)
	lk, ada, ben := Ref{Kind: site.KindTool, ID: "LK-1"}, Ref{Kind: site.KindTechnician, ID: "ada"}, Ref{Kind: site.KindTechnician, ID: "ben"}
	booked, err := w.Reserve(t.Context(), act("reserve"), reservation(lk, ada))
	if err != nil {
		t.Fatal(err)
	}
	// The tool is held through the night; Ada only while she is on shift:
	// two stretches on Tuesday, one on Wednesday morning.
	if len(booked.Bookings) != 4 {
		t.Errorf("bookings: %+v", booked.Bookings)
	}
	_, err = w.Reserve(t.Context(), act("reserve"), reservation(lk))
	wantKind(t, err, fault.LostRace, "BOOKED")
	_, err = w.Reserve(t.Context(), act("reserve"), reservation(ben))
	wantKind(t, err, fault.Precondition, "BLOCKED")
	_, err = w.Reserve(t.Context(), act("reserve"), reservation(Ref{Kind: site.KindTool, ID: "JG-1"}))
	wantKind(t, err, fault.Precondition, "BLOCKED")
	_, err = w.Reserve(t.Context(), act("reserve"), reservation(Ref{Kind: site.KindTool, ID: "XX-1"}))
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
	_, err = w.Reserve(t.Context(), act("reserve"), reservation(ben, ben))
	wantKind(t, err, fault.Invalid, "RESERVATION")
	late := reservation(Ref{Kind: site.KindTool, ID: "TW-2"})
	late.During.End = local(15, 0, 1)
	_, err = w.Reserve(t.Context(), act("reserve"), late)
	wantKind(t, err, fault.Precondition, "BLOCKED")
	backwards := reservation(ben)
	backwards.During.End = backwards.During.Start
	_, err = w.Reserve(t.Context(), act("reserve"), backwards)
	wantKind(t, err, fault.Invalid, "RESERVATION")
}

func TestOneOfTwoThatWantTheSameWins(t *testing.T) {
	t.Parallel()
	w := small(t)
	p := chain(t, w, local(12, 8, 0))
	var wg sync.WaitGroup
	var mu sync.Mutex
	won, lost := 0, 0
	for range 6 {
		wg.Go(func() {
			_, err := w.Book(context.WithoutCancel(t.Context()), act("book"), order("W-200", p))
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil:
				won++
			case fault.KindOf(err) == fault.LostRace:
				lost++
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if won != 1 || lost != 5 {
		t.Errorf("%d won and %d lost, want 1 and 5", won, lost)
	}
}

func TestATechnicianReservesNobodyElse(t *testing.T) {
	t.Parallel()
	w := small(t)
	a := act("reserve")
	a.Caller = access.Caller{Site: "quay", User: "ada", Technician: "ada", Roles: []access.Role{access.Technician}}
	ada, ben := Ref{Kind: site.KindTechnician, ID: "ada"}, Ref{Kind: site.KindTechnician, ID: "ben"}
	_, err := w.Reserve(t.Context(), a, reservation(ada, ben))
	wantKind(t, err, fault.Forbidden, "OWN_NAME")
	if _, err := w.Reserve(t.Context(), a, reservation(ada)); err != nil {
		t.Errorf("in their own name: %v", err)
	}
}
