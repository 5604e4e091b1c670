package rpc

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"

	"bayhold/internal/running"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestEveryReasonHasItsWordInTheContract(t *testing.T) {
	t.Parallel()
	seen := map[bayholdv1.RecordBlockerKind]bool{}
	for _, k := range running.BlockerKinds() {
		word := against(k)
		if word == 0 || seen[word] {
			t.Errorf("%s is %v", k, word)
		}
		seen[word] = true
	}
	if len(seen)+1 != len(bayholdv1.RecordBlockerKind_name) {
		t.Errorf("%d reasons, %d words", len(seen), len(bayholdv1.RecordBlockerKind_name)-1)
	}
	for _, s := range running.States() {
		if stepStateToProto[s] == 0 {
			t.Errorf("the state %s has no word", s)
		}
	}
}

func TestRecordsOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	records := bayholdv1.NewRecordServiceClient(c.conn)
	job := c.chainJob(t)
	_, err := records.StartStep(t.Context(), &bayholdv1.StartStepRequest{Name: job, Step: "fit-locks", Technician: quay + "/technicians/ada", RequestId: uuid.NewString()})
	wantCode(t, err, codes.FailedPrecondition)
	var kinds []string
	for _, v := range detail[*errdetails.PreconditionFailure](err).GetViolations() {
		kinds = append(kinds, v.GetSubject())
	}
	if !slices.Equal(kinds, []string{"BEFORE", "TOOL_NOT_ISSUED"}) {
		t.Errorf("reasons: %v", kinds)
	}
	start := &bayholdv1.StartStepRequest{Name: job, Step: "remove", Technician: quay + "/technicians/ada", RequestId: uuid.NewString()}
	for range 2 { // a repeat does nothing and answers the same
		resp, err := records.StartStep(t.Context(), start)
		if err != nil || resp.GetOutcome().GetState() != bayholdv1.StepState_STEP_STATE_RUNNING {
			t.Fatalf("%v, %v", resp, err)
		}
	}
	for name, err := range map[string]error{
		"an unknown check": second(records.RecordReadings(t.Context(), &bayholdv1.RecordReadingsRequest{Name: job, Step: "remove", RequestId: uuid.NewString(),
			Measurements: []*bayholdv1.Measurement{{Check: "none", Value: 1}}})),
		"nothing measured": second(records.RecordReadings(t.Context(), &bayholdv1.RecordReadingsRequest{Name: job, Step: "remove", RequestId: uuid.NewString()})),
		"no reason":        second(records.WaiveStep(t.Context(), &bayholdv1.WaiveStepRequest{Name: job, Step: "renew", RequestId: uuid.NewString()})),
		"no signer":        second(records.SignStep(t.Context(), &bayholdv1.SignStepRequest{Name: job, Step: "remove", RequestId: uuid.NewString()})),
		"no day":           second(records.GetDay(t.Context(), &bayholdv1.GetDayRequest{Name: quay + "/technicians/ada", Day: "soon"})),
	} {
		if len(detail[*errdetails.BadRequest](err).GetFieldViolations()) == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := records.FinishStep(t.Context(), &bayholdv1.FinishStepRequest{Name: job, Step: "remove", RequestId: uuid.NewString()}); err != nil {
		t.Error(err)
	}
	rec, err := records.GetJobRecord(t.Context(), &bayholdv1.GetJobRecordRequest{Name: job, Format: bayholdv1.SheetFormat_SHEET_FORMAT_HTML})
	if err != nil || len(rec.GetRecord().GetSteps()[0].GetEvents()) != 2 || rec.GetContentType() != "text/html; charset=utf-8" {
		t.Errorf("%v, %v", rec.GetRecord(), err)
	}
	view, err := records.GetStep(t.Context(), &bayholdv1.GetStepRequest{Name: job, Step: "crank-bolt"})
	if err != nil || len(view.GetSettings()) != 2 || view.GetSettings()[0].GetSetNm() != 20 || !view.GetDrivesMultiplier() {
		t.Errorf("%v, %v", view, err)
	}
	day, err := records.GetDay(t.Context(), &bayholdv1.GetDayRequest{Name: quay + "/technicians/ada"})
	if err != nil {
		t.Errorf("%v, %v", day, err)
	}
}

// chainJob books the chain.
func (c clients) chainJob(t *testing.T) string {
	t.Helper()
	found, err := c.planning.FindPlans(t.Context(), &bayholdv1.FindPlansRequest{Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(12, 8)})
	if err != nil {
		t.Fatal(err)
	}
	booked, err := c.booking.BookPlan(t.Context(), &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-1", Plan: found.GetOptions()[0].GetPlan(), State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
	})
	if err != nil {
		t.Fatal(err)
	}
	return booked.GetJob().GetName()
}
