package workshop

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// asTechnician is an act of a technician in their own name.
func asTechnician(technician, method string) Act {
	a := act(method)
	a.Caller = access.Caller{Site: "quay", User: technician, Technician: technician, Roles: []access.Role{access.Technician}}
	return a
}

// at lets the workshop go by another time.
func (w *Workshop) at(t time.Time) *Workshop {
	return &Workshop{store: w.store, now: func() time.Time { return t }}
}

// bookingOf finds the booking of a resource among those of a job.
func bookingOf(t *testing.T, b Booked, resource string) site.Booking {
	t.Helper()
	i := slices.IndexFunc(b.Bookings, func(b site.Booking) bool { return b.Resource == resource })
	if i < 0 {
		t.Fatalf("%s is not booked: %+v", resource, b.Bookings)
	}
	return b.Bookings[i]
}

func issueTo(t *testing.T, w *Workshop, technician string, tags ...string) Issued {
	t.Helper()
	out, err := w.IssueTools(t.Context(), act("issue"), IssueOrder{Tools: tags, Technician: technician})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// against joins what a fault says of its fields.
func against(err error) string {
	var out []string
	if f := fault.Fault(err); f != nil {
		for _, field := range f.Fields {
			out = append(out, field.Path+" "+field.Message)
		}
	}
	return strings.Join(out, "\n")
}

func TestAToolIsIssuedAgainstItsBookingAndReturned(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, _ := twoChains(t, w)
	locks := bookingOf(t, first, "LK-1")
	w = w.at(locks.During.Start)
	issued := issueTo(t, w, "ada", "LK-1")
	got := issued.Tools[0].Issue
	if got.Job != first.Job.ID || got.Booking != locks.ID || got.Reference != "W-901" || got.Bay != "bay-2" || !got.DueAt.Equal(locks.During.End) {
		t.Errorf("issued %+v, booked %+v", got, locks)
	}
	if len(issued.Tools[0].Pieces) != 2 || len(issued.Warnings) != 0 {
		t.Errorf("issued %+v", issued)
	}
	places, err := w.WhereAreTools(t.Context(), "quay", PlaceQuery{Tools: []string{"LK-1"}})
	if err != nil || len(places) != 1 || places[0].Issue == nil || places[0].Issue.Technician != "ada" {
		t.Fatalf("where: %+v, %v", places, err)
	}

	// In the middle of the work the tool comes back with everything: nothing
	// is freed, for the plan has steps that need it still.
	w = w.at(locks.During.Start.Add(time.Hour))
	back, err := w.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "LK-1", RestComplete: true, Note: "lunch"})
	if err != nil {
		t.Fatal(err)
	}
	if back.Freed != nil || back.StandsFor == nil || back.StandsFor.ID != locks.ID || back.Tool.Condition != site.Serviceable {
		t.Errorf("returned %+v", back)
	}
	if c := back.Issue.Counted; len(c) != 2 || c[1].Count != 2 || back.Issue.Outcome != site.Returned {
		t.Errorf("counted %+v", c)
	}
	_, err = w.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "LK-1", RestComplete: true})
	wantKind(t, err, fault.Precondition, "NOT_ISSUED")
	_, err = w.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "XX-1", RestComplete: true})
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
}

func TestAnEarlyReturnFreesTheRest(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, _ := twoChains(t, w)
	locks := bookingOf(t, first, "LK-1")
	issueTo(t, w.at(locks.During.Start), "ada", "LK-1")
	w = w.at(locks.During.Start.Add(time.Hour + time.Second))
	back, err := w.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "LK-1", RestComplete: true, Done: true})
	if err != nil {
		t.Fatal(err)
	}
	end := locks.During.Start.Add(61 * time.Minute)
	if back.Freed == nil || !back.Freed.During.End.Equal(end) || !back.FreedTo.Equal(locks.During.End) || back.StandsFor != nil {
		t.Fatalf("freed %+v to %v, stands %+v", back.Freed, back.FreedTo, back.StandsFor)
	}
	r := reservation(Ref{Kind: site.KindTool, ID: "LK-1"})
	r.During = hours.Range{Start: end, End: locks.During.End}
	if _, err := w.Reserve(t.Context(), act("reserve"), r); err != nil {
		t.Errorf("the rest is not free: %v", err)
	}
	r.During.Start = end.Add(-time.Minute)
	_, err = w.Reserve(t.Context(), act("reserve"), r)
	wantKind(t, err, fault.LostRace, "BOOKED")
}

// A mending of the day must not take what was freed, and booked by somebody
// else, for a clash.
func TestWhatWasFreedBreaksNothing(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, _ := twoChains(t, w)
	locks := bookingOf(t, first, "LK-1")
	issueTo(t, w.at(locks.During.Start), "ada", "LK-1")
	w = w.at(locks.During.Start.Add(time.Hour))
	if _, err := w.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "LK-1", RestComplete: true, Done: true}); err != nil {
		t.Fatal(err)
	}
	r := reservation(Ref{Kind: site.KindTool, ID: "LK-1"})
	r.During = hours.Range{Start: locks.During.Start.Add(time.Hour), End: locks.During.End}
	if _, err := w.Reserve(t.Context(), act("reserve"), r); err != nil {
		t.Fatal(err)
	}
	repair, err := w.ProposeRepair(t.Context(), "quay", RepairQuestion{Outage: &Outage{
		Ref: Ref{Kind: site.KindTool, ID: "JG-1"}, During: hours.Range{Start: local(12, 8, 0), End: local(13, 8, 0)},
	}})
	if err != nil || len(repair.Broken) != 0 {
		t.Errorf("broken: %+v, %v", repair.Broken, err)
	}
}

func TestAMissingPieceMakesTheToolUnserviceable(t *testing.T) {
	t.Parallel()
	w := small(t)
	_, second := twoChains(t, w)
	w = w.at(local(12, 7, 0))
	o := IssueOrder{Tools: []string{"LK-1"}, Technician: "ben", Without: true}
	issued, err := w.IssueTools(t.Context(), act("issue"), o)
	if err != nil {
		t.Fatal(err)
	}
	if next := issued.Tools[0].Next; next == nil || !issued.Tools[0].Issue.DueAt.Equal(next.During.Start) {
		t.Errorf("without a booking until %v, ended by %+v", issued.Tools[0].Issue.DueAt, next)
	}
	_, err = w.ReturnTool(t.Context(), asTechnician("ben", "return"), ToolReturn{Tool: "LK-1"})
	wantKind(t, err, fault.Invalid, "PIECES")
	back, err := w.ReturnTool(t.Context(), asTechnician("ben", "return"), ToolReturn{
		Tool: "LK-1", Counted: []site.CountedPiece{{Name: "crank pin", Count: 1, Damaged: 1}, {Name: "cam plate", Count: 1}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if back.Tool.Condition != site.Unserviceable || back.Tool.ConditionNote != "1 × cam plate missing, 1 × crank pin damaged" {
		t.Errorf("the tool is %+v", back.Tool)
	}
	if !slices.ContainsFunc(back.Affected, func(b site.Booking) bool { return b.Job == second.Job.ID }) || len(back.Affected) != 3 {
		t.Errorf("affected: %+v", back.Affected)
	}
	_, err = w.IssueTools(t.Context(), act("issue"), o)
	wantKind(t, err, fault.Precondition, "NOT_ISSUABLE")
	if got := against(err); got != "tools/LK-1 is UNSERVICEABLE: 1 × cam plate missing, 1 × crank pin damaged\ntools/LK-1 is not complete: 1 × cam plate missing, 1 × crank pin damaged" {
		t.Errorf("reasons: %s", got)
	}

	// It is fit for work again when what it lacked is there.
	_, err = w.EditTool(t.Context(), act("edit"), "LK-1", func(v *site.Tool) { v.Condition, v.ConditionNote = site.Serviceable, "" })
	wantKind(t, err, fault.Invalid, "TOOL")
	edited, err := w.EditTool(t.Context(), act("edit"), "LK-1", func(v *site.Tool) {
		v.Condition, v.ConditionNote, v.Missing, v.Damaged = site.Serviceable, "", nil, nil
	})
	if err != nil || len(edited.Affected) != 0 {
		t.Errorf("mended: %+v, %v", edited.Affected, err)
	}
	h, err := w.ToolHistory(t.Context(), "quay", "LK-1", 0)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range h.Conditions {
		got = append(got, string(c.Condition)+" "+c.Actor)
	}
	if want := "SERVICEABLE test, UNSERVICEABLE ben, SERVICEABLE test"; strings.Join(got, ", ") != want || len(h.Issues) != 1 {
		t.Errorf("history %v, want %s; issues %+v", got, want, h.Issues)
	}
}

// A wrench that comes back damaged is out of calibration as well.
func TestADamagedWrenchIsOutOfCalibration(t *testing.T) {
	t.Parallel()
	w := small(t).at(local(12, 8, 0))
	issueTo(t, w, "ada", "TW-1")
	back, err := w.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "TW-1", Damage: "fell into the pit"})
	if err != nil {
		t.Fatal(err)
	}
	if back.Tool.Condition != site.Unserviceable || !back.Tool.CalibratedUntil.Equal(local(12, 8, 0)) {
		t.Errorf("returned %+v", back.Tool)
	}
}

// TestTwoAtTheCounter has many technicians' acts after one tool at the same
// moment.
func TestTwoAtTheCounter(t *testing.T) {
	t.Parallel()
	w := small(t).at(local(12, 8, 0))
	people := []string{"ada", "ben", "cem", "ada", "ben", "cem"}
	errs := make([]error, len(people))
	start := make(chan struct{})
	var wg sync.WaitGroup
	for i, who := range people {
		wg.Go(func() {
			<-start
			_, errs[i] = w.IssueTools(context.WithoutCancel(t.Context()), asTechnician(who, "issue"), IssueOrder{Tools: []string{"TW-1", "LK-1"}})
		})
	}
	close(start)
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
			continue
		}
		wantKind(t, err, fault.Precondition, "NOT_ISSUABLE")
		if !strings.Contains(against(err), "tools/LK-1 is out with ") || !strings.Contains(against(err), "tools/TW-1 is out with ") {
			t.Errorf("lost with %q", against(err))
		}
	}
	places, err := w.WhereAreTools(t.Context(), "quay", PlaceQuery{Out: true})
	if err != nil || won != 1 || len(places) != 2 || places[0].Issue.Technician != places[1].Issue.Technician {
		t.Errorf("%d won; out are %+v, %v", won, places, err)
	}
}

func TestATechnicianActsAtTheCounterInTheirOwnName(t *testing.T) {
	t.Parallel()
	w := small(t).at(local(12, 8, 0))
	_, err := w.IssueTools(t.Context(), asTechnician("ada", "issue"), IssueOrder{Tools: []string{"LK-1"}, Technician: "ben"})
	wantKind(t, err, fault.Forbidden, "OWN_NAME")
	if _, err := w.IssueTools(t.Context(), asTechnician("ada", "issue"), IssueOrder{Tools: []string{"LK-1"}}); err != nil {
		t.Fatal(err)
	}
	_, err = w.ReturnTool(t.Context(), asTechnician("ben", "return"), ToolReturn{Tool: "LK-1", RestComplete: true})
	wantKind(t, err, fault.Forbidden, "OWN_NAME")
	_, err = w.HandOverTools(t.Context(), asTechnician("ben", "hand over"), HandOver{Tools: []string{"LK-1"}, Technician: "cem"})
	wantKind(t, err, fault.Forbidden, "OWN_NAME")
	// The taker may write it down.
	if _, err := w.HandOverTools(t.Context(), asTechnician("ben", "hand over"), HandOver{Tools: []string{"LK-1"}, Technician: "ben"}); err != nil {
		t.Error(err)
	}
}

func TestHandOver(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, _ := twoChains(t, w)
	locks := bookingOf(t, first, "LK-1")
	w = w.at(locks.During.Start)
	_, err := w.HandOverTools(t.Context(), act("hand over"), HandOver{Tools: []string{"LK-1"}, Technician: "ben"})
	wantKind(t, err, fault.Precondition, "NOT_ISSUED")
	was := issueTo(t, w, "ada", "LK-1").Tools[0].Issue
	for name, o := range map[string]HandOver{
		"to the same person": {Tools: []string{"LK-1"}, Technician: "ada"},
		"to the same bay":    {Tools: []string{"LK-1"}, Bay: "bay-2"},
		"to the same job":    {Tools: []string{"LK-1"}, Job: first.Job.ID},
	} {
		_, err = w.HandOverTools(t.Context(), act("hand over"), o)
		if f := fault.Fault(err); f == nil || f.Reason != "SAME_HANDS" {
			t.Errorf("%s: %v", name, err)
		}
	}
	_, err = w.HandOverTools(t.Context(), act("hand over"), HandOver{Tools: []string{"LK-1"}})
	wantKind(t, err, fault.Invalid, "HAND_OVER")

	later := w.at(locks.During.Start.Add(30 * time.Minute))
	handed, err := later.HandOverTools(t.Context(), act("hand over"), HandOver{Tools: []string{"LK-1"}, Technician: "ben"})
	if err != nil {
		t.Fatal(err)
	}
	from, to := handed.Tools[0].From, handed.Tools[0].To
	if from.ID != was.ID || from.Outcome != site.HandedOver || to.Follows != was.ID || !to.OutSince.Equal(was.OutSince) ||
		to.Technician != "ben" || to.Job != first.Job.ID || to.Bay != "bay-2" || !to.DueAt.Equal(was.DueAt) {
		t.Errorf("handed over %+v to %+v", from, to)
	}
	handed, err = later.HandOverTools(t.Context(), act("hand over"), HandOver{Tools: []string{"LK-1"}, Bay: "bay-1"})
	if err != nil || handed.Tools[0].To.Bay != "bay-1" || handed.Tools[0].To.Technician != "ben" {
		t.Errorf("to another bay: %+v, %v", handed, err)
	}
	open, err := read(t.Context(), w, "quay", func(ctx context.Context, r store.Reader) ([]site.Issue, error) {
		return r.Issues(ctx, store.IssueFilter{Job: first.Job.ID, Open: true})
	})
	if err != nil || len(open) != 1 {
		t.Errorf("open: %+v, %v", open, err)
	}
}

// From job to job: the work of the first is done with the tool, and somebody
// else goes on with it.
func TestHandOverFromJobToJob(t *testing.T) {
	t.Parallel()
	w := small(t)
	lk := Ref{Kind: site.KindTool, ID: "LK-1"}
	var jobs []Booked
	for i, during := range []hours.Range{{Start: local(12, 8, 0), End: local(12, 12, 0)}, {Start: local(12, 12, 0), End: local(12, 17, 0)}} {
		r := reservation(lk)
		r.Reference, r.During = []string{"R-1", "R-2"}[i], during
		b, err := w.Reserve(t.Context(), act("reserve"), r)
		if err != nil {
			t.Fatal(err)
		}
		jobs = append(jobs, b)
	}
	w = w.at(local(12, 10, 0))
	_, err := w.IssueTools(t.Context(), act("issue"), IssueOrder{Tools: []string{"LK-1"}, Technician: "ada", Job: jobs[0].Job.ID})
	if err != nil {
		t.Fatal(err)
	}
	o := HandOver{Tools: []string{"LK-1"}, Technician: "ben", Job: jobs[1].Job.ID}
	_, err = w.HandOverTools(t.Context(), act("hand over"), o)
	wantKind(t, err, fault.Precondition, "NOT_ISSUABLE")
	o.Done = true
	handed, err := w.HandOverTools(t.Context(), act("hand over"), o)
	if err != nil {
		t.Fatal(err)
	}
	h := handed.Tools[0]
	if h.To.Job != jobs[1].Job.ID || !h.To.DueAt.Equal(local(12, 17, 0)) || h.Freed == nil || !h.Freed.During.End.Equal(local(12, 10, 0)) {
		t.Errorf("handed over %+v", h)
	}
}

// A tool that is late stands in the way of whoever wants it that day, and of
// nobody who wants it another day.
func TestALateToolBlocks(t *testing.T) {
	t.Parallel()
	w := small(t)
	r := reservation(Ref{Kind: site.KindTool, ID: "LK-1"})
	r.Reference, r.During = "R-9", hours.Range{Start: local(12, 8, 0), End: local(12, 9, 0)}
	b, err := w.Reserve(t.Context(), act("reserve"), r)
	if err != nil {
		t.Fatal(err)
	}
	r.Reference, r.During = "R-10", hours.Range{Start: local(12, 15, 0), End: local(12, 16, 0)}
	if _, err := w.Reserve(t.Context(), act("reserve"), r); err != nil {
		t.Fatal(err)
	}
	if _, err := w.at(local(12, 8, 0)).IssueTools(t.Context(), act("issue"), IssueOrder{Tools: []string{"LK-1"}, Technician: "ada", Job: b.Job.ID}); err != nil {
		t.Fatal(err)
	}
	w = w.at(local(12, 9, 0))
	places, err := w.WhereAreTools(t.Context(), "quay", PlaceQuery{Late: true})
	if err != nil || len(places) != 1 || len(places[0].Waiting) != 1 || places[0].Waiting[0].Reference != "R-10" {
		t.Fatalf("late are %+v, %v", places, err)
	}
	free := ToolQuery{Free: hours.Range{Start: local(12, 10, 0), End: local(12, 12, 0)}, Type: "brill-locks"}
	if found, err := w.Tools(t.Context(), "quay", free); err != nil || len(found.Tools) != 0 {
		t.Errorf("free today: %+v, %v", found, err)
	}
	free.Free = hours.Range{Start: local(13, 10, 0), End: local(13, 12, 0)}
	if found, err := w.Tools(t.Context(), "quay", free); err != nil || len(found.Tools) != 1 {
		t.Errorf("free tomorrow: %+v, %v", found, err)
	}
	r.Reference, r.During = "R-11", hours.Range{Start: local(12, 10, 0), End: local(12, 11, 0)}
	_, err = w.Reserve(t.Context(), act("reserve"), r)
	wantKind(t, err, fault.Precondition, "BLOCKED")
	if got := against(err); got != "tools/LK-1 is still out with ada since Mon 2031-05-12 08:00, and was due back Mon 2031-05-12 09:00" {
		t.Errorf("reasons: %s", got)
	}
	answer, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: []string{"chain"}, Start: local(12, 9, 0), Bay: "bay-2"})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(answer.Blockers, func(b Blocker) bool {
		return b.Kind == BlockerOut && b.Reference == "R-9" && strings.HasPrefix(b.Message, "LK-1 is still out with ada")
	}) {
		t.Errorf("blockers: %+v", answer.Blockers)
	}
}

// What is out for a job is at hand to that job, and due when it ends: a job that
// is moved takes its tools along.
func TestAJobThatIsMovedKeepsItsTools(t *testing.T) {
	t.Parallel()
	w := small(t)
	first, _ := twoChains(t, w)
	locks := bookingOf(t, first, "LK-1")
	issueTo(t, w.at(locks.During.Start), "ada", "LK-1")
	w = w.at(locks.During.Start.Add(10 * time.Minute))
	step := locks.Steps[0]
	repair, err := w.ProposeRepair(t.Context(), "quay", RepairQuestion{Overrun: &Overrun{Job: first.Job.ID, Step: step, Extra: 30}})
	if err != nil || len(repair.Jobs) == 0 {
		t.Fatalf("%+v, %v", repair, err)
	}
	_, err = w.BookArrangement(t.Context(), act("repair"), Arrangement{
		Jobs: repair.Jobs, Overruns: []Overrun{{Job: first.Job.ID, Step: step, Extra: 30}}, Reason: "took longer",
	})
	if err != nil {
		t.Fatal(err)
	}
	places, err := w.WhereAreTools(t.Context(), "quay", PlaceQuery{Tools: []string{"LK-1"}})
	if err != nil || !places[0].Issue.DueAt.After(locks.During.End) || places[0].Issue.Booking == locks.ID {
		t.Errorf("due %+v, was booked to %v: %v", places[0].Issue, locks.During.End, err)
	}
}

func TestWarningsAtTheCounter(t *testing.T) {
	t.Parallel()
	w := small(t)
	for at, want := range map[time.Time]string{
		local(14, 9, 0): "Ben is absent (training) until Thu 2031-05-15 00:00",
		local(12, 9, 0): "",
		local(17, 9, 0): "Ben has no shift any more today",
	} {
		issued := issueTo(t, w.at(at), "ben", "TW-1")
		if got := strings.Join(issued.Warnings, "; "); got != want {
			t.Errorf("at %v: %q, want %q", at, got, want)
		}
		if _, err := w.at(at.Add(time.Minute)).ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "TW-1"}); err != nil {
			t.Fatal(err)
		}
	}
}

func TestIssueRefuses(t *testing.T) {
	t.Parallel()
	w := small(t).at(local(12, 8, 0))
	for name, c := range map[string]struct {
		order  IssueOrder
		reason string
	}{
		"nothing":                    {IssueOrder{Technician: "ada"}, "ISSUE"},
		"to nobody":                  {IssueOrder{Tools: []string{"LK-1"}}, "ISSUE"},
		"a tool twice":               {IssueOrder{Tools: []string{"LK-1", "LK-1"}, Technician: "ada"}, "ISSUE"},
		"due in the past":            {IssueOrder{Tools: []string{"LK-1"}, Technician: "ada", Due: local(12, 7, 0)}, "ISSUE"},
		"a booking of several":       {IssueOrder{Tools: []string{"LK-1", "TW-1"}, Technician: "ada", Booking: 1}, "ISSUE"},
		"a tool that is not there":   {IssueOrder{Tools: []string{"XX-1"}, Technician: "ada"}, "NOT_FOUND"},
		"to somebody who is not":     {IssueOrder{Tools: []string{"LK-1"}, Technician: "zoe"}, "NOT_FOUND"},
		"to a bay that is not there": {IssueOrder{Tools: []string{"LK-1"}, Technician: "ada", Bay: "bay-9"}, "NOT_FOUND"},
		"quarantined":                {IssueOrder{Tools: []string{"JG-1"}, Technician: "ada"}, "NOT_ISSUABLE"},
		"one of two is not fit":      {IssueOrder{Tools: []string{"LK-1", "JG-1"}, Technician: "ada"}, "NOT_ISSUABLE"},
	} {
		_, err := w.IssueTools(t.Context(), act("issue"), c.order)
		if f := fault.Fault(err); f == nil || f.Reason != c.reason {
			t.Errorf("%s: %v, want %s", name, err, c.reason)
		}
	}
	places, err := w.WhereAreTools(t.Context(), "quay", PlaceQuery{Out: true})
	if err != nil || len(places) != 0 {
		t.Errorf("out are %+v, %v", places, err)
	}
}

// The record goes before the plan: a step that has begun keeps the tool, whoever
// says that it is done with, and steps that are finished need it no more.
func TestARecordedStepKeepsOrFreesItsTool(t *testing.T) {
	t.Parallel()
	for name, finished := range map[string]bool{"begun": false, "finished": true} {
		e := newEngine(t)
		held, err := e.Bookings(t.Context(), "quay", Span{During: hours.Range{Start: local(12, 0, 0), End: local(16, 0, 0)}}, nil, e.job.ID)
		if err != nil {
			t.Fatal(err)
		}
		locks := bookingOf(t, Booked{Job: e.job, Bookings: held}, "LK-1")
		fit := e.job.Steps[slices.IndexFunc(e.job.Steps, func(s site.JobStep) bool { return s.ID == locks.Steps[0] })]
		e.do("cover-off/remove", "ada", 10)
		if err := e.start(locks.Steps[0], "ada"); err != nil {
			t.Fatal(err)
		}
		e.at = locks.During.Start.Add(5 * time.Minute)
		if finished {
			if _, err := e.finish(locks.Steps[0], "ada"); err != nil {
				t.Fatal(err)
			}
		}
		v := ToolReturn{Tool: "LK-1", RestComplete: true, Done: true}
		order := IssueOrder{Tools: []string{"LK-1"}, Technician: "ada", Job: e.job.ID}
		if _, err := e.ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "LK-1", RestComplete: true}); err != nil {
			t.Fatal(err)
		}
		if _, err := e.IssueTools(t.Context(), act("issue"), order); err != nil {
			t.Fatal(err)
		}
		back, err := e.ReturnTool(t.Context(), act("return"), v)
		if err != nil {
			t.Fatal(err)
		}
		want := fit.During.End
		if finished {
			want = e.at
		}
		if back.Freed == nil || !back.Freed.During.End.Equal(want) {
			t.Errorf("%s: freed %+v, want to %v; the booking was %v", name, back.Freed, want, locks.During)
		}
	}
}

// TestAToolComesBackToASlowerClock hands a tool out through a server whose clock
// is an hour fast, and takes it back through one whose clock is right.
func TestAToolComesBackToASlowerClock(t *testing.T) {
	t.Parallel()
	w := small(t)
	order := IssueOrder{Tools: []string{"LK-1"}, Technician: "ada", Without: true, Due: monday.Add(6 * time.Hour)}
	if _, err := w.at(monday.Add(time.Hour)).IssueTools(t.Context(), act("issue"), order); err != nil {
		t.Fatal(err)
	}
	back, err := w.at(monday).ReturnTool(t.Context(), act("return"), ToolReturn{Tool: "LK-1", RestComplete: true})
	if err != nil {
		t.Fatal(err)
	}
	if got := back.Issue; !got.ReturnedAt.Equal(got.IssuedAt) {
		t.Errorf("it was out from %s until %s", got.IssuedAt, got.ReturnedAt)
	}
}
