package rpc

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// walk is a time at the small workshop in which each method that changes
// something is called at least once, with a request that is right at that point.
type walk struct {
	clients
	t *testing.T
	// first is done before a request is carried out, then after it; nil: nothing is.
	first  func(protoreflect.MethodDescriptor, proto.Message)
	then   func(protoreflect.MethodDescriptor)
	walked map[string]bool
}

// act carries out a call, and gives what it answered.
func act[T proto.Message](w *walk, service, method string, req proto.Message, into T) T {
	w.t.Helper()
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName("bayhold.v1." + service))
	if err != nil {
		w.t.Fatal(err)
	}
	m := d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(method))
	id := m.Input().Fields().ByName("request_id")
	req.ProtoReflect().Set(id, protoreflect.ValueOfString(uuid.NewString()))
	if w.first != nil {
		w.first(m, req)
	}
	w.walked[method] = true
	if err := w.conn.Invoke(w.t.Context(), "/bayhold.v1."+service+"/"+method, req, into); err != nil {
		w.t.Fatalf("%s(%v): %v", method, req, status.Convert(err).Proto())
	}
	if w.then != nil {
		w.then(m)
	}
	return into
}

// until sets the server's clock.
func (w *walk) until(t time.Time) { w.house.ahead.Store(int64(t.Sub(monday))) }

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

// all walks through everything.
func (w *walk) all() {
	w.until(monday.Add(time.Hour))
	w.people()
	w.things()
	w.calibrations()
	reserved := w.reservations()
	w.atTheEngine(w.plans())
	w.backEarly(reserved)
}

func (w *walk) people() {
	zoe := &bayholdv1.User{Name: quay + "/users/zoe", Roles: []bayholdv1.Role{bayholdv1.Role_ROLE_MANAGER}}
	act(w, "AccessService", "AddUser", &bayholdv1.AddUserRequest{Parent: quay, User: zoe}, &bayholdv1.AddUserResponse{})
	zoe.DisplayName = "Zoe"
	act(w, "AccessService", "UpdateUser", &bayholdv1.UpdateUserRequest{User: zoe, UpdateMask: mask("display_name")}, &bayholdv1.UpdateUserResponse{})
	act(w, "AccessService", "MakeToken", &bayholdv1.MakeTokenRequest{Parent: zoe.GetName(), TokenId: "tablet"}, &bayholdv1.MakeTokenResponse{})
	act(w, "AccessService", "RevokeToken", &bayholdv1.RevokeTokenRequest{Name: zoe.GetName() + "/tokens/tablet"}, &bayholdv1.RevokeTokenResponse{})
	link := act(w, "BoardService", "CreateLink", &bayholdv1.CreateLinkRequest{Parent: quay, DisplayName: "wall"}, &bayholdv1.CreateLinkResponse{})
	act(w, "BoardService", "RevokeLink", &bayholdv1.RevokeLinkRequest{Name: link.GetLink().GetName()}, &bayholdv1.RevokeLinkResponse{})
}

func (w *walk) things() {
	act(w, "SiteService", "UpdateSite", &bayholdv1.UpdateSiteRequest{
		Site: &bayholdv1.Site{Name: quay, DisplayName: "Other quay"}, UpdateMask: mask("display_name"),
	}, &bayholdv1.UpdateSiteResponse{})
	act(w, "BayService", "UpdateBay", &bayholdv1.UpdateBayRequest{
		Bay: &bayholdv1.Bay{Name: quay + "/bays/bay-1", DisplayName: "Door side"}, UpdateMask: mask("display_name"),
	}, &bayholdv1.UpdateBayResponse{})
	act(w, "TechnicianService", "UpdateTechnician", &bayholdv1.UpdateTechnicianRequest{
		Technician: &bayholdv1.Technician{Name: quay + "/technicians/cem", Skills: []string{"engine", "timing"}}, UpdateMask: mask("skills"),
	}, &bayholdv1.UpdateTechnicianResponse{})
	kind := &bayholdv1.ToolType{Name: quay + "/toolTypes/puller", DisplayName: "Puller", Purpose: bayholdv1.Purpose_PURPOSE_OTHER}
	act(w, "ToolService", "CreateToolType", &bayholdv1.CreateToolTypeRequest{ToolType: kind}, &bayholdv1.CreateToolTypeResponse{})
	tool := &bayholdv1.Tool{Name: quay + "/tools/PU-1", ToolType: kind.GetName(), Home: "wall 1"}
	act(w, "ToolService", "CreateTool", &bayholdv1.CreateToolRequest{Tool: tool}, &bayholdv1.CreateToolResponse{})
	kind.DisplayName = "Puller, three arms"
	act(w, "ToolService", "UpdateToolType", &bayholdv1.UpdateToolTypeRequest{ToolType: kind, UpdateMask: mask("display_name")}, &bayholdv1.UpdateToolTypeResponse{})
	tool.Home = "wall 2"
	act(w, "ToolService", "UpdateTool", &bayholdv1.UpdateToolRequest{Tool: tool, UpdateMask: mask("home")}, &bayholdv1.UpdateToolResponse{})
	w.takeIn(`
engine_families: [{id: odd-three, name: Odd three}]
bays: [{id: bay-3, name: Bay 3}]
technicians: [{id: dee, name: Dee, shifts: {mon: "08:00-12:00"}}]
tool_types: [{id: tester, name: Tester, purpose: TORQUE, torque: 10-400 Nm, iso: I A, permissible: 1 %, calibrated: true}]
tools: [{tag: TE-1, type: tester, calibrated_until: 2031-12-01}]
preparations: [{id: drained, title: Drained, family: odd-three, set_up: [{id: drain, title: Drain, estimate: 10}], put_back: [{id: fill, title: Fill, estimate: 10}]}]
procedures: [{id: look, title: Look, family: odd-three, state: DRAFT, steps: [{id: look, title: Look, estimate: 10}]}]
bookings: [{reference: W-80, bay: bay-3, start: 2031-08-05 09:00, end: 2031-08-05 11:00}]`)
	w.takeIn(`
site: {id: quay, name: Third quay, time_zone: Europe/Lisbon}
engine_families: [{id: odd-three, name: Odder three}]
bays: [{id: bay-3, name: Bay Three}]
technicians: [{id: dee, name: Dee, shifts: {tue: "08:00-12:00"}}]
tool_types: [{id: tester, name: Torque tester, purpose: TORQUE, torque: 10-400 Nm, iso: I A, permissible: 1 %, calibrated: true}]
tools: [{tag: TE-1, type: tester, calibrated_until: 2031-12-01, home: bench}]
preparations: [{id: drained, title: Drained, family: odd-three, set_up: [{id: drain, title: Drain, estimate: 20}], put_back: [{id: fill, title: Fill, estimate: 10}]}]
procedures: [{id: look, title: Look, family: odd-three, state: DRAFT, steps: [{id: open, title: Open, estimate: 5}, {id: look, title: Look, estimate: 15}]}]
bookings: [{reference: W-80, bay: bay-3, start: 2031-08-05 09:00, end: 2031-08-05 12:00}]`)
	act(w, "ProcedureService", "UpdateProcedure", &bayholdv1.UpdateProcedureRequest{
		Procedure:  &bayholdv1.Procedure{Name: quay + "/procedures/unfinished", Version: 1, State: bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED},
		UpdateMask: mask("state"),
	}, &bayholdv1.UpdateProcedureResponse{})
}

func (w *walk) takeIn(content string) {
	w.t.Helper()
	act(w, "SiteService", "ImportWorkshop", &bayholdv1.ImportWorkshopRequest{
		Parent: quay, Files: []*bayholdv1.WorkshopFile{{Name: "more.yaml", Content: []byte(content)}},
	}, &bayholdv1.ImportWorkshopResponse{})
}

// calibrations are those of TW-2, which nothing is booked with.
func (w *walk) calibrations() {
	const tw2 = quay + "/tools/TW-2"
	intervals := bayholdv1.NewIntervalServiceClient(w.conn)
	stands, err := intervals.GetCalibrationPolicy(w.t.Context(), &bayholdv1.GetCalibrationPolicyRequest{Parent: quay})
	if err != nil {
		w.t.Fatal(err)
	}
	policy := stands.GetPolicy()
	policy.Due.Cycles = 4000
	act(w, "IntervalService", "SetCalibrationPolicy", &bayholdv1.SetCalibrationPolicyRequest{Parent: quay, Policy: policy, PreviousTime: stands.GetTime()}, &bayholdv1.SetCalibrationPolicyResponse{})
	for i := range 6 {
		act(w, "CalibrationService", "RecordCertificate", &bayholdv1.RecordCertificateRequest{
			Parent: tw2, Certificate: certificate(fmt.Sprintf("C-%d", i), fmt.Sprintf("%d-05-01", 2026+i), 40, 202), Document: []byte("%PDF-1.7"),
		}, &bayholdv1.RecordCertificateResponse{})
	}
	act(w, "IntervalService", "ApplyInterval", &bayholdv1.ApplyIntervalRequest{
		Name: tw2, Method: bayholdv1.ReviewMethod_REVIEW_METHOD_STAIRCASE, Days: 547,
	}, &bayholdv1.ApplyIntervalResponse{})
	tightening := imported("p-1", 3, 0.04)
	tightening.Tool = tw2
	act(w, "TraceService", "ImportTightenings", &bayholdv1.ImportTighteningsRequest{
		Parent: quay, Tightenings: []*bayholdv1.ImportedTightening{tightening},
	}, &bayholdv1.ImportTighteningsResponse{})
	act(w, "CalibrationService", "RecordCertificate", &bayholdv1.RecordCertificateRequest{Parent: tw2, Certificate: certificate("C-9", "2031-05-08", 38, 190)}, &bayholdv1.RecordCertificateResponse{})
	traces := bayholdv1.NewTraceServiceClient(w.conn)
	trace, err := traces.TraceTool(w.t.Context(), &bayholdv1.TraceToolRequest{Name: tw2, Finding: "C-9"})
	if err != nil {
		w.t.Fatal(err)
	}
	act(w, "TraceService", "CloseTraceLines", &bayholdv1.CloseTraceLinesRequest{
		Name: tw2, Lines: []string{trace.GetLines()[0].GetTightening().GetId()},
		Decision: &bayholdv1.TraceDecision{Answer: bayholdv1.TraceAnswer_TRACE_ANSWER_RECHECKED, Note: "121 N·m"},
	}, &bayholdv1.CloseTraceLinesResponse{})
	act(w, "CalibrationService", "RecordCheck", &bayholdv1.RecordCheckRequest{Parent: tw2, Check: &bayholdv1.IntermediateCheck{
		Time: at(11, 12), Tester: quay + "/tools/TE-1", Points: []*bayholdv1.CalibrationPoint{{
			NominalNm: 100, Direction: bayholdv1.TurningDirection_TURNING_DIRECTION_CLOCKWISE, AsFoundNm: []float64{100, 101, 99},
		}},
	}}, &bayholdv1.RecordCheckResponse{})
	act(w, "CalibrationService", "RecordToolEvent", &bayholdv1.RecordToolEventRequest{
		Parent: tw2, Event: &bayholdv1.ToolEvent{Time: at(11, 15), Kind: bayholdv1.ToolEventKind_TOOL_EVENT_KIND_DROP},
	}, &bayholdv1.RecordToolEventResponse{})
	act(w, "LeaveService", "BookLeave", &bayholdv1.BookLeaveRequest{
		Name: tw2, During: &bayholdv1.TimeRange{Start: at(20, 8), End: at(22, 8)}, Note: "to the laboratory",
	}, &bayholdv1.BookLeaveResponse{})
}

// reservations come and go; it gives the job of one that stays.
func (w *walk) reservations() string {
	reserve := func(reference string, expires *timestamppb.Timestamp) string {
		state := bayholdv1.BookingState_BOOKING_STATE_CONFIRMED
		if expires != nil {
			state = bayholdv1.BookingState_BOOKING_STATE_TENTATIVE
		}
		got := act(w, "BookingService", "Reserve", &bayholdv1.ReserveRequest{
			Parent: quay, Reference: reference, Resources: []string{quay + "/bays/bay-1", quay + "/tools/PU-1"}, State: state, ExpireTime: expires,
			During: &bayholdv1.TimeRange{Start: at(28, 8), End: at(28, 12)},
		}, &bayholdv1.ReserveResponse{})
		return got.GetJob().GetName()
	}
	job := reserve("R-1", at(12, 12))
	act(w, "BookingService", "ConfirmJob", &bayholdv1.ConfirmJobRequest{Name: job}, &bayholdv1.ConfirmJobResponse{})
	act(w, "BookingService", "CancelJob", &bayholdv1.CancelJobRequest{Name: job, Reason: "not needed"}, &bayholdv1.CancelJobResponse{})
	reserve("R-2", at(12, 9))
	w.until(monday.Add(3 * time.Hour))
	return reserve("R-3", nil) // what R-2 held has lapsed
}

// plans books a job, in place of another, and moves it out of the way of an
// outage. It gives the job as it stands then.
func (w *walk) plans() *bayholdv1.Job {
	plan := func() *bayholdv1.Plan {
		found, err := w.planning.FindPlans(w.t.Context(), &bayholdv1.FindPlansRequest{Parent: quay, Procedures: []string{quay + "/procedures/chain"}, EarliestTime: at(16, 8)})
		if err != nil {
			w.t.Fatal(err)
		}
		return found.GetOptions()[0].GetPlan()
	}
	order := &bayholdv1.BookPlanRequest{Parent: quay, Reference: "W-1", Plan: plan(), State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED}
	first := act(w, "BookingService", "BookPlan", order, &bayholdv1.BookPlanResponse{})
	order.Reference, order.ReplacedJob = "W-2", first.GetJob().GetName()
	job := act(w, "BookingService", "BookPlan", order, &bayholdv1.BookPlanResponse{}).GetJob()
	act(w, "JobService", "UpdateJobPart", &bayholdv1.UpdateJobPartRequest{
		Name: job.GetName(), Part: "chain-kit", State: bayholdv1.PartState_PART_STATE_HERE,
	}, &bayholdv1.UpdateJobPartResponse{})
	repair, err := bayholdv1.NewArrangementServiceClient(w.conn).ProposeRepair(w.t.Context(), &bayholdv1.ProposeRepairRequest{
		Parent: quay, Event: &bayholdv1.ProposeRepairRequest_Outage{Outage: &bayholdv1.Outage{Resource: lk1, During: &bayholdv1.TimeRange{Start: at(16, 8), End: at(19, 8)}}},
	})
	if err != nil {
		w.t.Fatal(err)
	}
	act(w, "ArrangementService", "BookArrangement", &bayholdv1.BookArrangementRequest{
		Parent: quay, Jobs: repair.GetJobs(), Reason: "locks out",
	}, &bayholdv1.BookArrangementResponse{})
	got, err := w.job.GetJob(w.t.Context(), &bayholdv1.GetJobRequest{Name: job.GetName()})
	if err != nil {
		w.t.Fatal(err)
	}
	return got.GetJob()
}

// atTheEngine does a job from the drawing of its tools to its close.
func (w *walk) atTheEngine(job *bayholdv1.Job) {
	const ada, ben, mu1 = quay + "/technicians/ada", quay + "/technicians/ben", quay + "/tools/MU-1"
	name, now := job.GetName(), job.GetPlanned().GetStart().AsTime()
	later := func(minutes int) {
		now = now.Add(time.Duration(minutes) * time.Minute)
		w.until(now)
	}
	later(0)
	act(w, "IssueService", "IssueTools", &bayholdv1.IssueToolsRequest{Parent: quay, Tools: []string{lk1, mu1}, Technician: ada, Job: name}, &bayholdv1.IssueToolsResponse{})
	act(w, "IssueService", "HandOverTools", &bayholdv1.HandOverToolsRequest{Parent: quay, Tools: []string{lk1}, Technician: ben}, &bayholdv1.HandOverToolsResponse{})
	start := func(step string) {
		act(w, "RecordService", "StartStep", &bayholdv1.StartStepRequest{Name: name, Step: step, Technician: ada}, &bayholdv1.StartStepResponse{})
	}
	finish := func(step string) {
		act(w, "RecordService", "FinishStep", &bayholdv1.FinishStepRequest{Name: name, Step: step, Technician: ada}, &bayholdv1.FinishStepResponse{})
	}
	start("remove")
	later(20)
	act(w, "RecordService", "PauseStep", &bayholdv1.PauseStepRequest{Name: name, Step: "remove", Technician: ada, Note: "telephone"}, &bayholdv1.PauseStepResponse{})
	start("remove")
	act(w, "RecordService", "ReportDelay", &bayholdv1.ReportDelayRequest{Name: name, Step: "remove", Technician: ada, ExtraMinutes: 10, Reason: "a bolt will not move"}, &bayholdv1.ReportDelayResponse{})
	later(50)
	finish("remove")
	start("fit-locks")
	later(30)
	finish("fit-locks")
	tick := func(step, part string) {
		act(w, "RecordService", "TickPart", &bayholdv1.TickPartRequest{Name: name, Step: step, Technician: ada, Part: part, Quantity: 1}, &bayholdv1.TickPartResponse{})
	}
	start("renew")
	tick("renew", "chain-kit")
	later(60)
	finish("renew")
	start("crank-bolt")
	tick("crank-bolt", "crank-bolt")
	read := act(w, "RecordService", "RecordReadings", &bayholdv1.RecordReadingsRequest{Name: name, Step: "crank-bolt", Technician: ada, Measurements: []*bayholdv1.Measurement{
		{Fastener: 1, Stage: 1, Value: 102, Unit: "Nm", Tool: mu1}, {Fastener: 1, Stage: 2, Value: 270, Unit: "deg", Tool: mu1},
	}}, &bayholdv1.RecordReadingsResponse{})
	act(w, "RecordService", "CorrectReading", &bayholdv1.CorrectReadingRequest{
		Name: name, Reading: read.GetReadings()[0].GetId(), Technician: ada,
		Measurement: &bayholdv1.Measurement{Fastener: 1, Stage: 1, Value: 101, Unit: "Nm", Tool: mu1, Note: "misread"},
	}, &bayholdv1.CorrectReadingResponse{})
	later(30)
	for _, who := range []string{ada, ben} {
		act(w, "RecordService", "SignStep", &bayholdv1.SignStepRequest{Name: name, Step: "crank-bolt", Technician: who}, &bayholdv1.SignStepResponse{})
	}
	finish("crank-bolt")
	start("take-locks-off")
	later(10)
	finish("take-locks-off")
	act(w, "RecordService", "WaiveStep", &bayholdv1.WaiveStepRequest{Name: name, Step: "refit", Reason: "the cover comes tomorrow"}, &bayholdv1.WaiveStepResponse{})
	for _, tool := range []string{lk1, mu1} {
		act(w, "IssueService", "ReturnTool", &bayholdv1.ReturnToolRequest{Name: tool, RestComplete: true, Done: true}, &bayholdv1.ReturnToolResponse{})
	}
	act(w, "RecordService", "CloseJob", &bayholdv1.CloseJobRequest{Name: name}, &bayholdv1.CloseJobResponse{})
}

// backEarly hands out a tool that is reserved, and takes it back before its time.
func (w *walk) backEarly(job string) {
	const pu1 = quay + "/tools/PU-1"
	w.until(at(28, 9).AsTime())
	act(w, "IssueService", "IssueTools", &bayholdv1.IssueToolsRequest{
		Parent: quay, Tools: []string{pu1}, Technician: quay + "/technicians/ada", Job: job,
	}, &bayholdv1.IssueToolsResponse{})
	w.until(at(28, 10).AsTime())
	act(w, "IssueService", "ReturnTool", &bayholdv1.ReturnToolRequest{Name: pu1, Done: true, Damage: "an arm is bent"}, &bayholdv1.ReturnToolResponse{})
}
