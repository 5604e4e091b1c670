package rpc

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestWhatBadInputGets asks for what cannot be, and then whether the server
// still answers.
func TestWhatBadInputGets(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	chain := []string{quay + "/procedures/chain"}
	load := func(content string) error {
		return second(c.site.ImportWorkshop(ctx, &bayholdv1.ImportWorkshopRequest{
			Parent: quay, RequestId: uuid.NewString(),
			Files: []*bayholdv1.WorkshopFile{{Name: "extra.yaml", Content: []byte(content)}},
		}))
	}
	procedure := func(steps string) string {
		return "procedures:\n  - id: extra\n    title: Extra\n    family: brill-four\n    steps:\n" + steps
	}
	for name, c := range map[string]struct {
		err  error
		code codes.Code
	}{
		"a malformed file": {load("bays: [\n"), codes.InvalidArgument},
		"a cycle among steps": {load(procedure(
			"      - {id: one, title: One, estimate: 10, after: [two]}\n      - {id: two, title: Two, estimate: 10, after: [one]}\n")), codes.InvalidArgument},
		"a need that no tool type can meet": {load(procedure(
			"      - {id: one, title: One, estimate: 10, torque: 1 x 5000 Nm}\n")), codes.InvalidArgument},
		"an end before a start": {second(c.booking.ListBookings(ctx, &bayholdv1.ListBookingsRequest{
			Parent: quay, During: &bayholdv1.TimeRange{Start: at(13, 8), End: at(12, 8)},
		})), codes.InvalidArgument},
		"a range over a year": {second(c.booking.ListBookings(ctx, &bayholdv1.ListBookingsRequest{
			Parent: quay, During: &bayholdv1.TimeRange{Start: at(13, 8), End: timestamppb.New(monday.AddDate(1, 1, 0))},
		})), codes.InvalidArgument},
		"no range":                   {second(c.booking.ListBookings(ctx, &bayholdv1.ListBookingsRequest{Parent: quay})), codes.InvalidArgument},
		"a name that does not exist": {second(c.bay.GetBay(ctx, &bayholdv1.GetBayRequest{Name: quay + "/bays/bay-9"})), codes.NotFound},
		"a site that does not exist": {second(c.bay.ListBays(ctx, &bayholdv1.ListBaysRequest{Parent: "sites/moon"})), codes.PermissionDenied},
		"a name of the wrong form":   {second(c.bay.GetBay(ctx, &bayholdv1.GetBayRequest{Name: "bay-1"})), codes.InvalidArgument},
		"a name with a quote":        {second(c.bay.GetBay(ctx, &bayholdv1.GetBayRequest{Name: quay + "/bays/x' OR '1'='1"})), codes.InvalidArgument},
		"a number that is none":      {second(c.job.GetJob(ctx, &bayholdv1.GetJobRequest{Name: quay + "/jobs/first"})), codes.InvalidArgument},
		"procedures of two sites": {second(c.planning.CheckJob(ctx, &bayholdv1.CheckJobRequest{
			Parent: quay, Procedures: []string{"sites/moon/procedures/chain"}, StartTime: at(12, 8),
		})), codes.InvalidArgument},
		"a timestamp out of bounds": {second(c.planning.CheckJob(ctx, &bayholdv1.CheckJobRequest{
			Parent: quay, Procedures: chain, StartTime: &timestamppb.Timestamp{Seconds: 1 << 60},
		})), codes.InvalidArgument},
		"the year 1": {second(c.planning.CheckJob(ctx, &bayholdv1.CheckJobRequest{
			Parent: quay, Procedures: chain, StartTime: &timestamppb.Timestamp{Seconds: -62135596800},
		})), codes.InvalidArgument},
		"the year 9999": {second(c.planning.FindPlans(ctx, &bayholdv1.FindPlansRequest{
			Parent: quay, Procedures: chain, EarliestTime: &timestamppb.Timestamp{Seconds: 253402300740},
		})), codes.InvalidArgument},
		"an act without request id": {second(c.booking.CancelJob(ctx, &bayholdv1.CancelJobRequest{Name: quay + "/jobs/1"})), codes.InvalidArgument},
		"a booking without a plan": {second(c.booking.BookPlan(ctx, &bayholdv1.BookPlanRequest{
			Parent: quay, RequestId: uuid.NewString(), Reference: "W-1", State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		})), codes.InvalidArgument},
		"a reservation of nothing": {second(c.booking.Reserve(ctx, &bayholdv1.ReserveRequest{
			Parent: quay, RequestId: uuid.NewString(), Reference: "W-1", During: &bayholdv1.TimeRange{Start: at(12, 8), End: at(12, 9)},
			State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		})), codes.InvalidArgument},
		"a NUL in a text": {second(c.booking.Reserve(ctx, &bayholdv1.ReserveRequest{
			Parent: quay, RequestId: uuid.NewString(), Reference: "W\x00", Resources: []string{quay + "/bays/bay-1"},
			During: &bayholdv1.TimeRange{Start: at(12, 8), End: at(12, 9)}, State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
		})), codes.InvalidArgument},
		"10 MB of steps": {load(procedure(manySteps(10 << 20))), codes.ResourceExhausted},
	} {
		if got := status.Code(c.err); got != c.code {
			t.Errorf("%s: %v (%v), want %v", name, got, c.err, c.code)
		}
		explained := len(detail[*errdetails.BadRequest](c.err).GetFieldViolations()) > 0 || c.code == codes.NotFound || c.code == codes.PermissionDenied || c.code == codes.ResourceExhausted
		if !explained || detail[*errdetails.ErrorInfo](c.err).GetReason() == "" {
			t.Errorf("%s is refused without saying what is wrong: %v", name, c.err)
		}
		if text := fmt.Sprint(c.err); strings.Contains(text, "SQLSTATE") || strings.Contains(text, "SELECT") {
			t.Errorf("%s shows what is behind: %s", name, text)
		}
	}
	if _, err := c.bay.GetBay(ctx, &bayholdv1.GetBayRequest{Name: quay + "/bays/bay-1"}); err != nil {
		t.Errorf("after all that: %v", err)
	}
}

func manySteps(size int) string {
	var b bytes.Buffer
	for i := 0; b.Len() < size; i++ {
		fmt.Fprintf(&b, "      - {id: step-%d, title: Step %d, estimate: 10}\n", i, i)
	}
	return b.String()
}
