package workshop

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
)

func TestCheckSaysYesWithThePlan(t *testing.T) {
	t.Parallel()
	w := small(t)
	answer, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: []string{"chain"}, Start: local(12, 8, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if !answer.Possible || answer.Plan == nil {
		t.Fatalf("no: %+v", answer.Blockers)
	}
	// An hour each for the cover, the locks on (30) and off (15), 90 and 45
	// minutes in between: five hours, with lunch from 12 to 13.
	if want := local(12, 14, 0); !answer.Plan.During.End.Equal(want) {
		t.Errorf("hand-back %v, want %v", answer.Plan.During.End, want)
	}
	spans := map[string]string{}
	for _, b := range answer.Plan.Bookings {
		if b.Kind == site.KindTool {
			spans[b.ID] = b.During.Start.In(lisbon(t)).Format("15:04") + "-" + b.During.End.In(lisbon(t)).Format("15:04")
		}
	}
	// The locking set from the step that fits it to the one that takes it
	// off; the multiplier, not the wrench, for the crank bolt alone.
	if spans["LK-1"] != "09:00-12:00" || spans["MU-1"] == "" || spans["TW-1"] != "" {
		t.Errorf("spans of tools: %v", spans)
	}
}

func lisbon(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func TestCheckNamesEveryBlocker(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		question CheckQuestion
		edit     func(*testing.T, *Workshop)
		kind     BlockerKind
		step     string
		holds    string // resource, or what it is held for
		until    time.Time
	}{
		"the locking set is booked": {
			question: CheckQuestion{Procedures: []string{"chain"}, Start: local(15, 8, 0)},
			kind:     BlockerBooked, step: "locked/fit-locks", holds: "W-101", until: local(15, 12, 0),
		},
		"the other technician is in training": {
			// Both of the crank bolt's people are wanted on the 14th, and
			// Ben is away; Cem has not the skill, Ada is one alone.
			question: CheckQuestion{Procedures: []string{"chain"}, Start: local(14, 8, 0)},
			edit: func(t *testing.T, w *Workshop) {
				absent(t, w, "cem", local(14, 0, 0), local(15, 0, 0))
			},
			kind: BlockerAbsent, step: "chain/crank-bolt", holds: "ben", until: local(15, 0, 0),
		},
		"the bay is closed": {
			question: CheckQuestion{Procedures: []string{"chain"}, Start: local(16, 8, 0), Bay: "bay-2"},
			kind:     BlockerClosed, holds: "bay-2", until: local(17, 0, 0),
		},
		"the calibration ends before the span does": {
			question: CheckQuestion{Procedures: []string{"cam-bolts"}, Start: local(22, 8, 0)},
			edit: func(t *testing.T, w *Workshop) {
				retire(t, w, "MU-1")
			},
			kind: BlockerCalibration, step: "cam-bolts/tighten", holds: "TW-1",
		},
		"the tool is quarantined": {
			question: CheckQuestion{Procedures: []string{"jig-work"}, Start: local(13, 8, 0)},
			kind:     BlockerCondition, step: "jig-work/drill", holds: "JG-1", until: local(21, 0, 0),
		},
		// A stage of 100 N·m and 270 degrees on a bolt that takes about
		// 500 N·m to undo needs a multiplier or bar rated for it; a wrench
		// that ends at 200 N·m will not do (common practice).
		"no tool covers the torque": {
			question: CheckQuestion{Procedures: []string{"chain"}, Start: local(12, 8, 0)},
			edit:     func(t *testing.T, w *Workshop) { retire(t, w, "MU-1") },
			kind:     BlockerTorqueRange, step: "chain/crank-bolt",
		},
		"it cannot be done by then at all": {
			question: CheckQuestion{Procedures: []string{"chain"}, Start: local(12, 8, 0), By: local(12, 11, 0)},
			kind:     BlockerTooLate,
		},
		"nobody is on shift": {
			question: CheckQuestion{Procedures: []string{"chain"}, Start: local(17, 8, 0)},
			kind:     BlockerOffShift,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := small(t)
			if c.edit != nil {
				c.edit(t, w)
			}
			answer, err := w.Check(t.Context(), "quay", c.question)
			if err != nil {
				t.Fatal(err)
			}
			if answer.Possible {
				t.Fatalf("yes: %+v", answer.Plan)
			}
			for _, b := range answer.Blockers {
				if b.Kind == c.kind && (c.step == "" || b.Step == c.step) && (c.until.IsZero() || b.Until.Equal(c.until)) &&
					(c.holds == "" || b.Reference == c.holds || (b.Ref != nil && b.Ref.ID == c.holds)) {
					if b.Message == "" || strings.Contains(b.Message, "%!") {
						t.Errorf("message %q", b.Message)
					}
					return
				}
			}
			t.Errorf("no blocker is %s of %q for %q; there are %+v", c.kind, c.holds, c.step, answer.Blockers)
		})
	}
}

func retire(t *testing.T, w *Workshop, tag string) {
	t.Helper()
	if _, err := w.EditTool(t.Context(), act("edit"), tag, func(v *site.Tool) {
		v.Condition, v.ConditionNote = site.Retired, "worn out"
	}); err != nil {
		t.Fatal(err)
	}
}

func absent(t *testing.T, w *Workshop, id string, from, to time.Time) {
	t.Helper()
	_, err := w.EditTechnician(t.Context(), act("edit"), id, func(v *site.Technician) {
		v.Absences = append(v.Absences, site.Closure{During: hours.Range{Start: from, End: to}, Reason: "ill"})
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestRefusedCheckOffersToWait(t *testing.T) {
	t.Parallel()
	w := small(t)
	answer, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: []string{"chain"}, Start: local(15, 8, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if answer.Waiting == nil || !answer.Waiting.During.Start.Equal(local(15, 8, 0)) {
		t.Fatalf("waiting plan: %+v", answer.Waiting)
	}
	// The locks are free from 12:00, people from 13:00; four more hours.
	if want := local(15, 17, 0); !answer.Waiting.During.End.Equal(want) {
		t.Errorf("with waiting, hand-back %v, want %v", answer.Waiting.During.End, want)
	}
}

func TestFindTellsTheEarliestAndTheShortest(t *testing.T) {
	t.Parallel()
	w := small(t)
	options := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(15, 8, 0)})
	first, last := options[0], options[len(options)-1]
	if !first.Earliest || !last.Shortest {
		t.Fatalf("merits: %+v", options)
	}
	if got := first.Plan.During.End; !got.Equal(local(15, 17, 0)) {
		t.Errorf("earliest hand-back %v, want 17:00", got)
	}
	if !first.Plan.Proved {
		t.Error("the earliest hand-back is not proved")
	}
	// Started at 11 the cover is off by noon, when the locks come back; they go
	// on after lunch, and four hours later it is done. Started at 8 on another
	// day it is five hours and lunch as well.
	if got := last.Plan.During.Length(); got != 6*time.Hour {
		t.Errorf("shortest stay %v, want 6h", got)
	}
	if last.Plan.During.Length() > first.Plan.During.Length() {
		t.Errorf("the shortest stay %v is longer than the earliest's %v", last.Plan.During.Length(), first.Plan.During.Length())
	}
}

func TestFindProvesTheImpossible(t *testing.T) {
	t.Parallel()
	w := small(t)
	retire(t, w, "LK-1")
	answer, err := w.Find(t.Context(), "quay", FindQuestion{Procedures: []string{"chain"}, Earliest: local(12, 8, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if answer.Outcome != Impossible || len(answer.Blockers) == 0 {
		t.Errorf("outcome %s with %d blockers", answer.Outcome, len(answer.Blockers))
	}
}

func TestQuestionsThatCannotBeAnswered(t *testing.T) {
	t.Parallel()
	w := small(t)
	check := func(q CheckQuestion) error {
		_, err := w.Check(t.Context(), "quay", q)
		return err
	}
	start := local(12, 8, 0)
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain"}}), fault.Invalid, "CHECK")
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain"}, Start: monday.Add(-time.Hour)}), fault.Invalid, "CHECK")
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain"}, Start: start, By: start}), fault.Invalid, "CHECK")
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain"}, Start: start.Add(time.Second)}), fault.Invalid, "CHECK")
	wantKind(t, check(CheckQuestion{Start: start}), fault.Invalid, "PROCEDURES")
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain", "chain"}, Start: start}), fault.Invalid, "PROCEDURES")
	wantKind(t, check(CheckQuestion{Procedures: []string{"nothing"}, Start: start}), fault.NotFound, "NOT_FOUND")
	wantKind(t, check(CheckQuestion{Procedures: []string{"unfinished"}, Start: start}), fault.Precondition, "NOT_ISSUED")
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain", "jig-work"}, Start: start}), fault.Invalid, "FAMILIES_DIFFER")
	wantKind(t, check(CheckQuestion{Procedures: []string{"chain"}, Start: start, Bay: "bay-9"}), fault.NotFound, "NOT_FOUND")
	for q, field := range map[*FindQuestion]string{
		{Earliest: start, Horizon: start.AddDate(2, 0, 0)}: "horizon_time",
		{Earliest: start, Horizon: start}:                  "horizon_time",
		{Horizon: start}:                                   "earliest_time",
		{}:                                                 "earliest_time",
	} {
		q.Procedures = []string{"chain"}
		_, err := w.Find(t.Context(), "quay", *q)
		wantKind(t, err, fault.Invalid, "FIND")
		if f, ok := errors.AsType[*fault.Error](err); !ok || len(f.Fields) != 1 || f.Fields[0].Path != field {
			t.Errorf("%+v: %v, want only %s to be wrong", *q, err, field)
		}
	}
}

func TestBookingsInARowForOneJobAreOneReason(t *testing.T) {
	t.Parallel()
	w := small(t)
	if _, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0))); err != nil {
		t.Fatal(err)
	}
	for _, who := range []string{"ben", "cem"} {
		absent(t, w, who, local(12, 0, 0), local(13, 0, 0))
	}
	// Half an hour later steps meet two of the job's or more: those that are done
	// then, and those that follow.
	answer, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: []string{"chain"}, Start: local(12, 8, 30)})
	if err != nil {
		t.Fatal(err)
	}
	var until []time.Time
	for _, b := range answer.Blockers {
		if b.Kind == BlockerBooked && b.Step == "chain/renew" && b.Ref != nil && b.Ref.ID == "ada" {
			until = append(until, b.Until)
		}
	}
	// She does the crank bolt until 11:45 and takes the locks off until 12:00.
	if want := []time.Time{local(12, 12, 0)}; !slices.EqualFunc(until, want, time.Time.Equal) {
		t.Errorf("the chain is told to wait for Ada until %v, want %v", until, want)
	}
}

func TestTheFinestWrenchThatIsFreeIsTaken(t *testing.T) {
	t.Parallel()
	w := small(t)
	tags := func(day int) (out []string) {
		for _, b := range find(t, w, FindQuestion{Procedures: []string{"cam-bolts"}, Earliest: local(day, 8, 0)})[0].Plan.Bookings {
			if b.Kind == site.KindTool && b.ID != "LK-1" {
				out = append(out, b.ID)
			}
		}
		return out
	}
	// Both cover the 60 N·m; TX-9 has the finer scale, up to the 13th.
	if got := tags(12); len(got) != 1 || got[0] != "TX-9" {
		t.Errorf("in calibration: %v, want TX-9", got)
	}
	if got := tags(14); len(got) != 1 || got[0] == "TX-9" {
		t.Errorf("out of calibration: %v", got)
	}
}
