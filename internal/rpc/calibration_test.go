package rpc

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

const tw1 = quay + "/tools/TW-1"

// certificate is one of TW-1, 40 to 200 N·m, read at two points.
func certificate(number, date string, at40, at200 float64) *bayholdv1.Certificate {
	point := func(nominal, reading float64) *bayholdv1.CalibrationPoint {
		return &bayholdv1.CalibrationPoint{
			NominalNm: nominal, Direction: bayholdv1.TurningDirection_TURNING_DIRECTION_CLOCKWISE,
			AsFoundNm:   []float64{reading, reading, reading, reading, reading},
			Uncertainty: &bayholdv1.ExpandedUncertainty{Amount: 0.01, Relative: true, CoverageFactor: 2},
		}
	}
	return &bayholdv1.Certificate{
		Number: number, Laboratory: "Harbour Metrology", Date: date,
		Rule:   bayholdv1.DecisionRule_DECISION_RULE_SIMPLE_ACCEPTANCE,
		Points: []*bayholdv1.CalibrationPoint{point(40, at40), point(200, at200)},
	}
}

func recording(tool string, c *bayholdv1.Certificate) *bayholdv1.RecordCertificateRequest {
	return &bayholdv1.RecordCertificateRequest{Parent: tool, Certificate: c, RequestId: uuid.NewString()}
}

func (c clients) record(t *testing.T, tool string, cert *bayholdv1.Certificate) *bayholdv1.RecordCertificateResponse {
	t.Helper()
	got, err := c.calibration.RecordCertificate(t.Context(), recording(tool, cert))
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// add takes in a workshop file beside the small workshop.
func (c clients) add(t *testing.T, content string) {
	t.Helper()
	_, err := c.site.ImportWorkshop(t.Context(), &bayholdv1.ImportWorkshopRequest{
		Parent: quay, Files: []*bayholdv1.WorkshopFile{{Name: "more.yaml", Content: []byte(content)}}, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
}

func (c clients) reserve(t *testing.T, tool string, from, until int) {
	t.Helper()
	_, err := c.booking.Reserve(t.Context(), &bayholdv1.ReserveRequest{
		Parent: quay, Resources: []string{tool}, During: &bayholdv1.TimeRange{Start: at(from, 8), End: at(until, 16)},
		Reference: "W-700", State: bayholdv1.BookingState_BOOKING_STATE_CONFIRMED, RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestCertificateSetsCalibratedUntil(t *testing.T) {
	t.Parallel()
	c := small(t)
	ctx := t.Context()
	req := recording(tw1, certificate("C-1", "2031-05-08", 40.4, 199))
	got, err := c.calibration.RecordCertificate(ctx, req)
	if err != nil {
		t.Fatal(err)
	}
	a := got.GetCertificate().GetAssessment()
	if !a.GetAccepted() || a.GetPermissibleDeviation() != 0.04 || a.GetVerdict() != bayholdv1.Verdict_VERDICT_PASS {
		t.Errorf("assessed as %v", a)
	}
	// (X_a - X_r) / X_r, ISO 6789-1:2017, 7 (from memory).
	if worst, want := a.GetAsFound().GetWorstDeviation(), (40-40.4)/40.4; math.Abs(worst-want) > 1e-12 {
		t.Errorf("worst deviation %v, want %v", worst, want)
	}
	// Twelve months from a first use that may be today, its last day included,
	// in Lisbon's summer.
	until := got.GetStanding().GetTool().GetCalibratedUntil().AsTime().Format("2006-01-02 15:04")
	if until != "2032-05-12 23:00" || got.GetStanding().GetDue().GetReason() != bayholdv1.DueReason_DUE_REASON_DATE {
		t.Errorf("in calibration until %s, %v", until, got.GetStanding().GetDue())
	}
	again, err := c.calibration.RecordCertificate(ctx, req)
	if diff := cmp.Diff(got, again, protocmp.Transform()); err != nil || diff != "" {
		t.Errorf("the same request: %v\n%s", err, diff)
	}
	_, err = c.calibration.RecordCertificate(ctx, recording(tw1, certificate("C-1", "2031-05-09", 40, 200)))
	wantCode(t, err, codes.AlreadyExists)
	c.record(t, quay+"/tools/TW-2", certificate("C-1", "2031-05-09", 40, 200)) // a number is the tool's own

	one, err := c.calibration.GetCertificate(ctx, &bayholdv1.GetCertificateRequest{Name: got.GetCertificate().GetName()})
	if diff := cmp.Diff(got.GetCertificate(), one.GetCertificate(), protocmp.Transform()); err != nil || diff != "" {
		t.Errorf("read again: %v\n%s", err, diff)
	}
	_, err = c.calibration.GetCertificate(ctx, &bayholdv1.GetCertificateRequest{
		Name: strings.Replace(got.GetCertificate().GetName(), "TW-1", "TW-2", 1),
	})
	wantCode(t, err, codes.NotFound)
	// A workshop file that is taken in again leaves what is proven alone.
	c.add(t, "tools: [{tag: TW-1, type: wrench-200, calibrated_until: 2031-05-20}]")
	tool, err := c.tool.GetTool(ctx, &bayholdv1.GetToolRequest{Name: tw1})
	if err != nil || !tool.GetTool().GetCalibratedUntil().AsTime().Equal(got.GetStanding().GetTool().GetCalibratedUntil().AsTime()) {
		t.Errorf("after an import: %v, %v", tool, err)
	}
}

func TestThePaperIsKept(t *testing.T) {
	t.Parallel()
	c := small(t)
	req := recording(tw1, certificate("C-1", "2031-05-09", 40, 200))
	req.Document = append([]byte("%PDF-1.7\n"), 0, 1, 2, 255)
	got, err := c.calibration.RecordCertificate(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("%x", sha256.Sum256(req.GetDocument())); got.GetCertificate().GetDocumentSha256() != want {
		t.Errorf("hash %s, want %s", got.GetCertificate().GetDocumentSha256(), want)
	}
	for with, want := range map[bool][]byte{true: req.GetDocument(), false: nil} {
		one, err := c.calibration.GetCertificate(t.Context(), &bayholdv1.GetCertificateRequest{Name: got.GetCertificate().GetName(), WithDocument: with})
		if err != nil || !bytes.Equal(one.GetDocument(), want) || one.GetCertificate().GetDocumentSha256() == "" {
			t.Errorf("with the paper, %v: %v, %v", with, one, err)
		}
	}
	for name, document := range map[string][]byte{
		"no PDF": []byte("GIF89a"), "too large": append([]byte("%PDF-"), make([]byte, 5<<20)...),
	} {
		req := recording(tw1, certificate("C-2", "2031-05-09", 40, 200))
		req.Document = document
		_, err := c.calibration.RecordCertificate(t.Context(), req)
		if d := detail[*errdetails.BadRequest](err); len(d.GetFieldViolations()) != 1 || d.GetFieldViolations()[0].GetField() != "document" {
			t.Errorf("a paper that is %s: %v", name, err)
		}
	}
}

func TestCertificatesRuleOverDatesSetByHand(t *testing.T) {
	t.Parallel()
	c := small(t)
	set := func(tool string) error {
		_, err := c.tool.UpdateTool(t.Context(), &bayholdv1.UpdateToolRequest{
			Tool:       &bayholdv1.Tool{Name: tool, CalibratedUntil: at(30, 8), Home: "cabinet"},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"calibrated_until", "home"}}, RequestId: uuid.NewString(),
		})
		return err
	}
	if err := set(tw1); err != nil {
		t.Error(err)
	}
	c.record(t, tw1, certificate("C-1", "2031-05-09", 43, 200))
	wantCode(t, set(tw1), codes.FailedPrecondition)
	if err := set(quay + "/tools/TW-2"); err != nil {
		t.Errorf("a tool without certificates: %v", err)
	}
}

func TestCertificatesPageByDay(t *testing.T) {
	t.Parallel()
	c := small(t)
	for _, cert := range []*bayholdv1.Certificate{
		certificate("C-3", "2031-05-08", 40, 200), certificate("C-1", "2029-05-08", 40, 200), certificate("C-2", "2030-05-08", 40, 200),
	} {
		c.record(t, tw1, cert)
	}
	c.record(t, quay+"/tools/TW-2", certificate("D-1", "2030-01-07", 40, 200))
	for parent, want := range map[string]string{tw1: "C-1 C-2 C-3", quay: "C-1 D-1 C-2 C-3", quay + "/tools/TX-9": ""} {
		var got []string
		for req := (&bayholdv1.ListCertificatesRequest{Parent: parent, PageSize: 1}); ; {
			page, err := c.calibration.ListCertificates(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			for _, cert := range page.GetCertificates() {
				got = append(got, cert.GetNumber())
			}
			if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
				break
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s has %v, want %s", parent, got, want)
		}
	}
}

func TestCertificatesAreRefusedForAReason(t *testing.T) {
	t.Parallel()
	c := small(t)
	with := func(change func(*bayholdv1.Certificate)) *bayholdv1.Certificate {
		cert := certificate("C-9", "2031-05-08", 40, 200)
		change(cert)
		return cert
	}
	for name, x := range map[string]struct {
		cert  *bayholdv1.Certificate
		field string
	}{
		"of tomorrow":       {with(func(c *bayholdv1.Certificate) { c.Date = "2031-05-13" }), "date"},
		"of no day":         {with(func(c *bayholdv1.Certificate) { c.Date = "13 May" }), "certificate.date"},
		"of long ago":       {with(func(c *bayholdv1.Certificate) { c.Date = "1931-05-08" }), "date"},
		"without a number":  {with(func(c *bayholdv1.Certificate) { c.Number = "" }), "number"},
		"without a rule":    {with(func(c *bayholdv1.Certificate) { c.Rule = 0 }), "certificate.rule"},
		"without points":    {with(func(c *bayholdv1.Certificate) { c.Points = nil }), "points"},
		"beyond the range":  {with(func(c *bayholdv1.Certificate) { c.Points[1].NominalNm = 220 }), "points[1].nominal"},
		"in kgf·m, likely":  {with(func(c *bayholdv1.Certificate) { c.Points[0].AsFoundNm = []float64{4.08} }), "points[0].as_found[0]"},
		"of no number":      {with(func(c *bayholdv1.Certificate) { c.Points[0].AsFoundNm = []float64{math.NaN()} }), "points[0].as_found[0]"},
		"without direction": {with(func(c *bayholdv1.Certificate) { c.Points[0].Direction = 0 }), "points[0].direction"},
	} {
		_, err := c.calibration.RecordCertificate(t.Context(), recording(tw1, x.cert))
		wantCode(t, err, codes.InvalidArgument)
		var fields []string
		for _, v := range detail[*errdetails.BadRequest](err).GetFieldViolations() {
			fields = append(fields, v.GetField())
		}
		if strings.Join(fields, " ") != x.field {
			t.Errorf("a certificate %s: at %v, want %s", name, fields, x.field)
		}
	}
	_, err := c.calibration.RecordCertificate(t.Context(), recording(quay+"/tools/LK-1", certificate("C-9", "2031-05-08", 40, 200)))
	wantCode(t, err, codes.FailedPrecondition)
	_, err = c.calibration.RecordCertificate(t.Context(), recording(quay+"/tools/NO-1", certificate("C-9", "2031-05-08", 40, 200)))
	wantCode(t, err, codes.NotFound)
}

func TestWarningsComeWithACertificate(t *testing.T) {
	t.Parallel()
	c := small(t)
	cert := certificate("C-1", "2031-05-08", 40, 200)
	cold := 12.0
	cert.TemperatureC = &cold
	cert.Points[0].AsLeftNm, cert.Points[1].AsLeftNm = []float64{41, 41, 41, 41, 41}, []float64{200, 200, 200, 200, 200}
	var got []string
	for _, w := range c.record(t, tw1, cert).GetWarnings() {
		got = append(got, w.GetField()+" "+w.GetCode())
	}
	if diff := cmp.Diff([]string{"environment.temperature UNUSUAL_AIR", "points[0] WORSE_AS_LEFT"}, got); diff != "" {
		t.Error(diff)
	}
}

func TestARejectedToolLosesItsBookings(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.reserve(t, tw1, 14, 15)
	got := c.record(t, tw1, certificate("C-1", "2031-05-09", 43, 200)).GetStanding()
	if got.GetDue().GetReason() != bayholdv1.DueReason_DUE_REASON_NOT_ACCEPTED || len(got.GetAffectedBookings()) == 0 ||
		got.GetTool().GetCalibratedUntil().AsTime().After(monday) {
		t.Errorf("rejected: %v", got)
	}
	due, err := c.calibration.ListDue(t.Context(), &bayholdv1.ListDueRequest{Parent: quay, HorizonTime: at(30, 1)})
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, x := range due.GetTools() {
		list = append(list, fmt.Sprintf("%s %s %d", x.GetTool().GetName()[len(quay+"/tools/"):],
			strings.TrimPrefix(x.GetDue().GetReason().String(), "DUE_REASON_"), len(x.GetAffectedBookings())))
	}
	want := []string{"TW-1 NOT_ACCEPTED " + fmt.Sprint(len(got.GetAffectedBookings())), "TX-9 STATED 0", "TW-2 STATED 0"}
	if diff := cmp.Diff(want, list); diff != "" {
		t.Errorf("due list:\n%s", diff)
	}
	// The planner goes by the same date: the tool cannot be had any more.
	free, err := c.tool.ListTools(t.Context(), &bayholdv1.ListToolsRequest{
		Parent: quay, ToolType: quay + "/toolTypes/wrench-200", FreeDuring: &bayholdv1.TimeRange{Start: at(19, 8), End: at(19, 16)},
	})
	if err != nil || len(free.GetTools()) != 0 {
		t.Errorf("free: %v, %v", free, err)
	}
}

func TestWhatHappensToAToolEndsItsCalibration(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.record(t, tw1, certificate("C-1", "2031-05-08", 40, 200))
	happens := func(tool string, e *bayholdv1.ToolEvent) *bayholdv1.CalibrationDue {
		t.Helper()
		got, err := c.calibration.RecordToolEvent(t.Context(), &bayholdv1.RecordToolEventRequest{Parent: tool, Event: e, RequestId: uuid.NewString()})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetStanding().GetDue()
	}
	load, use := bayholdv1.ToolEventKind_TOOL_EVENT_KIND_LOAD, bayholdv1.ToolEventKind_TOOL_EVENT_KIND_USE
	date, overload := bayholdv1.DueReason_DUE_REASON_DATE, bayholdv1.DueReason_DUE_REASON_OVERLOAD
	// 5,000 cycles and 125 % of the maximum: ISO 6789, as calibration
	// laboratories state it.
	for _, x := range []struct {
		event  *bayholdv1.ToolEvent
		reason bayholdv1.DueReason
		left   int32
	}{
		{&bayholdv1.ToolEvent{Time: at(9, 12), Kind: load, TorqueNm: 250}, date, 5000},
		{&bayholdv1.ToolEvent{Time: at(9, 13), Kind: use, Cycles: 4999}, date, 1},
		{&bayholdv1.ToolEvent{Time: at(10, 13), Kind: use, Cycles: 2}, bayholdv1.DueReason_DUE_REASON_CYCLES, 0},
		{&bayholdv1.ToolEvent{Time: at(9, 15), Kind: load, TorqueNm: 251}, overload, 0},
	} {
		if due := happens(tw1, x.event); due.GetReason() != x.reason || due.GetCyclesLeft() != x.left {
			t.Errorf("after %v: %v", x.event, due)
		}
	}
	drop := &bayholdv1.ToolEvent{Time: at(9, 15), Kind: bayholdv1.ToolEventKind_TOOL_EVENT_KIND_DROP}
	if due := happens(quay+"/tools/TW-2", drop); due.GetReason() != bayholdv1.DueReason_DUE_REASON_DROP || !due.GetDueTime().AsTime().Equal(at(9, 15).AsTime()) {
		t.Errorf("a tool without certificates that fell: %v", due)
	}
	for name, e := range map[string]*bayholdv1.ToolEvent{
		"tomorrow":             {Time: at(13, 15), Kind: load, TorqueNm: 100},
		"nothing":              {Time: at(9, 15)},
		"a load of nothing":    {Time: at(9, 15), Kind: load},
		"a drop with a torque": {Time: at(9, 15), Kind: drop.GetKind(), TorqueNm: 5},
		"a load with a count":  {Time: at(9, 15), Kind: load, TorqueNm: 5, Cycles: 5},
		"no cycles":            {Time: at(9, 15), Kind: use},
	} {
		_, err := c.calibration.RecordToolEvent(t.Context(), &bayholdv1.RecordToolEventRequest{Parent: tw1, Event: e, RequestId: uuid.NewString()})
		if err == nil {
			t.Errorf("%s is taken", name)
		}
		wantCode(t, err, codes.InvalidArgument)
	}
}

func TestChecksOnTheShopsOwnTester(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.add(t, `
tool_types: [{id: tester, name: Tester, purpose: TORQUE, torque: 10-400 Nm, iso: I A, permissible: 1 %, calibrated: true}]
tools: [{tag: TE-1, type: tester, calibrated_until: 2031-12-01}]`)
	check := func(tester string, readings ...float64) (*bayholdv1.RecordCheckResponse, error) {
		return c.calibration.RecordCheck(t.Context(), &bayholdv1.RecordCheckRequest{
			Parent: tw1, RequestId: uuid.NewString(), Check: &bayholdv1.IntermediateCheck{
				Time: at(11, 12), Tester: tester, Points: []*bayholdv1.CalibrationPoint{{
					NominalNm: 100, Direction: bayholdv1.TurningDirection_TURNING_DIRECTION_CLOCKWISE, AsFoundNm: readings,
				}},
			},
		})
	}
	good, err := check(quay+"/tools/TE-1", 100, 101, 99)
	if err != nil || !good.GetCheck().GetGood() || good.GetStanding().GetDue().GetReason() != bayholdv1.DueReason_DUE_REASON_STATED {
		t.Errorf("within 3 %%: %v, %v", good, err)
	}
	unclear, err := check(quay+"/tools/TE-1", 100, 96.5, 99)
	if err != nil || unclear.GetCheck().GetGood() || unclear.GetCheck().GetFailed() || len(unclear.GetCheck().GetDoubts()) != 1 {
		t.Errorf("between 3 and 4 %%: %v, %v", unclear, err)
	}
	failed, err := check(quay+"/tools/TE-1", 100, 95, 99)
	if err != nil || !failed.GetCheck().GetFailed() || failed.GetStanding().GetDue().GetReason() != bayholdv1.DueReason_DUE_REASON_CHECK_FAILED {
		t.Errorf("beyond 4 %%: %v, %v", failed, err)
	}
	wantCode(t, second(check(tw1, 100, 100, 100)), codes.InvalidArgument)
	wantCode(t, second(check(quay+"/tools/TE-2", 100, 100, 100)), codes.NotFound)
	wantCode(t, second(check("", 100, 100, 100)), codes.InvalidArgument)
}

func TestReviewNamesMethodAndEvidence(t *testing.T) {
	t.Parallel()
	c := small(t)
	for i, number := range []string{"C-1", "C-2", "C-3", "C-4", "C-5", "C-6"} {
		c.record(t, tw1, certificate(number, fmt.Sprintf("%d-05-08", 2026+i), 40, 202))
	}
	got, err := c.calibration.ReviewInterval(t.Context(), &bayholdv1.ReviewIntervalRequest{Name: tw1})
	if err != nil || len(got.GetProposals()) != 3 {
		t.Fatalf("%v, %v", got, err)
	}
	stairs, test := got.GetProposals()[0], got.GetProposals()[1]
	// Found at a quarter of what is permitted: the staircase climbs by half.
	if stairs.GetMethod() != bayholdv1.ReviewMethod_REVIEW_METHOD_STAIRCASE || stairs.GetProposedDays() != 365*1.5 || len(stairs.GetReasons()) == 0 {
		t.Errorf("staircase: %v", stairs)
	}
	// The first has no interval before it; five years make five results.
	if test.GetResults() != 5 || test.GetInTolerance() != 5 || test.GetFirstDate() != "2027-05-08" || test.GetProposedDays() != 365 {
		t.Errorf("interval test: %v", test)
	}
	wantCode(t, second(c.calibration.ReviewInterval(t.Context(), &bayholdv1.ReviewIntervalRequest{Name: tw1, PresentDays: -1})), codes.InvalidArgument)
	wantCode(t, second(c.calibration.ReviewInterval(t.Context(), &bayholdv1.ReviewIntervalRequest{Name: quay + "/tools/LK-1"})), codes.FailedPrecondition)
}

func TestAuditTellsDaysOutsideCalibration(t *testing.T) {
	t.Parallel()
	c := small(t)
	c.add(t, `
bookings:
  - {reference: W-90, bay: bay-2, tools: [TW-1], start: 2031-05-05 09:00, end: 2031-05-06 11:00}
  - {reference: W-91, bay: bay-2, tools: [TW-1], start: 2031-05-08 09:00, end: 2031-05-08 11:00}`)
	c.record(t, tw1, certificate("C-1", "2031-05-06", 40, 200))
	got, err := c.calibration.AuditCalibration(t.Context(), &bayholdv1.AuditCalibrationRequest{
		Parent: quay, During: &bayholdv1.TimeRange{Start: at(1, 8), End: at(12, 6)},
	})
	if err != nil {
		t.Fatal(err)
	}
	var tags []string
	for _, x := range got.GetTools() {
		tags = append(tags, x.GetTool().GetName()[len(quay+"/tools/"):])
		if x.GetTool().GetName() != tw1 {
			continue
		}
		if len(x.GetCertificates()) != 1 || len(x.GetPeriods()) != 1 || len(x.GetGaps()) != 1 {
			t.Fatalf("TW-1: %v", x)
		}
		gap := x.GetGaps()[0]
		if gap.GetDate() != "2031-05-05" || gap.GetReason() != bayholdv1.DueReason_DUE_REASON_NEVER_CALIBRATED ||
			len(gap.GetBookings()) != 1 || gap.GetBookings()[0].GetReference() != "W-90" {
			t.Errorf("the gap: %v", gap)
		}
	}
	if strings.Join(tags, " ") != "MU-1 TW-1 TW-2 TX-9" {
		t.Errorf("audited: %v", tags)
	}
	_, err = c.calibration.AuditCalibration(t.Context(), &bayholdv1.AuditCalibrationRequest{Parent: quay})
	wantCode(t, err, codes.InvalidArgument)
}
