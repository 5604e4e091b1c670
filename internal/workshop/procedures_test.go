package workshop

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

func TestPartsHoldBackTheStepsThatNeedThem(t *testing.T) {
	t.Parallel()
	w := small(t)
	start := local(12, 8, 0)
	// The chain is renewed from 9:30; one that comes on Tuesday is in the way.
	late := []Arrival{{Part: "chain-kit", Expected: local(13, 10, 0)}}
	answer, err := w.Check(t.Context(), "quay", CheckQuestion{Procedures: []string{"chain"}, Start: start, Arrivals: late})
	if err != nil {
		t.Fatal(err)
	}
	named := slices.ContainsFunc(answer.Blockers, func(b Blocker) bool {
		return b.Kind == BlockerPart && b.Step == "chain/renew" && b.Until.Equal(local(13, 10, 0)) && b.Ref == nil
	})
	if answer.Possible || !named {
		t.Errorf("possible %v, blockers %+v", answer.Possible, answer.Blockers)
	}
	options := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: start, Arrivals: late})
	p := options[0].Plan
	for _, s := range p.Steps {
		if s.ID == "chain/renew" && s.During.Start.Before(local(13, 10, 0)) {
			t.Errorf("the chain is renewed at %v, before it is there", s.During.Start)
		}
	}
	booked, err := book(t, w, "W-600", p)
	if err != nil {
		t.Fatal(err)
	}
	if len(booked.Job.Parts) != 2 || booked.Job.Parts[0].State != site.PartExpected || booked.Job.Parts[0].Quantity != 1 {
		t.Errorf("parts of the job: %+v", booked.Job.Parts)
	}
	// A plan that does not wait for its part is refused.
	hasty := find(t, w, FindQuestion{Procedures: []string{"chain"}, Earliest: local(19, 8, 0)})[0].Plan
	hasty.Arrivals = []Arrival{{Part: "chain-kit", Expected: local(21, 10, 0)}}
	_, err = book(t, w, "W-601", hasty)
	wantKind(t, err, fault.Precondition, "PLAN_UNFIT")
	_, err = w.Find(t.Context(), "quay", FindQuestion{Procedures: []string{"chain"}, Earliest: start, Arrivals: []Arrival{{Part: "belt", Expected: start}}})
	wantKind(t, err, fault.Invalid, "PARTS")
}

func TestMarkingAPartTellsWhatItIsTooLateFor(t *testing.T) {
	t.Parallel()
	w := small(t)
	booked, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	id := booked.Job.ID
	marked, err := w.MarkPart(t.Context(), act("part"), id, "chain-kit", site.PartExpected, local(12, 15, 0))
	if err != nil || len(marked.Affected) != 1 || marked.Affected[0].ID != "chain/renew" {
		t.Errorf("affected %+v: %v", marked.Affected, err)
	}
	marked, err = w.MarkPart(t.Context(), act("part"), id, "chain-kit", site.PartHere, time.Time{})
	if err != nil || len(marked.Affected) != 0 || marked.Job.Parts[0].State != site.PartHere {
		t.Errorf("here: %+v, %v", marked, err)
	}
	_, err = w.MarkPart(t.Context(), act("part"), id, "belt", site.PartHere, time.Time{})
	wantKind(t, err, fault.NotFound, "NOT_FOUND")
	_, err = w.MarkPart(t.Context(), act("part"), id, "chain-kit", site.PartExpected, time.Time{})
	wantKind(t, err, fault.Invalid, "PART")
}

func TestSheetHasWhatTheTechnicianNeeds(t *testing.T) {
	t.Parallel()
	w := small(t)
	booked, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	s, err := w.Sheet(t.Context(), "quay", booked.Job.ID)
	if err != nil {
		t.Fatal(err)
	}
	if s.Bay == "" || s.Family != "Brill four" || len(s.Lines) != 6 || len(s.Spans) < 2 {
		t.Errorf("sheet: bay %q, family %q, %d lines, %d spans", s.Bay, s.Family, len(s.Lines), len(s.Spans))
	}
	var bolt SheetLine
	for i, l := range s.Lines {
		if l.Number != i+1 {
			t.Errorf("line %d has number %d", i+1, l.Number)
		}
		if l.Step.ID == "crank-bolt" {
			bolt = l
		}
	}
	if bolt.Sign != 2 || len(bolt.People) != 2 || bolt.Owner != "Renew the timing chain" {
		t.Errorf("the crank bolt: %+v", bolt)
	}
	// The multiplier steps up by 5: it is driven with 20 for 100 newton metres.
	if bolt.Wrench == nil || bolt.Wrench.Tag != "MU-1" || !bolt.Wrench.Driven || !slices.Equal(bolt.Wrench.Set, []float64{20, 0}) {
		t.Errorf("its wrench: %+v", bolt.Wrench)
	}
	if len(bolt.Cautions) != 1 || bolt.Cautions[0].Signal != procedure.Warning {
		t.Errorf("its cautions: %+v", bolt.Cautions)
	}
	reserved, err := w.Reserve(t.Context(), act("reserve"), reservation(Ref{Kind: site.KindBay, ID: "bay-2"}))
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.Sheet(t.Context(), "quay", reserved.Job.ID)
	wantKind(t, err, fault.Precondition, "NO_STEPS")
}

func TestSheetNamesTheLocksBeforeTheEngineIsTurned(t *testing.T) {
	t.Parallel()
	w := small(t)
	more := Intake{Files: []File{{Name: "run-up.yaml", Content: []byte(`
procedures:
  - id: run-up
    title: Renew the tensioner and run the engine
    family: brill-four
    needs: [locked]
    skills: [timing]
    steps:
      - {id: renew, title: Renew the tensioner, estimate: 20}
      - {id: run, title: First start, estimate: 10, turns_engine: true, only_after: [locked]}
`)}}}
	if _, err := w.Import(t.Context(), act("import more"), more); err != nil {
		t.Fatal(err)
	}
	booked, err := book(t, w, "W-600", find(t, w, FindQuestion{Procedures: []string{"run-up"}, Earliest: local(12, 8, 0)})[0].Plan)
	if err != nil {
		t.Fatal(err)
	}
	s, err := w.Sheet(t.Context(), "quay", booked.Job.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range s.Lines {
		locks := slices.ContainsFunc(l.Cautions, func(c procedure.Caution) bool {
			return c.Code == procedure.LocksOut && c.Signal == procedure.Warning && strings.Contains(c.Text, "count them: LK-1.")
		})
		if locks != (l.Step.ID == "run") {
			t.Errorf("before %s is said: %+v", l.Step.ID, l.Cautions)
		}
	}
}

func TestAdapterChangesWhatAWrenchIsSetTo(t *testing.T) {
	t.Parallel()
	w := small(t)
	booked, err := book(t, w, "W-600", find(t, w, FindQuestion{Procedures: []string{"cam-bolts"}, Earliest: local(12, 8, 0)})[0].Plan)
	if err != nil {
		t.Fatal(err)
	}
	s, err := w.Sheet(t.Context(), "quay", booked.Job.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range s.Lines {
		if l.Step.ID != "tighten" {
			continue
		}
		// T·L/(L+E) with T 60 N·m, L 400 mm, E 50 mm is 53.33 N·m.
		if l.Wrench == nil || len(l.Wrench.Set) != 2 || l.Wrench.Set[0] < 53.33 || l.Wrench.Set[0] > 53.34 {
			t.Errorf("wrench: %+v", l.Wrench)
		}
		return
	}
	t.Error("the cam bolts are not on the sheet")
}

func TestWhileOpenTellsWhatIsSavedAndWhetherThereIsRoom(t *testing.T) {
	t.Parallel()
	w := small(t)
	list, err := w.WhileOpen(t.Context(), "quay", []string{"chain"}, 0)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 1 || list[0].Procedure != "cam-bolts" || list[0].Slot != nil {
		t.Fatalf("along with the chain: %+v", list)
	}
	// Cover off and on, locks on and off are done anyway: 165 minutes.
	if list[0].Added.People != 30 || list[0].Saved.People != 165 {
		t.Errorf("adds %d and saves %d minutes", list[0].Added.People, list[0].Saved.People)
	}
	booked, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	// A second technician does them while the chain is renewed.
	list, err = w.WhileOpen(t.Context(), "quay", nil, booked.Job.ID)
	if err != nil || len(list) != 1 || list[0].Slot == nil || !list[0].Slot.Fits || !list[0].Slot.HandBack.Equal(local(12, 14, 0)) {
		t.Errorf("with the booked slot: %+v, %v", list, err)
	}
	// The wrench for the cam bolts is wanted elsewhere at that time.
	for _, tag := range []string{"TW-1", "TW-2", "TX-9"} {
		r := reservation(Ref{Kind: site.KindTool, ID: tag})
		r.During.Start, r.During.End = local(12, 8, 0), local(12, 17, 0)
		if _, err := w.Reserve(t.Context(), act("reserve"), r); err != nil {
			t.Fatal(err)
		}
	}
	list, err = w.WhileOpen(t.Context(), "quay", nil, booked.Job.ID)
	if err != nil || list[0].Slot.Fits || len(list[0].Slot.Blockers) == 0 {
		t.Errorf("with the wrenches gone: %+v, %v", list, err)
	}
}

func TestVersions(t *testing.T) {
	t.Parallel()
	w := small(t)
	booked, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	in := intake(t)
	in.Files[0].Content = bytes.Replace(in.Files[0].Content, []byte("title: Renew the timing chain"), []byte("title: Renew the timing chain\n    version: 2\n    state: DRAFT"), 1)
	in.Files[0].Content = bytes.Replace(in.Files[0].Content, []byte("        estimate: 90"), []byte("        estimate: 120"), 1)
	if _, err := w.Import(t.Context(), act("import"), in); err != nil {
		t.Fatal(err)
	}
	newest := func() int {
		got, err := w.Newest(t.Context(), "quay", booked.Job.Procedures)
		if err != nil {
			t.Fatal(err)
		}
		return got["chain"]
	}
	if newest() != 1 {
		t.Error("a draft counts as issued")
	}
	second := site.ProcedureRef{ID: "chain", Version: 2}
	if _, err := w.SetProcedureState(t.Context(), act("issue"), second, procedure.Issued); err != nil {
		t.Fatal(err)
	}
	if newest() != 2 {
		t.Error("the new version is not told")
	}
	d, err := w.DiffProcedure(t.Context(), "quay", "chain", 1, 0)
	if err != nil || d.To != 2 || len(d.Changes) != 1 || !strings.Contains(d.Changes[0].String(), "120") {
		t.Errorf("difference %+v: %v", d, err)
	}
	// The job keeps its version; new ones get the new.
	job, err := w.Job(t.Context(), "quay", booked.Job.ID)
	if err != nil || job.Procedures[0].Version != 1 {
		t.Errorf("the job's procedures: %+v, %v", job.Procedures, err)
	}
	if p := chain(t, w, local(19, 8, 0)); p.Procedures[0].Version != 2 {
		t.Errorf("a new plan has version %d", p.Procedures[0].Version)
	}
	_, err = w.SetProcedureState(t.Context(), act("draft"), second, procedure.Draft)
	wantKind(t, err, fault.Precondition, "PROCEDURE_STATE")
	if got, err := w.SetProcedureState(t.Context(), act("withdraw"), second, procedure.Withdrawn); err != nil || len(got.Standing) != 0 {
		t.Fatalf("withdrawn: %+v, %v", got.Standing, err)
	}
	if newest() != 1 {
		t.Error("a withdrawn version counts as issued")
	}
	got, err := w.SetProcedureState(t.Context(), act("withdraw"), site.ProcedureRef{ID: "chain", Version: 1}, procedure.Withdrawn)
	if err != nil || !slices.Equal(got.Standing, []int64{booked.Job.ID}) {
		t.Errorf("jobs that were planned with it: %v, %v", got.Standing, err)
	}
}

func TestLintReadsAgainstTheSite(t *testing.T) {
	t.Parallel()
	w := small(t)
	file := []byte(strings.Join([]string{
		"procedures:",
		"  - id: extra",
		"    title: Extra",
		"    family: brill-four",
		"    needs: [cover-off]",
		"    steps:",
		"      - {id: gate, title: Gate, estimate: 10, hold_point: true}",
	}, "\n"))
	found, err := w.Lint(t.Context(), "quay", []File{{Name: "extra.yaml", Content: file}})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(found, func(f LintFinding) bool { return f.File == "extra.yaml" && f.Line == 7 }) {
		t.Errorf("a hold point without a check: %+v", found)
	}
}

// TestABookedJobGivesWayToALargerOne does what a manager does who learns that
// more is worth doing: the new plan may use what the old job holds, and takes
// its place in one act.
func TestABookedJobGivesWayToALargerOne(t *testing.T) {
	t.Parallel()
	w := small(t)
	old, err := book(t, w, "W-600", chain(t, w, local(12, 8, 0)))
	if err != nil {
		t.Fatal(err)
	}
	q := CheckQuestion{Procedures: []string{"cam-bolts", "chain"}, Start: local(12, 8, 0)}
	if answer, err := w.Check(t.Context(), "quay", q); err != nil || answer.Possible {
		t.Errorf("beside the job that stands: %v, %v", answer.Possible, err)
	}
	q.Replaces = old.Job.ID
	answer, err := w.Check(t.Context(), "quay", q)
	if err != nil || !answer.Possible {
		t.Fatalf("in its place: %+v, %v", answer.Blockers, err)
	}
	if len(answer.Plan.Parts) != 2 {
		t.Errorf("parts of the plan: %+v", answer.Plan.Parts)
	}
	o := order("W-600", *answer.Plan)
	if _, err := w.Book(t.Context(), act("book"), o); fault.KindOf(err) != fault.LostRace {
		t.Errorf("without giving way: %v", err)
	}
	o.Replaces = old.Job.ID
	if _, err := w.Book(t.Context(), act("book"), o); err != nil {
		t.Fatal(err)
	}
	gone, err := w.Job(t.Context(), "quay", old.Job.ID)
	if err != nil || gone.State != site.Cancelled {
		t.Errorf("the old job is %s: %v", gone.State, err)
	}
	_, err = w.Book(t.Context(), act("book"), o)
	wantKind(t, err, fault.Precondition, "NOT_STANDING")
}
