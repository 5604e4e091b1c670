package rpc

import (
	"os"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// bookChain books the chain of the small workshop on Monday at eight.
func bookChain(t *testing.T, c clients) *bayholdv1.Job {
	t.Helper()
	check, err := c.planning.CheckJob(t.Context(), &bayholdv1.CheckJobRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, StartTime: at(12, 8),
	})
	if err != nil || !check.GetPossible() {
		t.Fatalf("check: %v, %v", check, err)
	}
	booked, err := c.booking.BookPlan(t.Context(), &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-700", Plan: check.GetPlan(),
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
	})
	if err != nil {
		t.Fatal(err)
	}
	return booked.GetJob()
}

func TestPartsOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	late := []*bayholdv1.PartArrival{{Part: "chain-kit", ExpectedTime: at(13, 10)}}
	check, err := c.planning.CheckJob(t.Context(), &bayholdv1.CheckJobRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, StartTime: at(12, 8), PartArrivals: late,
	})
	if err != nil || check.GetPossible() || check.GetBlockers()[0].GetKind() != bayholdv1.Blocker_KIND_PART {
		t.Errorf("with a part that comes too late: %v, %v", check, err)
	}
	found, err := c.planning.FindPlans(t.Context(), &bayholdv1.FindPlansRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(12, 8), PartArrivals: late,
	})
	if err != nil || len(found.GetOptions()) == 0 || len(found.GetOptions()[0].GetPlan().GetPartArrivals()) != 1 {
		t.Fatalf("find: %v, %v", found, err)
	}
	booked, err := c.booking.BookPlan(t.Context(), &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-701", Plan: found.GetOptions()[0].GetPlan(),
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
	})
	if err != nil || booked.GetJob().GetParts()[0].GetState() != bayholdv1.PartState_PART_STATE_EXPECTED {
		t.Fatalf("book: %v, %v", booked, err)
	}
	marked, err := c.job.UpdateJobPart(t.Context(), &bayholdv1.UpdateJobPartRequest{
		Name: booked.GetJob().GetName(), Part: "chain-kit", State: bayholdv1.PartState_PART_STATE_EXPECTED,
		ExpectedTime: at(20, 8), RequestId: uuid.NewString(),
	})
	if err != nil || len(marked.GetAffectedSteps()) != 1 {
		t.Errorf("expected later: %v, %v", marked, err)
	}
}

func TestVersionsOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	job := bookChain(t, c)
	content, err := os.ReadFile("../workshop/testdata/small.yaml")
	if err != nil {
		t.Fatal(err)
	}
	next := strings.Replace(string(content), "title: Renew the timing chain", "title: Renew the timing chain\n    version: 2\n    state: DRAFT", 1)
	next = strings.Replace(next, "        estimate: 90", "        estimate: 120", 1)
	_, err = c.site.ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Files: []*bayholdv1.WorkshopFile{{Name: "next.yaml", Content: []byte(next)}}, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
	issue := &bayholdv1.UpdateProcedureRequest{
		Procedure:  &bayholdv1.Procedure{Name: quay + "/procedures/chain", Version: 2, State: bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}, RequestId: uuid.NewString(),
	}
	if _, err := c.proc.UpdateProcedure(t.Context(), issue); err != nil {
		t.Fatal(err)
	}
	got, err := c.job.GetJob(t.Context(), &bayholdv1.GetJobRequest{Name: job.GetName()})
	if err != nil || got.GetJob().GetProcedures()[0].GetVersion() != 1 || got.GetJob().GetProcedures()[0].GetNewestVersion() != 2 {
		t.Errorf("the job's versions: %v, %v", got.GetJob().GetProcedures(), err)
	}
	diff, err := c.proc.DiffProcedure(t.Context(), &bayholdv1.DiffProcedureRequest{Name: quay + "/procedures/chain", FromVersion: 1})
	if err != nil || len(diff.GetChanges()) != 1 || diff.GetChanges()[0].GetMessage() == "" {
		t.Errorf("difference: %v, %v", diff, err)
	}
	issue.RequestId, issue.Procedure.State = uuid.NewString(), bayholdv1.ProcedureState_PROCEDURE_STATE_DRAFT
	_, err = c.proc.UpdateProcedure(t.Context(), issue)
	wantCode(t, err, codes.FailedPrecondition)
	_, err = c.proc.DiffProcedure(t.Context(), &bayholdv1.DiffProcedureRequest{Name: quay + "/procedures/chain", FromVersion: 9})
	wantCode(t, err, codes.NotFound)
	_, err = c.proc.DiffProcedure(t.Context(), &bayholdv1.DiffProcedureRequest{Name: quay + "/procedures/chain"})
	wantCode(t, err, codes.InvalidArgument)
}

func TestWhileOpenAndLintOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	job := bookChain(t, c)
	open, err := c.planning.ListWhileOpen(t.Context(), &bayholdv1.ListWhileOpenRequest{Parent: quay, Job: job.GetName()})
	if err != nil || len(open.GetCandidates()) != 1 || !open.GetCandidates()[0].GetFitsSlot() || open.GetCandidates()[0].GetSaved().GetPeopleMinutes() != 165 {
		t.Errorf("while it is open: %v, %v", open, err)
	}
	_, err = c.planning.ListWhileOpen(t.Context(), &bayholdv1.ListWhileOpenRequest{Parent: quay})
	wantCode(t, err, codes.InvalidArgument)
	lint, err := c.proc.LintProcedures(t.Context(), &bayholdv1.LintProceduresRequest{
		Parent: quay, Files: []*bayholdv1.WorkshopFile{{Name: "x.yaml", Content: []byte("procedures: [{id: x, title: X, family: nowhere}]")}},
	})
	if err != nil || len(lint.GetFindings()) == 0 || lint.GetFindings()[0].GetFile() != "x.yaml" || !lint.GetFindings()[0].GetFault() {
		t.Errorf("lint: %v, %v", lint, err)
	}
}
