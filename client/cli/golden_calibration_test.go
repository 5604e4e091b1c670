package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// calibrationCases are the command lines about certificates and due dates.
func calibrationCases() []goldenCase {
	reply := func(method string, m proto.Message) func(*fake) {
		return func(f *fake) { f.reply[method] = m }
	}
	listed := reply("ListCertificates", &bayholdv1.ListCertificatesResponse{Certificates: fixtureCertificates()})
	recorded := &bayholdv1.RecordCertificateResponse{
		Certificate: fixtureCertificates()[1], Standing: standing(1, bayholdv1.DueReason_DUE_REASON_DATE, "HM-4711"),
		Warnings: []*bayholdv1.CalibrationWarning{{Field: "points[0]", Code: "FEW_READINGS", Message: "2 readings at 40 N·m, type II class A asks for 5"}},
	}
	rejected := &bayholdv1.RecordCertificateResponse{
		Certificate: fixtureCertificates()[0],
		Standing:    standing(2, bayholdv1.DueReason_DUE_REASON_NOT_ACCEPTED, "HM-4012", fixtureBookings()[4]),
	}
	file := []string{"calibration", "record", filepath.Join("testdata", "certificate.yaml")}
	flags := []string{
		"calibration", "record", "--tool", "TW-04", "--number", "HM-4012", "--laboratory", "Harbour Metrology",
		"--date", "2025-11-18", "--point", "100: 105", "--uncertainty", "1 %",
	}
	audit := []string{"calibration", "audit", "--from", "2026-11-01", "--until", "2026-11-24"}
	outside := &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "points[0].nominal", Description: "220 N·m is outside the tool's range, 40 to 200 N·m"},
	}}
	recorded.Trace = fixtureSummary()
	flaw := func(index string) *errdetails.BadRequest {
		return &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
			{Field: index + ".stage", Description: "must be 1 or more"},
		}}
	}
	data := func(name string) string { return filepath.Join("testdata", name) }
	leaves := fixtureLeaves()
	booked := func(f *fake) {
		f.reply["FindLeaves"] = leaves
		f.reply["BookLeave"] = &bayholdv1.BookLeaveResponse{
			Booking: &bayholdv1.Booking{Name: harbour + "/bookings/301", Job: harbour + "/jobs/88", During: leaves.GetLeaves()[0].GetDuring()},
			Jobs:    []*bayholdv1.ArrangedJob{{Job: harbour + "/jobs/17", Reference: "R-19", Planned: during(ts(nov, 26, 8, 0), ts(nov, 30, 16, 0))}},
		}
	}
	policy := func(f *fake) {
		f.reply["GetCalibrationPolicy"] = &bayholdv1.GetCalibrationPolicyResponse{Policy: fixturePolicy(), Person: "otto", Time: ts(nov, 3, 9, 0)}
		f.reply["SetCalibrationPolicy"] = &bayholdv1.SetCalibrationPolicyResponse{
			Policy: fixturePolicy(), Changed: []*bayholdv1.ToolCalibration{standing(2, bayholdv1.DueReason_DUE_REASON_DATE, "HM-4012", fixtureBookings()[4])},
		}
	}
	trace := reply("TraceTool", fixtureTrace())
	return []goldenCase{
		{"calibration-record-csv", []string{"calibration", "record", data("certificate.csv")}, reply("RecordCertificate", recorded)},
		{"calibration-record-csv-faulty", []string{"calibration", "record", data("certificate-faulty.csv")}, nil},
		{"calibration-record-csv-refused", []string{"calibration", "record", data("certificate.csv")}, failing("RecordCertificate", codes.InvalidArgument, "the certificate cannot be taken as it stands", outside)},
		{"calibration-trace", []string{"calibration", "trace", "TW-03"}, trace},
		{"calibration-trace-none", []string{"calibration", "trace", "TW-04"}, failing("TraceTool", codes.NotFound, "tool \"TW-04\" was never found out of tolerance: there is nothing to trace")},
		{"calibration-close", []string{"calibration", "close", "TW-03", "--impact", "inside", "--as", "accepted", "--note", "inside its tolerance"}, trace},
		{"calibration-close-lines", []string{"calibration", "close", "TW-03", "tightenings/4", "--as", "rechecked", "--note", "121 N·m"}, reply("CloseTraceLines", &bayholdv1.CloseTraceLinesResponse{
			Lines: fixtureTrace().GetLines()[3:], Summary: fixtureSummary(),
		})},
		{"calibration-close-nothing", []string{"calibration", "close", "TW-03", "--as", "accepted", "--note", "well"}, nil},
		{"calibration-tightenings", []string{"calibration", "tightenings", "import", data("tightenings.csv")}, reply("ImportTightenings", &bayholdv1.ImportTighteningsResponse{
			TakenIn: 2, Known: 1, ToolsDueEarlier: []string{harbour + "/tools/TW-04"},
			Touched: []*bayholdv1.TouchedFinding{{Tool: harbour + "/tools/TW-03", Summary: fixtureSummary()}},
		})},
		{"calibration-tightenings-faulty", []string{"calibration", "tightenings", "import", data("tightenings-faulty.csv")}, nil},
		{"calibration-tightenings-refused", []string{"calibration", "tightenings", "import", data("tightenings.csv")}, failing("ImportTightenings", codes.InvalidArgument, "the tightenings cannot be taken in; nothing was", flaw("tightenings[2]"))},
		{"calibration-policy-show", []string{"calibration", "policy", "show"}, policy},
		{"calibration-policy-set", []string{"calibration", "policy", "set", "due.months=6", "review.target=90 %"}, policy},
		{"calibration-policy-set-unknown", []string{"calibration", "policy", "set", "due.moths=6"}, policy},
		{"calibration-review-apply", []string{"calibration", "review", "TW-03", "--apply"}, func(f *fake) {
			f.reply["ReviewInterval"] = fixtureReview()
			f.reply["ApplyInterval"] = &bayholdv1.ApplyIntervalResponse{
				Days: 230, Proposal: fixtureReview().GetProposals()[1], Standing: standing(1, bayholdv1.DueReason_DUE_REASON_DATE, "HM-4711"),
			}
		}},
		{"calibration-away", []string{"calibration", "away", "TW-04", "--days", "3"}, reply("FindLeaves", leaves)},
		{"calibration-away-none", []string{"calibration", "away", "TW-04", "--days", "3"}, reply("FindLeaves", &bayholdv1.FindLeavesResponse{})},
		{"calibration-away-book", []string{"calibration", "away", "TW-04", "--days", "3", "--book", "--note", "to Harbour Metrology"}, booked},
		{"calibration-away-unserved", []string{"calibration", "away", "TW-04", "--days", "3", "--book"}, reply("FindLeaves", &bayholdv1.FindLeavesResponse{
			Leaves: []*bayholdv1.Leave{{During: leaves.GetLeaves()[1].GetDuring(), Unserved: 1, Reasons: []string{"R-19 has reserved this tool as such"}}},
		})},
		{"calibration-audit-html", append(audit, "--html"), reply("GetAuditPage", &bayholdv1.GetAuditPageResponse{Content: "<!DOCTYPE html>\n"})},
		{"calibration-record", file, reply("RecordCertificate", recorded)},
		{"calibration-record-rejected", flags, reply("RecordCertificate", rejected)},
		{"calibration-record-outside", flags, failing("RecordCertificate", codes.InvalidArgument, "the certificate cannot be taken as it stands", outside)},
		{"calibration-record-both", append(file, "--tool", "TW-04"), nil},
		{"calibration-record-nothing", []string{"calibration", "record"}, nil},
		{"calibration-list", []string{"calibration", "list"}, listed},
		{"calibration-list-none", []string{"calibration", "list", "--tool", "TW-04"}, reply("ListCertificates", &bayholdv1.ListCertificatesResponse{})},
		{"calibration-show", []string{"calibration", "show", "TW-03", "HM-4711"}, listed},
		{"calibration-show-missing", []string{"calibration", "show", "TW-03", "HM-1"}, listed},
		{"calibration-check", []string{"calibration", "check", "TW-03", "--on", "TE-01", "--point", "100: 99.6 100.2"}, reply("RecordCheck", fixtureCheck())},
		{"calibration-event", []string{"calibration", "event", "TW-03", "drop", "--at", "today 8:30"}, reply("RecordToolEvent", &bayholdv1.RecordToolEventResponse{
			Standing: standing(1, bayholdv1.DueReason_DUE_REASON_DROP, "HM-4711", fixtureBookings()[4]),
		})},
		{"calibration-due", []string{"calibration", "due"}, reply("ListDue", fixtureDue())},
		{"calibration-due-none", []string{"calibration", "due", "--within", "7d"}, reply("ListDue", &bayholdv1.ListDueResponse{})},
		{"calibration-review", []string{"calibration", "review", "TW-03"}, reply("ReviewInterval", fixtureReview())},
		{"calibration-audit", audit, reply("AuditCalibration", fixtureAudit())},
	}
}

func TestCertificateFilesAndFlagsSayTheSame(t *testing.T) {
	f := newFake(t)
	f.reply["RecordCertificate"] = &bayholdv1.RecordCertificateResponse{Certificate: fixtureCertificates()[1]}
	f.run(t, "calibration", "record", filepath.Join("testdata", "certificate.yaml"))
	fromFile := last[*bayholdv1.RecordCertificateRequest](t, f)
	relative := &bayholdv1.ExpandedUncertainty{Amount: 0.01, Relative: true, CoverageFactor: 2}
	want := &bayholdv1.RecordCertificateRequest{
		Parent: harbour + "/tools/TW-03", RequestId: fromFile.GetRequestId(), Certificate: &bayholdv1.Certificate{
			Number: "HM-4711", Laboratory: "Harbour Metrology", Date: "2026-11-20", Rule: bayholdv1.DecisionRule_DECISION_RULE_GUARD_BAND,
			TemperatureC: proto.Float64(21.5), Humidity: proto.Float64(0.45), Points: []*bayholdv1.CalibrationPoint{
				{NominalNm: 40, Direction: clockwise, AsFoundNm: []float64{39, 39.2}, AsLeftNm: []float64{40, 40.1}, Uncertainty: relative},
				{
					NominalNm: 200, Direction: bayholdv1.TurningDirection_TURNING_DIRECTION_COUNTERCLOCKWISE,
					AsFoundNm: []float64{190, 191}, AsLeftNm: []float64{199, 200},
					Uncertainty: &bayholdv1.ExpandedUncertainty{Amount: 1.5, CoverageFactor: 2},
				},
			},
		},
	}
	if diff := cmp.Diff(want, fromFile, protocmp.Transform()); diff != "" {
		t.Errorf("from the file (-want +got):\n%s", diff)
	}
	f.run(t, "calibration", "record", filepath.Join("testdata", "certificate.csv"))
	fromCSV := last[*bayholdv1.RecordCertificateRequest](t, f)
	want.RequestId = fromCSV.GetRequestId()
	if diff := cmp.Diff(want, fromCSV, protocmp.Transform()); diff != "" {
		t.Errorf("from CSV (-want +got):\n%s", diff)
	}
	f.run(t, "calibration", "record", "--tool", "TW-03", "--number", "HM-4711", "--laboratory", "Harbour Metrology", "--date", "2026-11-20",
		"--rule", "guard-band", "--temperature", "21.5", "--humidity", "45%", "--uncertainty", "1%",
		"--point", "40: 39 39.2 > 40 40.1", "--point", "200 ccw: 190 191 > 199 200")
	fromFlags := last[*bayholdv1.RecordCertificateRequest](t, f)
	want.RequestId = fromFlags.GetRequestId()
	want.Certificate.Points[1].Uncertainty = relative // flags have one for all
	if diff := cmp.Diff(want, fromFlags, protocmp.Transform()); diff != "" {
		t.Errorf("from flags (-want +got):\n%s", diff)
	}
}

func TestCertificatesThatCannotBeRead(t *testing.T) {
	f := newFake(t)
	path := filepath.Join(t.TempDir(), "certificate.yaml")
	for content, want := range map[string]string{
		"number: A":                                   "tool is missing",
		"tool: TW-03\nnumbr: A":                       "numbr is nothing that a certificate has",
		"tool: TW-03\nrule: by-feel":                  `rule is "by-feel"`,
		"tool: TW-03\nrule: four-way\nunit: lbf·ft":   "the unit is lbf·ft: readings must be in newton metres",
		"tool: TW-03\nrule: four-way\nhumidity: damp": `humidity: "damp" is no number`,
		"tool: TW-03\nrule: four-way\npoints: [{torque: 40, direction: up}]": `direction is "up"`,
	} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if r := f.run(t, "calibration", "record", path); r.code != exitUsage || !strings.Contains(r.err, want) {
			t.Errorf("%q: exit %d, %q; want %q", content, r.code, r.err, want)
		}
	}
	for point, want := range map[string]string{"100 99": "is no point", "100: a lot": `"a" is no number`, "1 2 3: 4": "is no point"} {
		if r := f.run(t, "calibration", "check", "TW-03", "--on", "TE-01", "--point", point); r.code != exitUsage || !strings.Contains(r.err, want) {
			t.Errorf("%q: exit %d, %q; want %q", point, r.code, r.err, want)
		}
	}
}

func TestThePaperTravels(t *testing.T) {
	f := newFake(t)
	paper := []byte("%PDF-1.7\n\x00\xff")
	f.reply["RecordCertificate"] = &bayholdv1.RecordCertificateResponse{Certificate: fixtureCertificates()[1]}
	f.reply["ListCertificates"] = &bayholdv1.ListCertificatesResponse{Certificates: fixtureCertificates()}
	f.reply["GetCertificate"] = &bayholdv1.GetCertificateResponse{Document: paper}
	in, out := filepath.Join(t.TempDir(), "in.pdf"), filepath.Join(t.TempDir(), "out.pdf")
	if err := os.WriteFile(in, paper, 0o600); err != nil {
		t.Fatal(err)
	}
	f.run(t, "calibration", "record", filepath.Join("testdata", "certificate.yaml"), "--document", in)
	if got := last[*bayholdv1.RecordCertificateRequest](t, f).GetDocument(); !bytes.Equal(got, paper) {
		t.Errorf("sent %q", got)
	}
	show := []string{"calibration", "show", "TW-03", "HM-4711", "--save", out}
	if r := f.run(t, show...); r.code != exitDone {
		t.Errorf("exit %d, %s", r.code, r.err)
	}
	if got, err := os.ReadFile(out); err != nil || !bytes.Equal(got, paper) {
		t.Errorf("saved %q, %v", got, err)
	}
	if r := f.run(t, show...); r.code != exitUsage {
		t.Errorf("a file that is there already: exit %d, %s", r.code, r.err)
	}
	f.reply["GetCertificate"] = &bayholdv1.GetCertificateResponse{}
	if r := f.run(t, show...); r.code != exitNotFound {
		t.Errorf("without a paper: exit %d, %s", r.code, r.err)
	}
}
