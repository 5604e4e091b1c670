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
	return []goldenCase{
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
