package cli

import (
	"context"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// fixtureIssues are the locking set that Anna has for R-17, and a wrench that
// Ben should have brought back.
func fixtureIssues() []*bayholdv1.Issue {
	return []*bayholdv1.Issue{
		{
			Id: 3, Tool: harbour + "/tools/LK-01", Technician: harbour + "/technicians/anna", Bay: harbour + "/bays/bay-1",
			Job: harbour + "/jobs/17", Reference: "R-17", Booking: harbour + "/bookings/102",
			OutSince: ts(nov, 25, 8, 0), IssueTime: ts(nov, 25, 8, 0), IssuedBy: "anna", DueTime: ts(nov, 25, 15, 0),
		},
		{
			Id: 4, Tool: harbour + "/tools/TW-04", Technician: harbour + "/technicians/ben",
			OutSince: ts(nov, 24, 8, 0), IssueTime: ts(nov, 24, 13, 30), IssuedBy: "mia", DueTime: ts(nov, 24, 16, 0), Late: true,
		},
	}
}

func (f *fake) IssueTools(_ context.Context, r *bayholdv1.IssueToolsRequest) (*bayholdv1.IssueToolsResponse, error) {
	issues := fixtureIssues()
	issues[1].Late, issues[1].DueTime, issues[1].IssueTime = false, ts(nov, 25, 16, 0), ts(nov, 25, 8, 0)
	out := &bayholdv1.IssueToolsResponse{Warnings: []string{"Anna is absent (training) until Wed 2026-11-25 12:00"}}
	for _, name := range r.GetTools() {
		for _, i := range issues {
			if i.GetTool() == name {
				v := &bayholdv1.IssuedTool{Issue: i}
				if i.GetJob() == "" {
					v.NextBooking = booking("106", "tools/TW-04", "R-19", ts(nov, 25, 16, 0), ts(nov, 26, 8, 0), bayholdv1.BookingState_BOOKING_STATE_CONFIRMED)
				} else {
					v.Pieces = fixtureToolTypes()[0].GetPieces()
				}
				out.Issued = append(out.Issued, v)
			}
		}
	}
	if len(out.GetIssued()) != len(r.GetTools()) {
		return nil, status.Error(codes.NotFound, "there is no such tool")
	}
	return out, nil
}

func (f *fake) ReturnTool(_ context.Context, r *bayholdv1.ReturnToolRequest) (*bayholdv1.ReturnToolResponse, error) {
	t, err := named(fixtureTools(), r.GetName())
	if err != nil {
		return nil, err
	}
	i := fixtureIssues()[0]
	if r.GetName() != i.GetTool() {
		i = fixtureIssues()[1]
	}
	i.ReturnTime, i.Outcome, i.Counted = ts(nov, 25, 9, 0), bayholdv1.Issue_OUTCOME_RETURNED, r.GetCounted()
	out := &bayholdv1.ReturnToolResponse{Issue: i, Tool: t}
	held := booking("102", "tools/LK-01", "R-17", ts(nov, 25, 8, 0), ts(nov, 25, 15, 0), bayholdv1.BookingState_BOOKING_STATE_CONFIRMED)
	switch {
	case len(r.GetCounted()) > 0 || r.GetDamage() != "":
		t.Condition, t.ConditionNote = bayholdv1.Condition_CONDITION_UNSERVICEABLE, "1 × cam plate missing"
		t.Missing = []*bayholdv1.Piece{{DisplayName: "cam plate", Count: 1}}
		out.AffectedBookings = []*bayholdv1.Booking{held}
	case r.GetDone():
		held.During.End = ts(nov, 25, 9, 0)
		out.FreedBooking, out.FreedUntil = held, ts(nov, 25, 15, 0)
	default:
		out.StandingBooking = held
	}
	return out, nil
}

func (f *fake) HandOverTools(_ context.Context, r *bayholdv1.HandOverToolsRequest) (*bayholdv1.HandOverToolsResponse, error) {
	from := fixtureIssues()[0]
	to := proto.CloneOf(from)
	from.Outcome, from.ReturnTime = bayholdv1.Issue_OUTCOME_HANDED_OVER, ts(nov, 25, 9, 0)
	to.Id, to.Technician, to.IssueTime = 5, r.GetTechnician(), ts(nov, 25, 9, 0)
	return &bayholdv1.HandOverToolsResponse{Handed: []*bayholdv1.HandedTool{{From: from, To: to}}}, nil
}

func (f *fake) WhereAreTools(context.Context, *bayholdv1.WhereAreToolsRequest) (*bayholdv1.WhereAreToolsResponse, error) {
	all, issues := fixtureTools(), fixtureIssues()
	return &bayholdv1.WhereAreToolsResponse{Places: []*bayholdv1.PlacedTool{
		{Tool: all[0], Issue: issues[0]},
		{Tool: all[1]},
		{Tool: all[2], Issue: issues[1], WaitingBookings: []*bayholdv1.Booking{
			booking("106", "tools/TW-04", "R-19", ts(nov, 25, 7, 0), ts(nov, 25, 12, 0), bayholdv1.BookingState_BOOKING_STATE_CONFIRMED),
		}},
		{Tool: &bayholdv1.Tool{Name: harbour + "/tools/LK-02", Condition: bayholdv1.Condition_CONDITION_UNSERVICEABLE, ConditionNote: "1 × pin missing", Home: "shelf A"}},
	}}, nil
}

func (f *fake) GetToolHistory(context.Context, *bayholdv1.GetToolHistoryRequest) (*bayholdv1.GetToolHistoryResponse, error) {
	first, second := fixtureIssues()[0], fixtureIssues()[0]
	first.Outcome, first.ReturnTime, first.ReturnedBy = bayholdv1.Issue_OUTCOME_HANDED_OVER, ts(nov, 25, 9, 0), "ben"
	second.Id, second.Technician, second.IssueTime, second.IssuedBy = 5, harbour+"/technicians/ben", ts(nov, 25, 9, 0), "ben"
	second.Outcome, second.ReturnTime, second.ReturnedBy, second.Note = bayholdv1.Issue_OUTCOME_RETURNED, ts(nov, 25, 14, 0), "ben", "pin was stiff"
	second.Counted = []*bayholdv1.CountedPiece{{DisplayName: "cam plate", Count: 1}, {DisplayName: "pin", Count: 1, Damaged: 1}}
	return &bayholdv1.GetToolHistoryResponse{
		Issues: []*bayholdv1.Issue{second, first},
		Conditions: []*bayholdv1.ConditionEntry{
			{Condition: bayholdv1.Condition_CONDITION_UNSERVICEABLE, Since: ts(nov, 25, 14, 0), Reason: "1 × cam plate missing, 1 × pin damaged", Actor: "ben"},
			{Condition: bayholdv1.Condition_CONDITION_SERVICEABLE, Since: ts(nov, 20, 8, 0), Actor: "mia"},
			{Condition: bayholdv1.Condition_CONDITION_QUARANTINED, Since: ts(nov, 18, 8, 0), ExpectedEnd: ts(nov, 21, 8, 0), Reason: "looked bent", Actor: "mia"},
		},
	}, nil
}

func (f *fake) CreateTool(_ context.Context, r *bayholdv1.CreateToolRequest) (*bayholdv1.CreateToolResponse, error) {
	t := proto.CloneOf(r.GetTool())
	if t.GetCondition() == 0 {
		t.Condition = bayholdv1.Condition_CONDITION_SERVICEABLE
	}
	return &bayholdv1.CreateToolResponse{Tool: t}, nil
}

func (f *fake) CreateToolType(_ context.Context, r *bayholdv1.CreateToolTypeRequest) (*bayholdv1.CreateToolTypeResponse, error) {
	return &bayholdv1.CreateToolTypeResponse{ToolType: r.GetToolType()}, nil
}

func (f *fake) UpdateToolType(_ context.Context, r *bayholdv1.UpdateToolTypeRequest) (*bayholdv1.UpdateToolTypeResponse, error) {
	t, err := named(fixtureToolTypes(), r.GetToolType().GetName())
	if err != nil {
		return nil, err
	}
	t.CalibrationMonths = r.GetToolType().GetCalibrationMonths()
	return &bayholdv1.UpdateToolTypeResponse{ToolType: t}, nil
}

func (f *fake) ExportTools(context.Context, *bayholdv1.ExportToolsRequest) (*bayholdv1.ExportToolsResponse, error) {
	return &bayholdv1.ExportToolsResponse{Content: []byte("tag,type\nLK-01,lock-orlo-20\n")}, nil
}
