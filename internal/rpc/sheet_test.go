package rpc

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func TestSheetOfAJobInBothLayouts(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	found, err := c.planning.FindPlans(ctx, &bayholdv1.FindPlansRequest{
		Parent: quay, Procedures: []string{quay + "/procedures/cam-bolts"}, EarliestTime: at(12, 8),
	})
	if err != nil || len(found.GetOptions()) == 0 {
		t.Fatalf("find: %v, %v", found, err)
	}
	booked, err := c.booking.BookPlan(ctx, &bayholdv1.BookPlanRequest{
		Parent: quay, RequestId: uuid.NewString(), Reference: "W-500", Plan: found.GetOptions()[0].GetPlan(),
		State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED,
	})
	if err != nil {
		t.Fatal(err)
	}
	for format, want := range map[bayholdv1.SheetFormat]struct{ kind, start string }{
		bayholdv1.SheetFormat_SHEET_FORMAT_UNSPECIFIED: {"text/plain; charset=utf-8", "===="},
		bayholdv1.SheetFormat_SHEET_FORMAT_TEXT:        {"text/plain; charset=utf-8", "===="},
		bayholdv1.SheetFormat_SHEET_FORMAT_HTML:        {"text/html; charset=utf-8", "<!DOCTYPE html>"},
	} {
		sheet, err := c.job.GetJobSheet(ctx, &bayholdv1.GetJobSheetRequest{Name: booked.GetJob().GetName(), Format: format})
		if err != nil {
			t.Fatal(err)
		}
		if sheet.GetContentType() != want.kind || !strings.HasPrefix(sheet.GetContent(), want.start) {
			t.Errorf("%v: %s, %.40q", format, sheet.GetContentType(), sheet.GetContent())
		}
		content := strings.ReplaceAll(sheet.GetContent(), "\u00a0", " ") // keeps figure and unit together
		// T·L/(L+E) with T 60 N·m, L 400 mm, E 50 mm is 53.33 N·m.
		for _, say := range []string{"W-500", "Bay ", "Renew the cam bolts", " to 53.3 N·m for 60 N·m wanted (adapter)", "turn each 90° further"} {
			if !strings.Contains(content, say) {
				t.Errorf("%v: the sheet does not say %q", format, say)
			}
		}
	}
	_, err = c.job.GetJobSheet(ctx, &bayholdv1.GetJobSheetRequest{Name: quay + "/jobs/9999"})
	wantCode(t, err, codes.NotFound)
}

func TestSheetInAnotherUnit(t *testing.T) {
	t.Parallel()
	c := small(t)
	job := bookChain(t, c)
	got, err := c.job.GetJobSheet(t.Context(), &bayholdv1.GetJobSheetRequest{Name: job.GetName(), TorqueUnit: "lbf-ft"})
	if err != nil || !strings.Contains(got.GetContent(), "lbf·ft") {
		t.Errorf("in lbf·ft: %v", err)
	}
	_, err = c.job.GetJobSheet(t.Context(), &bayholdv1.GetJobSheetRequest{Name: job.GetName(), TorqueUnit: "stone"})
	wantCode(t, err, codes.InvalidArgument)
}
