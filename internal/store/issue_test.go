package store

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bayhold/internal/fault"
	"bayhold/internal/site"
)

// issue puts a tool into a technician's hands, as the workshop does.
func issue(ctx context.Context, s *Store, v site.Issue) (site.Issue, error) {
	return Act(ctx, s, request("issue"), func(ctx context.Context, tx *Tx) (site.Issue, error) {
		if err := tx.Lock(ctx, []Ref{{site.KindTool, v.Tool}, {site.KindTechnician, v.Technician}}); err != nil {
			return v, err
		}
		return tx.AddIssue(ctx, v)
	})
}

func wanted(technician string) site.Issue {
	return site.Issue{Tool: "TW-1", Technician: technician, OutSince: noon, IssuedAt: noon, DueAt: noon.Add(time.Hour)}
}

func issues(t *testing.T, s *Store, f IssueFilter) []site.Issue {
	t.Helper()
	return view(t, s, func(ctx context.Context, r Reader) ([]site.Issue, error) { return r.Issues(ctx, f) })
}

func TestAnIssueIsWrittenAndClosed(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	v := wanted("ada")
	v.Bay, v.Note = "bay-1", "for the front cover"
	made, err := issue(t.Context(), s, v)
	if err != nil {
		t.Fatal(err)
	}
	v.ID, v.IssuedBy = made.ID, "test"
	if diff := cmp.Diff([]site.Issue{v}, issues(t, s, IssueFilter{Tools: []string{"TW-1"}, Open: true})); diff != "" {
		t.Errorf("open issue (-want +got):\n%s", diff)
	}
	if got := issues(t, s, IssueFilter{Job: 4711, Open: true}); len(got) != 0 {
		t.Errorf("issues for a job that has none: %+v", got)
	}
	v.Outcome, v.Counted = site.Returned, []site.CountedPiece{{Name: "pin", Count: 2, Damaged: 1}}
	closing := func(ctx context.Context, tx *Tx) (site.Issue, error) { return tx.CloseIssue(ctx, v) }
	if _, err := Act(t.Context(), s, request("return"), closing); err != nil {
		t.Fatal(err)
	}
	v.ReturnedAt, v.ReturnedBy = noon, "test"
	if got := issues(t, s, IssueFilter{Technician: "ada"}); len(got) != 1 || cmp.Diff(v, got[0]) != "" {
		t.Errorf("closed issue (-want +got):\n%s", cmp.Diff(v, got[0]))
	}
	if got := issues(t, s, IssueFilter{Open: true}); len(got) != 0 {
		t.Errorf("still out: %+v", got)
	}
	if _, err := Act(t.Context(), s, request("return"), closing); fault.KindOf(err) != fault.LostRace {
		t.Errorf("closed twice: %v", err)
	}
}

// TestOneOfManyGetsTheTool has eight acts give one tool to somebody at the same
// moment, each on a connection of its own.
func TestOneOfManyGetsTheTool(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	const many = 8
	start := make(chan struct{})
	errs := make([]error, many)
	var wg sync.WaitGroup
	for i := range many {
		wg.Go(func() {
			<-start
			_, errs[i] = issue(t.Context(), s, wanted("ada"))
		})
	}
	close(start)
	wg.Wait()
	won := 0
	for _, err := range errs {
		switch {
		case err == nil:
			won++
		case fault.Fault(err) == nil || fault.Fault(err).Reason != "ALREADY_ISSUED":
			t.Errorf("lost with %v", err)
		}
	}
	if open := issues(t, s, IssueFilter{Open: true}); won != 1 || len(open) != 1 {
		t.Errorf("%d won, and %d issues are open", won, len(open))
	}
}

// TestTheIndexIsTheJudge writes a second open issue behind the back of every
// rule.
func TestTheIndexIsTheJudge(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	if _, err := issue(t.Context(), s, wanted("ada")); err != nil {
		t.Fatal(err)
	}
	_, err := Act(t.Context(), s, request("by hand"), func(ctx context.Context, tx *Tx) (int, error) {
		_, err := tx.tx.Exec(ctx, `
			INSERT INTO tool_issue (site_id, resource_id, technician_id, out_since, issued_at, issued_by, due_at)
			SELECT site_id, resource_id, technician_id, out_since, issued_at, issued_by, due_at FROM tool_issue WHERE site_id = $1`, tx.siteID)
		return 0, err
	})
	if sqlstate(errors.Unwrap(err)) != stateUnique {
		t.Errorf("a second open issue: %v", err)
	}
}

func TestConditionsKeepTheirHistory(t *testing.T) {
	t.Parallel()
	s := withSite(t)
	put := func(at time.Time, edit func(*site.Tool)) {
		t.Helper()
		req := request("change")
		req.Now = at
		_, err := Act(t.Context(), s, req, func(ctx context.Context, tx *Tx) (int, error) {
			v, err := tx.Tool(ctx, "TW-1")
			if err != nil {
				return 0, err
			}
			edit(&v)
			return 0, tx.PutTool(ctx, v)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	back := noon.Add(72 * time.Hour)
	put(noon.Add(time.Hour), func(v *site.Tool) { v.Home = "drawer 3" }) // no change of condition
	put(noon.Add(2*time.Hour), func(v *site.Tool) {
		v.Condition, v.ConditionUntil, v.ConditionNote = site.Away, back, "calibration"
	})
	put(noon.Add(3*time.Hour), func(v *site.Tool) {
		v.Condition, v.ConditionUntil, v.ConditionNote = site.Serviceable, time.Time{}, ""
	})
	got := view(t, s, func(ctx context.Context, r Reader) ([]site.ToolCondition, error) { return r.Conditions(ctx, "TW-1", 0) })
	want := []site.ToolCondition{
		{Tool: "TW-1", Condition: site.Serviceable, Since: noon.Add(3 * time.Hour), Actor: "test"},
		{Tool: "TW-1", Condition: site.Away, Since: noon.Add(2 * time.Hour), Until: back, Reason: "calibration", Actor: "test"},
		{Tool: "TW-1", Condition: site.Serviceable, Since: noon, Actor: "test"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("history (-want +got):\n%s", diff)
	}
}
