package cli

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

var repeatLine = regexp.MustCompile(`--request-id ([0-9a-f-]{36})`)

// once makes a method fail once.
func once(code codes.Code) func() error {
	failed := false
	return func() error {
		if failed {
			return nil
		}
		failed = true
		return status.Error(code, "lost")
	}
}

// TestRepeat holds the way out of an unknown outcome: the printed command
// sends the very same request again, though a new search would find another
// plan by now, and the token is not in it.
func TestRepeat(t *testing.T) {
	f := newFake(t)
	f.fail["BookPlan"] = once(codes.DeadlineExceeded)
	env := f.env(t)
	args := []string{"job", "book", "--reference", "R-20", "-p", "belt-orlo-20", "--from", "+2d", "--tentative", "2d"}
	r := runWith(t, env, "", append(args, "--token", "secret")...)
	if r.code != exitNoServer {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	found := repeatLine.FindStringSubmatch(r.err)
	if found == nil || strings.Contains(r.err, "secret") {
		t.Fatalf("no command to repeat, or a token in it: %q", r.err)
	}
	first := proto.Clone(last[*bayholdv1.BookPlanRequest](t, f))
	f.reply["FindPlans"] = &bayholdv1.FindPlansResponse{Outcome: bayholdv1.FindPlansResponse_OUTCOME_IMPOSSIBLE}

	r = runWith(t, env, "", append(args, "--request-id", found[1])...)
	if r.code != exitDone || !strings.Contains(r.out, "is sent again word for word") {
		t.Fatalf("exit %d, %q, %q", r.code, r.out, r.err)
	}
	if diff := cmp.Diff(first, proto.Message(last[*bayholdv1.BookPlanRequest](t, f)), protocmp.Transform()); diff != "" {
		t.Errorf("the repeat differs (-first +second):\n%s", diff)
	}
	left, err := filepath.Glob(filepath.Join(env["HOME"], ".local/state/bayhold/requests/*"))
	if err != nil || len(left) != 0 {
		t.Errorf("kept after the outcome is known: %v, %v", left, err)
	}
}

// TestRepeatOther holds that a kept request is not sent by another command.
func TestRepeatOther(t *testing.T) {
	f := newFake(t)
	f.fail["CancelJob"] = func() error { return status.Error(codes.DeadlineExceeded, "lost") }
	env := f.env(t)
	const requestID = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	if r := runWith(t, env, "", "job", "cancel", "19", "--request-id", requestID); r.code != exitNoServer {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	r := runWith(t, env, "", "job", "confirm", "19", "--request-id", requestID)
	if r.code != exitUsage || !strings.Contains(r.err, "belongs to another command") {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
}

// TestRepeatUnkept holds what is said if a request could not be kept.
func TestRepeatUnkept(t *testing.T) {
	f := newFake(t)
	f.fail["CancelJob"] = func() error { return status.Error(codes.DeadlineExceeded, "lost") }
	r := runWith(t, map[string]string{"BAYHOLD_SERVER": f.addr}, "", "job", "cancel", "19")
	if r.code != exitNoServer || !strings.Contains(r.err, "could not be kept") || !strings.Contains(r.err, "request id:") {
		t.Errorf("exit %d, %q", r.code, r.err)
	}
}

// TestRetry holds that a change is sent again by itself while the server is
// unavailable, under the same request id.
func TestRetry(t *testing.T) {
	f := newFake(t)
	f.fail["ConfirmJob"] = once(codes.Unavailable)
	if r := f.run(t, "job", "confirm", "19"); r.code != exitDone {
		t.Fatalf("exit %d, %q", r.code, r.err)
	}
	var ids []string
	for _, c := range f.calls {
		if m, ok := c.(*bayholdv1.ConfirmJobRequest); ok {
			ids = append(ids, m.GetRequestId())
		}
	}
	if len(ids) != 2 || ids[0] != ids[1] || ids[0] == "" {
		t.Errorf("request ids %q", ids)
	}
}

// TestPlanFile holds the way from a kept answer to a booking.
func TestPlanFile(t *testing.T) {
	f := newFake(t)
	dir := t.TempDir()
	keep := func(name string, args ...string) string {
		r := f.run(t, append(args, "--output", "json")...)
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(r.out), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	found := keep("found.json", "job", "find", "-p", "belt-orlo-20", "--from", "now")
	checked := keep("checked.json", "job", "check", "-p", "belt-orlo-20", "--start", "now")
	refuse(f)
	refused := keep("refused.json", "job", "check", "-p", "belt-orlo-20", "--start", "now")
	elsewhere := filepath.Join(dir, "elsewhere.json")
	if err := os.WriteFile(elsewhere, []byte(`{"steps":[],"bay":"sites/hill/bays/b","newerField":1}`), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		args []string
		want *bayholdv1.Plan
		say  string
	}{
		{"first option", []string{"--plan", found}, fixtureFound().GetOptions()[0].GetPlan(), ""},
		{"second option", []string{"--plan", found, "--option", "2"}, fixtureFound().GetOptions()[1].GetPlan(), ""},
		{"third option", []string{"--plan", found, "--option", "3"}, nil, "holds 2"},
		{"check", []string{"--plan", checked}, fixturePlan(7, true), ""},
		{"refused check", []string{"--plan", refused}, nil, "holds a check"},
		{"other site", []string{"--plan", elsewhere}, nil, "not one of sites/harbour"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := f.run(t, append([]string{"job", "book", "--reference", "R-20"}, tt.args...)...)
			if tt.want == nil {
				if r.code != exitUsage || !strings.Contains(r.err, tt.say) {
					t.Errorf("exit %d, %q", r.code, r.err)
				}
				return
			}
			if r.code != exitDone {
				t.Fatalf("exit %d, %q", r.code, r.err)
			}
			if diff := cmp.Diff(tt.want, last[*bayholdv1.BookPlanRequest](t, f).GetPlan(), protocmp.Transform()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestRequests holds what command lines ask of the server.
func TestRequests(t *testing.T) {
	const requestID = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	for _, tt := range []struct {
		line string
		want proto.Message
	}{
		{"job check -p belt-orlo-20,pump -p sites/harbour/procedures/seal --start '2026-12-01 8:00' --by 2026-12-02 --bay bays/bay-1", &bayholdv1.CheckJobRequest{
			Parent: harbour, Procedures: []string{harbour + "/procedures/belt-orlo-20", harbour + "/procedures/pump", harbour + "/procedures/seal"},
			StartTime: ts(dec, 1, 8, 0), HandBackBy: ts(dec, 3, 0, 0), Bay: harbour + "/bays/bay-1",
		}},
		{"job find -p belt-orlo-20 --from 2026-12-01 --horizon 2026-12-18", &bayholdv1.FindPlansRequest{
			Parent: harbour, Procedures: []string{harbour + "/procedures/belt-orlo-20"}, EarliestTime: ts(dec, 1, 0, 0), HorizonTime: ts(dec, 19, 0, 0),
		}},
		{"tool reserve LK-01 tools/TW-04 --reference R --from '2026-12-01 8:00' --until 2026-12-01 --tentative 4h --note N --request-id " + requestID, &bayholdv1.ReserveRequest{
			Parent: harbour, RequestId: requestID, Reference: "R", Resources: []string{harbour + "/tools/LK-01", harbour + "/tools/TW-04"},
			During: during(ts(dec, 1, 8, 0), ts(dec, 2, 0, 0)), State: tentative, ExpireTime: ts(nov, 25, 13, 13), Note: "N",
		}},
		{"booking list --from 2026-11-23 --until 2026-11-25 --tool LK-01 --job 17 --all", &bayholdv1.ListBookingsRequest{
			Parent: harbour, PageSize: 1000, During: during(ts(nov, 23, 0, 0), ts(nov, 26, 0, 0)),
			Resource: harbour + "/tools/LK-01", Job: harbour + "/jobs/17", ShowCancelled: true,
		}},
		{"job cancel 19 --reason 'called off' --request-id " + strings.ToUpper(requestID), &bayholdv1.CancelJobRequest{
			Name: harbour + "/jobs/19", RequestId: requestID, Reason: "called off",
		}},
		{"job check -p belt-orlo-20 --start '2026-12-01 8:00' --part belt-20=2026-12-02 --part 'seal = 2026-12-01 11:00'", &bayholdv1.CheckJobRequest{
			Parent: harbour, Procedures: []string{harbour + "/procedures/belt-orlo-20"}, StartTime: ts(dec, 1, 8, 0),
			PartArrivals: []*bayholdv1.PartArrival{{Part: "belt-20", ExpectedTime: ts(dec, 2, 0, 0)}, {Part: "seal", ExpectedTime: ts(dec, 1, 11, 0)}},
		}},
		{"job book --reference R -p belt-orlo-20 --from 2026-12-01 --part belt-20=2026-12-02", &bayholdv1.FindPlansRequest{
			Parent: harbour, Procedures: []string{harbour + "/procedures/belt-orlo-20"}, EarliestTime: ts(dec, 1, 0, 0),
			PartArrivals: []*bayholdv1.PartArrival{{Part: "belt-20", ExpectedTime: ts(dec, 2, 0, 0)}},
		}},
		{"job part jobs/21 pin --ordered --request-id " + requestID, &bayholdv1.UpdateJobPartRequest{
			Name: harbour + "/jobs/21", Part: "pin", State: bayholdv1.PartState_PART_STATE_ORDERED, RequestId: requestID,
		}},
		{"job part 21 pin --expected 2026-12-02 --request-id " + requestID, &bayholdv1.UpdateJobPartRequest{
			Name: harbour + "/jobs/21", Part: "pin", State: expectedPart, ExpectedTime: ts(dec, 2, 0, 0), RequestId: requestID,
		}},
		{"job part 21 pin --unknown --request-id " + requestID, &bayholdv1.UpdateJobPartRequest{
			Name: harbour + "/jobs/21", Part: "pin", RequestId: requestID,
		}},
		{"job while-open 21", &bayholdv1.ListWhileOpenRequest{Parent: harbour, Job: harbour + "/jobs/21"}},
		{"job while-open -p belt-orlo-20,pump", &bayholdv1.ListWhileOpenRequest{
			Parent: harbour, Procedures: []string{harbour + "/procedures/belt-orlo-20", harbour + "/procedures/pump"},
		}},
		{"job sheet 21", &bayholdv1.GetJobSheetRequest{Name: harbour + "/jobs/21", Format: bayholdv1.SheetFormat_SHEET_FORMAT_TEXT}},
		{"job sheet 21 --html", &bayholdv1.GetJobSheetRequest{Name: harbour + "/jobs/21", Format: bayholdv1.SheetFormat_SHEET_FORMAT_HTML}},
		{"procedure diff belt-orlo-20 --from 1 --to 3", &bayholdv1.DiffProcedureRequest{Name: harbour + "/procedures/belt-orlo-20", FromVersion: 1, ToVersion: 3}},
		{"procedure issue belt-orlo-20 --version 3 --request-id " + requestID, &bayholdv1.UpdateProcedureRequest{
			Procedure:  &bayholdv1.Procedure{Name: harbour + "/procedures/belt-orlo-20", Version: 3, State: bayholdv1.ProcedureState_PROCEDURE_STATE_ISSUED},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}, RequestId: requestID,
		}},
		{"procedure withdraw belt-orlo-20 --version 3 --request-id " + requestID, &bayholdv1.UpdateProcedureRequest{
			Procedure:  &bayholdv1.Procedure{Name: harbour + "/procedures/belt-orlo-20", Version: 3, State: bayholdv1.ProcedureState_PROCEDURE_STATE_WITHDRAWN},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}, RequestId: requestID,
		}},
		{"procedure list --family orlo-20", &bayholdv1.ListProceduresRequest{Parent: harbour, PageSize: 1000, EngineFamily: harbour + "/engineFamilies/orlo-20"}},
		{"procedure show belt-orlo-20 --version 1", &bayholdv1.GetProcedureRequest{Name: harbour + "/procedures/belt-orlo-20", Version: 1}},
	} {
		t.Run(tt.line, func(t *testing.T) {
			f := newFake(t)
			if r := f.run(t, words(tt.line)...); r.code != exitDone {
				t.Fatalf("exit %d, %q", r.code, r.err)
			}
			var got proto.Message
			for _, c := range f.calls {
				if c.ProtoReflect().Descriptor() == tt.want.ProtoReflect().Descriptor() && got == nil {
					got = c
				}
			}
			if diff := cmp.Diff(tt.want, got, protocmp.Transform()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestToolChangeMask holds that a new condition drops what was said of the
// old one, and that nothing else is touched.
func TestToolChangeMask(t *testing.T) {
	for line, want := range map[string]string{
		"tool change TW-03 --condition serviceable":              "condition,condition_note,condition_until",
		"tool change TW-03 --calibrated-until 2027-11-30":        "calibrated_until",
		"tool change TW-03 --condition-until none":               "condition_until",
		"tool change TW-03 --home 'shelf B' --condition-note ''": "condition_note,home",
	} {
		f := newFake(t)
		if r := f.run(t, words(line)...); r.code != exitDone {
			t.Fatalf("%s: exit %d, %q", line, r.code, r.err)
		}
		if got := strings.Join(last[*bayholdv1.UpdateToolRequest](t, f).GetUpdateMask().GetPaths(), ","); got != want {
			t.Errorf("%s: %s, want %s", line, got, want)
		}
	}
}

// TestControlCharacters holds that what others wrote cannot steer the terminal.
func TestControlCharacters(t *testing.T) {
	f := newFake(t)
	f.sites[0].DisplayName = "Harbour\x1b[2J\r\u009b31m"
	if r := f.run(t, "site", "show"); strings.ContainsAny(r.out, "\x1b\r\u009b") {
		t.Errorf("%q", r.out)
	}
	failing("ListBays", codes.NotFound, "no \x1b[2J bay")(f)
	if r := f.run(t, "bay", "list"); strings.Contains(r.err, "\x1b") {
		t.Errorf("%q", r.err)
	}
}
