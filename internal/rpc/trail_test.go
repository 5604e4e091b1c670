package rpc

import (
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"bayhold/internal/pgtest"
	"bayhold/internal/trail"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestTheTrailOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	tr := bayholdv1.NewTrailServiceClient(c.conn)
	for _, home := range []string{"wall 2", "wall 3"} {
		_, err := c.tool.UpdateTool(ctx, &bayholdv1.UpdateToolRequest{
			Tool:       &bayholdv1.Tool{Name: quay + "/tools/LK-1", Home: home},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"home"}}, RequestId: uuid.NewString(),
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	whole, err := tr.VerifyTrail(ctx, &bayholdv1.VerifyTrailRequest{Parent: quay})
	if err != nil || !whole.GetDone() || whole.GetBreak() != nil || whole.GetVerified().GetRevision() < 3 {
		t.Fatalf("%v, %v", whole, err)
	}

	shown, err := tr.ShowTrail(ctx, &bayholdv1.ShowTrailRequest{Parent: quay, Subjects: []string{quay + "/tools/LK-1"}, PageSize: 1})
	if err != nil || len(shown.GetEvents()) != 1 || shown.GetNextPageToken() == "" {
		t.Fatalf("%v, %v", shown, err)
	}
	e := shown.GetEvents()[0]
	if got := e.GetChanges(); len(got) != 1 || got[0].GetPath() != "Home" || got[0].GetBefore() != "wall 2" || got[0].GetAfter() != "wall 3" {
		t.Errorf("the changes are %v", got)
	}
	if e.GetMethod() != "/bayhold.v1.ToolService/UpdateTool" || e.GetActor() == "" || e.GetToken() == "" {
		t.Errorf("who and how is not told: %v", e)
	}
	next, err := tr.ShowTrail(ctx, &bayholdv1.ShowTrailRequest{
		Parent: quay, Subjects: []string{quay + "/tools/LK-1"}, PageSize: 1, PageToken: shown.GetNextPageToken(),
	})
	if err != nil || len(next.GetEvents()) != 1 || next.GetEvents()[0].GetRevision() >= e.GetRevision() {
		t.Errorf("the next page: %v, %v", next, err)
	}
	none, err := tr.ShowTrail(ctx, &bayholdv1.ShowTrailRequest{Parent: quay, User: "nobody"})
	if err != nil || len(none.GetEvents()) != 0 {
		t.Errorf("of nobody: %v, %v", none, err)
	}

	forgeTheTrail(t, c.house.db, whole.GetHead())
	for name, w := range map[string]struct {
		kept *bayholdv1.TrailCheckpoint
		want bayholdv1.TrailBreakKind
	}{
		"by itself it looks whole": {nil, bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_UNSPECIFIED},
		"the end is cut off":       {whole.GetHead(), bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_TRUNCATED},
		"it was sealed anew": {
			&bayholdv1.TrailCheckpoint{Revision: 1, Seal: whole.GetHead().GetSeal()},
			bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_REWRITTEN,
		},
	} {
		req := &bayholdv1.VerifyTrailRequest{Parent: quay}
		if w.kept != nil {
			req.Checkpoints = []*bayholdv1.TrailCheckpoint{w.kept}
		}
		got, err := tr.VerifyTrail(ctx, req)
		if err != nil || !got.GetDone() || got.GetBreak().GetKind() != w.want {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	wantCode(t, second(tr.VerifyTrail(ctx, &bayholdv1.VerifyTrailRequest{
		Parent: quay, After: &bayholdv1.TrailCheckpoint{Revision: 1, Seal: []byte("short")},
	})), codes.InvalidArgument)
}

// forgeTheTrail cuts off the last event and sets the counter back, as somebody
// with all power can, so that the chain is sound in itself.
func forgeTheTrail(t *testing.T, db *pgtest.DB, head *bayholdv1.TrailCheckpoint) {
	t.Helper()
	conn := db.AsSuperuser(t)
	for _, sql := range []string{
		"DELETE FROM event WHERE revision = $1",
		"UPDATE site_counter SET revision = $1 - 1, head = (SELECT seal FROM event WHERE revision = $1 - 1)",
	} {
		if _, err := conn.Exec(t.Context(), sql, head.GetRevision()); err != nil {
			t.Fatal(err)
		}
	}
}

func TestEveryBreakHasItsKind(t *testing.T) {
	t.Parallel()
	for _, k := range trail.Kinds {
		if breakKinds[k] == bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_UNSPECIFIED {
			t.Errorf("%s is not in the contract", k)
		}
	}
	if len(breakKinds) != len(trail.Kinds) {
		t.Errorf("%d kinds in the table, %d there are", len(breakKinds), len(trail.Kinds))
	}
}
