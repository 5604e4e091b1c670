package rpc

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// imported is a tightening of TW-1 at 120 N·m.
func imported(source string, day int, tolerance float64) *bayholdv1.ImportedTightening {
	return &bayholdv1.ImportedTightening{Tool: tw1, Tightening: &bayholdv1.Tightening{
		Source: source, Time: at(day, 10), Job: "W-7", Joint: "cam wheel", Fastener: "bolt 1", Stage: 1,
		WantedNm: 120, SetNm: 120, Tolerance: tolerance, Person: "ada",
	}}
}

func TestTraceOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	traces := bayholdv1.NewTraceServiceClient(c.conn)
	c.record(t, tw1, certificate("C-1", "2031-05-01", 40, 200))
	req := &bayholdv1.ImportTighteningsRequest{
		Parent: quay, RequestId: uuid.NewString(), Tightenings: []*bayholdv1.ImportedTightening{imported("p-1", 3, 0.04), imported("p-2", 4, 0.1)},
	}
	got, err := traces.ImportTightenings(ctx, req)
	if err != nil || got.GetTakenIn() != 2 {
		t.Fatalf("%v, %v", got, err)
	}
	found := c.record(t, tw1, certificate("C-2", "2031-05-08", 38, 190))
	if s := found.GetTrace(); s.GetLines() != 2 || s.GetOutside() != 1 || s.GetInside() != 1 || s.GetOpen() != 2 || s.GetTitle() != "certificate C-2" {
		t.Fatalf("trace: %v", s)
	}
	trace, err := traces.TraceTool(ctx, &bayholdv1.TraceToolRequest{Name: tw1, Finding: "C-2"})
	if err != nil || len(trace.GetLines()) != 2 || len(trace.GetFindings()) != 1 || len(trace.GetCheckRule()) == 0 {
		t.Fatalf("%v, %v", trace, err)
	}
	// 5 % too little at both points, so between them too.
	line := trace.GetLines()[0]
	if math.Abs(line.GetTorqueNm()-114) > 1e-9 || line.GetImpact() != bayholdv1.TraceImpact_TRACE_IMPACT_OUTSIDE || line.GetGoodBy() != "certificate C-1" {
		t.Errorf("%v", line)
	}
	want := imported("p-1", 3, 0.04).GetTightening()
	want.Id = line.GetTightening().GetId()
	if diff := cmp.Diff(want, line.GetTightening(), protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	closing := &bayholdv1.CloseTraceLinesRequest{
		Name: tw1, Lines: []string{want.GetId()}, RequestId: uuid.NewString(),
		Decision: &bayholdv1.TraceDecision{Answer: bayholdv1.TraceAnswer_TRACE_ANSWER_RECHECKED, Note: "121 N·m"},
	}
	closed, err := traces.CloseTraceLines(ctx, closing)
	if err != nil || closed.GetSummary().GetOpen() != 1 || closed.GetLines()[0].GetDecision().GetPerson() != "test" {
		t.Fatalf("%v, %v", closed, err)
	}
	again, err := traces.CloseTraceLines(ctx, closing)
	if diff := cmp.Diff(closed, again, protocmp.Transform()); err != nil || diff != "" {
		t.Errorf("the same request: %v\n%s", err, diff)
	}
	page, err := traces.GetAuditPage(ctx, &bayholdv1.GetAuditPageRequest{Parent: quay, During: &bayholdv1.TimeRange{Start: at(1, 8), End: at(12, 6)}})
	if err != nil || !strings.Contains(page.GetContent(), "certificate C-2") || page.GetContentType() != "text/html; charset=utf-8" {
		t.Errorf("%v, %v", page, err)
	}
	audit, err := c.calibration.AuditCalibration(ctx, &bayholdv1.AuditCalibrationRequest{Parent: quay, During: &bayholdv1.TimeRange{Start: at(1, 8), End: at(12, 6)}})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range audit.GetTools() {
		if x.GetTool().GetName() == tw1 && (len(x.GetTraces()) != 1 || len(x.GetOpenLines()) != 1) {
			t.Errorf("audited: %v", x)
		}
	}
	// What was decided is only ever added to.
	pool := c.house.db.Pool(t)
	for _, statement := range []string{"UPDATE trace_decision SET note = 'x'", "DELETE FROM trace_decision", "UPDATE tightening SET wanted_nm = 1", "DELETE FROM tightening"} {
		if _, err := pool.Exec(ctx, statement); err == nil {
			t.Errorf("%s is let through", statement)
		}
	}
}

func TestTracesThatCannotBe(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	traces := bayholdv1.NewTraceServiceClient(c.conn)
	bring := func(x *bayholdv1.ImportedTightening) error {
		_, err := traces.ImportTightenings(ctx, &bayholdv1.ImportTighteningsRequest{
			Parent: quay, RequestId: uuid.NewString(), Tightenings: []*bayholdv1.ImportedTightening{imported("p-0", 2, 0.1), x},
		})
		return err
	}
	for name, spoil := range map[string]func(*bayholdv1.ImportedTightening){
		"no source":      func(x *bayholdv1.ImportedTightening) { x.Tightening.Source = "" },
		"a source twice": func(x *bayholdv1.ImportedTightening) { x.Tightening.Source = "p-0" },
		"the future":     func(x *bayholdv1.ImportedTightening) { x.Tightening.Time = at(30, 8) },
		"no time":        func(x *bayholdv1.ImportedTightening) { x.Tightening.Time = nil },
		"no torque":      func(x *bayholdv1.ImportedTightening) { x.Tightening.WantedNm = 0 },
		"not a number":   func(x *bayholdv1.ImportedTightening) { x.Tightening.SetNm = math.NaN() },
		"no stage":       func(x *bayholdv1.ImportedTightening) { x.Tightening.Stage = 0 },
		"no such tool":   func(x *bayholdv1.ImportedTightening) { x.Tool = quay + "/tools/TW-9" },
		"no need of it":  func(x *bayholdv1.ImportedTightening) { x.Tool = quay + "/tools/LK-1" },
	} {
		x := imported("p-1", 3, 0.1)
		spoil(x)
		if err := bring(x); err == nil {
			t.Errorf("%s is taken", name)
		} else {
			wantCode(t, err, codes.InvalidArgument)
		}
	}
	_, err := traces.TraceTool(ctx, &bayholdv1.TraceToolRequest{Name: tw1})
	wantCode(t, err, codes.NotFound)
	_, err = traces.CloseTraceLines(ctx, &bayholdv1.CloseTraceLinesRequest{Name: tw1, Lines: []string{"tightenings/1"}, RequestId: uuid.NewString()})
	wantCode(t, err, codes.InvalidArgument)
}

func TestPolicyAndIntervalOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	intervals := bayholdv1.NewIntervalServiceClient(c.conn)
	now, err := intervals.GetCalibrationPolicy(ctx, &bayholdv1.GetCalibrationPolicyRequest{Parent: quay})
	if err != nil || now.GetTime() != nil || len(now.GetPolicy().GetClasses().GetClasses()) != 12 {
		t.Fatalf("%v, %v", now, err)
	}
	policy := now.GetPolicy()
	if j := policy.GetJoint(); j.GetTorque() != 0.04 || j.GetAngleDeg() != 5 {
		t.Errorf("by default a tightening must come within %v", j)
	}
	policy.Classes.Classes[0].Large, policy.Review.Target = 0.05, 0.9
	policy.Joint = &bayholdv1.JointPolicy{Torque: 0.03, AngleDeg: 4}
	set := &bayholdv1.SetCalibrationPolicyRequest{Parent: quay, Policy: policy, RequestId: uuid.NewString()}
	done, err := intervals.SetCalibrationPolicy(ctx, set)
	if diff := cmp.Diff(policy, done.GetPolicy(), protocmp.Transform()); err != nil || diff != "" {
		t.Fatalf("%v\n%s", err, diff)
	}
	after, err := intervals.GetCalibrationPolicy(ctx, &bayholdv1.GetCalibrationPolicyRequest{Parent: quay})
	if diff := cmp.Diff(policy, after.GetPolicy(), protocmp.Transform()); err != nil || diff != "" || after.GetPerson() != "test" {
		t.Errorf("%v, %v\n%s", after.GetPerson(), err, diff)
	}
	set.RequestId = uuid.NewString()
	_, err = intervals.SetCalibrationPolicy(ctx, set)
	wantCode(t, err, codes.FailedPrecondition)
	set.RequestId, set.PreviousTime = uuid.NewString(), after.GetTime()
	set.Policy.Joint = nil // as a client sends it that does not know of it
	done, err = intervals.SetCalibrationPolicy(ctx, set)
	if j := done.GetPolicy().GetJoint(); err != nil || j.GetTorque() != 0.03 || j.GetAngleDeg() != 4 {
		t.Errorf("what was not said is not kept: %v, %v", j, err)
	}
	if after, err = intervals.GetCalibrationPolicy(ctx, &bayholdv1.GetCalibrationPolicyRequest{Parent: quay}); err != nil {
		t.Fatal(err)
	}
	set.RequestId, set.PreviousTime = uuid.NewString(), after.GetTime()
	set.Policy.Joint = &bayholdv1.JointPolicy{Torque: 4, AngleDeg: -1}
	_, err = intervals.SetCalibrationPolicy(ctx, set)
	if n := len(detail[*errdetails.BadRequest](err).GetFieldViolations()); n != 2 {
		t.Errorf("a torque within 400 %% and an angle within less than nothing: %v", err)
	}
	set.Policy.Joint, set.RequestId = nil, uuid.NewString()
	set.Policy.Due.Months = -1
	_, err = intervals.SetCalibrationPolicy(ctx, set)
	wantCode(t, err, codes.InvalidArgument)
	set.Policy, set.RequestId = nil, uuid.NewString()
	_, err = intervals.SetCalibrationPolicy(ctx, set)
	wantCode(t, err, codes.InvalidArgument)

	for _, x := range [][2]string{{"C-1", "2030-05-08"}, {"C-2", "2031-05-08"}} {
		c.record(t, tw1, certificate(x[0], x[1], 40, 202))
	}
	applied, err := intervals.ApplyInterval(ctx, &bayholdv1.ApplyIntervalRequest{
		Name: tw1, Method: bayholdv1.ReviewMethod_REVIEW_METHOD_STAIRCASE, Days: 547, RequestId: uuid.NewString(),
	})
	if err != nil || applied.GetDays() != 547 || applied.GetProposal().GetResults() != 1 {
		t.Errorf("%v, %v", applied, err)
	}
	_, err = intervals.ApplyInterval(ctx, &bayholdv1.ApplyIntervalRequest{Name: tw1, Days: 547, RequestId: uuid.NewString()})
	wantCode(t, err, codes.InvalidArgument)
}

func TestLeaveOverTheWire(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	leaves := bayholdv1.NewLeaveServiceClient(c.conn)
	c.reserve(t, tw1, 13, 14)
	got, err := leaves.FindLeaves(ctx, &bayholdv1.FindLeavesRequest{Name: tw1, Days: 2, FromDate: "2031-05-13", UntilDate: "2031-05-15"})
	if err != nil || len(got.GetLeaves()) != 3 || got.GetStarts() != 3 || len(got.GetLeaves()[0].GetReasons()) != 2 {
		t.Fatalf("%v, %v", got, err)
	}
	best, worst := got.GetLeaves()[0], got.GetLeaves()[2]
	if len(best.GetHit()) != 0 || best.GetDuring().GetStart().AsTime().Format("2006-01-02 15:04") != "2031-05-14 23:00" || worst.GetUnserved() != 1 {
		t.Errorf("the best: %v, the worst: %v", best, worst)
	}
	booked, err := leaves.BookLeave(ctx, &bayholdv1.BookLeaveRequest{Name: tw1, During: best.GetDuring(), Note: "to the laboratory", RequestId: uuid.NewString()})
	if err != nil || booked.GetBooking().GetReference() != "calibration of TW-1" {
		t.Fatalf("%v, %v", booked, err)
	}
	_, err = leaves.BookLeave(ctx, &bayholdv1.BookLeaveRequest{Name: tw1, During: best.GetDuring(), RequestId: uuid.NewString()})
	wantCode(t, err, codes.Aborted)
	for _, bad := range []*bayholdv1.FindLeavesRequest{
		{Name: tw1}, {Name: tw1, Days: 91}, {Name: tw1, Days: 1, FromDate: "soon"}, {Name: tw1, Days: 1, FromDate: "2031-05-11"},
		{Name: tw1, Days: 1, FromDate: "2031-05-20", UntilDate: "2031-05-19"}, {Name: tw1, Days: 1, UntilDate: "2033-01-01"},
	} {
		_, err := leaves.FindLeaves(ctx, bad)
		wantCode(t, err, codes.InvalidArgument)
	}
}
