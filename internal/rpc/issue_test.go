package rpc

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"bayhold/internal/access"
	"bayhold/internal/site"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

const lk1 = quay + "/tools/LK-1"

func TestAToolGoesOutAndComesBackOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.house.ahead.Store(int64(2 * time.Hour)) // 09:00
	token := c.house.enrol(t, "quay", site.User{ID: "ada", Technician: "ada", Roles: []access.Role{access.Technician}})
	ada := bayholdv1.NewIssueServiceClient(c.house.dial(t, token))
	c.reserve(t, lk1, 20, 21)

	out := &bayholdv1.IssueToolsRequest{Parent: quay, Tools: []string{lk1}, RequestId: uuid.NewString()}
	issued, err := ada.IssueTools(t.Context(), out)
	if err != nil {
		t.Fatal(err)
	}
	i := issued.GetIssued()[0].GetIssue()
	if i.GetTechnician() != quay+"/technicians/ada" || i.GetIssuedBy() != "ada" || !i.GetDueTime().AsTime().Equal(at(12, 17).AsTime()) || i.GetJob() != "" {
		t.Errorf("issued %v", i)
	}
	again, err := ada.IssueTools(t.Context(), out)
	if err != nil || cmp.Diff(issued, again, protocmp.Transform()) != "" {
		t.Errorf("a repeat answered %v, %v", again, err)
	}
	out.RequestId = uuid.NewString()
	_, err = ada.IssueTools(t.Context(), out)
	wantCode(t, err, codes.FailedPrecondition)
	why := detail[*errdetails.PreconditionFailure](err).GetViolations()
	if len(why) != 1 || why[0].GetSubject() != "tools/LK-1" || !strings.HasPrefix(why[0].GetDescription(), "is out with ada") {
		t.Errorf("violations %v", why)
	}
	places, err := ada.WhereAreTools(t.Context(), &bayholdv1.WhereAreToolsRequest{Parent: quay, Technician: quay + "/technicians/ada"})
	if err != nil || len(places.GetPlaces()) != 1 || places.GetPlaces()[0].GetIssue().GetLate() {
		t.Errorf("places %v, %v", places, err)
	}
	handed, err := ada.HandOverTools(t.Context(), &bayholdv1.HandOverToolsRequest{
		Parent: quay, Tools: []string{lk1}, Technician: quay + "/technicians/ben", Bay: quay + "/bays/bay-2", RequestId: uuid.NewString(),
	})
	if err != nil || handed.GetHanded()[0].GetTo().GetBay() != quay+"/bays/bay-2" || handed.GetHanded()[0].GetFrom().GetOutcome() != bayholdv1.Issue_OUTCOME_HANDED_OVER {
		t.Errorf("handed %v, %v", handed, err)
	}
	back := &bayholdv1.ReturnToolRequest{Name: lk1, Counted: []*bayholdv1.CountedPiece{{DisplayName: "cam plate", Count: -1}}, RestComplete: true, RequestId: uuid.NewString()}
	_, err = ada.ReturnTool(t.Context(), back)
	wantCode(t, err, codes.PermissionDenied) // Ben has it
	all := bayholdv1.NewIssueServiceClient(c.conn)
	_, err = all.ReturnTool(t.Context(), back)
	wantCode(t, err, codes.InvalidArgument)
	back.Counted[0].Count = 1
	returned, err := all.ReturnTool(t.Context(), back)
	if err != nil || returned.GetTool().GetCondition() != bayholdv1.Condition_CONDITION_UNSERVICEABLE || len(returned.GetAffectedBookings()) == 0 ||
		returned.GetTool().GetMissing()[0].GetCount() != 1 {
		t.Errorf("returned %v, %v", returned, err)
	}
	h, err := ada.GetToolHistory(t.Context(), &bayholdv1.GetToolHistoryRequest{Name: lk1})
	if err != nil || len(h.GetIssues()) != 2 || len(h.GetConditions()) != 2 || h.GetIssues()[0].GetOutcome() != bayholdv1.Issue_OUTCOME_RETURNED {
		t.Errorf("history %v, %v", h, err)
	}
}

func TestTheInventoryByHandAndByFile(t *testing.T) {
	t.Parallel()
	c := small(t)
	kind := &bayholdv1.ToolType{
		Name: quay + "/toolTypes/wrench-25", DisplayName: "Torque wrench 5 to 25", Purpose: bayholdv1.Purpose_PURPOSE_TORQUE,
		TorqueMinNm: 5, TorqueMaxNm: 25, Calibrated: true, IsoType: "II", IsoClass: "A", PermissibleDeviation: 0.07, CalibrationMonths: 6,
		EngineFamilies: []string{quay + "/engineFamilies/brill-four"}, Pieces: []*bayholdv1.Piece{{DisplayName: "case", Count: 1}},
	}
	for want, req := range map[codes.Code]*bayholdv1.CreateToolTypeRequest{
		codes.OK:              {ToolType: kind, RequestId: uuid.NewString()},
		codes.InvalidArgument: {ToolType: &bayholdv1.ToolType{Name: quay + "/toolTypes/x", DisplayName: "X"}, RequestId: uuid.NewString()},
	} {
		_, err := c.tool.CreateToolType(t.Context(), req)
		wantCode(t, err, want)
	}
	_, err := c.tool.CreateToolType(t.Context(), &bayholdv1.CreateToolTypeRequest{ToolType: kind, RequestId: uuid.NewString()})
	wantCode(t, err, codes.AlreadyExists)
	tool := &bayholdv1.Tool{
		Name: quay + "/tools/TW-25", ToolType: kind.GetName(), Home: "drawer", PhotoUrl: "https://files.example.org/tw.jpg", CalibratedUntil: at(30, 8),
	}
	made, err := c.tool.CreateTool(t.Context(), &bayholdv1.CreateToolRequest{Tool: tool, RequestId: uuid.NewString()})
	if err != nil || made.GetTool().GetCondition() != bayholdv1.Condition_CONDITION_SERVICEABLE {
		t.Fatalf("made %v, %v", made, err)
	}
	bad := &bayholdv1.Tool{Name: quay + "/tools/tw-26", ToolType: kind.GetName()}
	_, err = c.tool.CreateTool(t.Context(), &bayholdv1.CreateToolRequest{Tool: bad, RequestId: uuid.NewString()})
	wantCode(t, err, codes.InvalidArgument)
	_, err = c.tool.UpdateTool(t.Context(), &bayholdv1.UpdateToolRequest{
		Tool: &bayholdv1.Tool{Name: tool.GetName(), PhotoUrl: "http://files.example.org/tw.jpg"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"photo_url"}}, RequestId: uuid.NewString(),
	})
	wantCode(t, err, codes.InvalidArgument)

	// What the mask names changes; a change that hits bookings tells them.
	c.reserve(t, tool.GetName(), 20, 21)
	changed, err := c.tool.UpdateToolType(t.Context(), &bayholdv1.UpdateToolTypeRequest{
		ToolType: &bayholdv1.ToolType{Name: quay + "/toolTypes/brill-locks", Calibrated: true}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"calibrated"}}, RequestId: uuid.NewString(),
	})
	if err != nil || !changed.GetToolType().GetCalibrated() || len(changed.GetToolType().GetPieces()) != 2 || len(changed.GetAffectedBookings()) != 1 {
		t.Errorf("changed %v, %v", changed, err)
	}
	lost, err := c.tool.UpdateTool(t.Context(), &bayholdv1.UpdateToolRequest{
		Tool:       &bayholdv1.Tool{Name: tool.GetName(), Condition: bayholdv1.Condition_CONDITION_LOST, ConditionNote: "not in its drawer", Missing: []*bayholdv1.Piece{{DisplayName: "case", Count: 1}}},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"condition", "condition_note", "missing"}}, RequestId: uuid.NewString(),
	})
	if err != nil || len(lost.GetAffectedBookings()) != 1 {
		t.Errorf("lost %v, %v", lost, err)
	}

	// What is exported is imported without a change.
	for _, files := range [][]bayholdv1.ExportToolsRequest_Format{
		{bayholdv1.ExportToolsRequest_FORMAT_YAML},
		{bayholdv1.ExportToolsRequest_FORMAT_CSV_TOOL_TYPES, bayholdv1.ExportToolsRequest_FORMAT_CSV_TOOLS},
	} {
		in := &bayholdv1.ImportWorkshopRequest{Parent: quay, RequestId: uuid.NewString(), ToolsOnly: true}
		for _, format := range files {
			out, err := c.tool.ExportTools(t.Context(), &bayholdv1.ExportToolsRequest{Parent: quay, Format: format})
			if err != nil {
				t.Fatal(err)
			}
			name := map[bool]string{true: "tools.yaml", false: format.String() + ".csv"}[format == bayholdv1.ExportToolsRequest_FORMAT_YAML]
			in.Files = append(in.Files, &bayholdv1.WorkshopFile{Name: name, Content: out.GetContent()})
		}
		imported, err := c.site.ImportWorkshop(t.Context(), in)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range imported.GetCounts() {
			if n.GetAdded()+n.GetChanged() != 0 || strings.HasPrefix(n.GetKind(), "tool") && n.GetUnchanged() == 0 {
				t.Errorf("%v: %v", files, n)
			}
		}
	}
	_, err = c.tool.ExportTools(t.Context(), &bayholdv1.ExportToolsRequest{Parent: quay})
	wantCode(t, err, codes.InvalidArgument)
}

// A table that changes conditions tells whom that hits; one that does not speak
// of the condition leaves it.
func TestATableOfToolsTellsWhomItHits(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.reserve(t, lk1, 20, 21)
	take := func(content string) (*bayholdv1.ImportWorkshopResponse, error) {
		return c.site.ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
			Parent: quay, RequestId: uuid.NewString(), Files: []*bayholdv1.WorkshopFile{{Name: "t.csv", Content: []byte(content)}},
		})
	}
	out, err := take("tag,type,condition,note,missing\r\nLK-1,brill-locks,UNSERVICEABLE,stocktaking,crank pin=1\r\n")
	if err != nil || len(out.GetAffectedBookings()) != 2 {
		t.Fatalf("%v, %v", out, err)
	}
	if out, err = take("tag,type,home\r\nLK-1,brill-locks,Cabinet 9\r\n"); err != nil || len(out.GetAffectedBookings()) != 2 {
		t.Fatalf("%v, %v", out, err)
	}
	got, err := c.tool.GetTool(t.Context(), &bayholdv1.GetToolRequest{Name: lk1})
	if err != nil || got.GetTool().GetCondition() != bayholdv1.Condition_CONDITION_UNSERVICEABLE || got.GetTool().GetHome() != "Cabinet 9" || len(got.GetTool().GetMissing()) != 1 {
		t.Errorf("%v, %v", got, err)
	}
	_, err = take("tag,type,condition\r\nLK-1,brill-locks,SERVICEABLE\r\nLK-2,nothing,\r\nLK-3,brill-locks,SHINY\r\n")
	wantCode(t, err, codes.InvalidArgument)
	if faults := detail[*errdetails.BadRequest](err).GetFieldViolations(); len(faults) != 2 || faults[0].GetField() != "t.csv:B3" || faults[1].GetField() != "t.csv:C4" {
		t.Errorf("faults %v", faults)
	}
	if got, err := c.tool.GetTool(t.Context(), &bayholdv1.GetToolRequest{Name: lk1}); err != nil || got.GetTool().GetCondition() != bayholdv1.Condition_CONDITION_UNSERVICEABLE {
		t.Errorf("half of it was written: %v, %v", got, err)
	}
}
