package cli

import (
	"bytes"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/durationpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// checkpointOf is a place on a chain; its seal is the byte given, 32 times.
func checkpointOf(revision int64, seal byte) *bayholdv1.TrailCheckpoint {
	return &bayholdv1.TrailCheckpoint{Revision: revision, Seal: bytes.Repeat([]byte{seal}, 32)}
}

func wholeTrail() *bayholdv1.VerifyTrailResponse {
	return &bayholdv1.VerifyTrailResponse{Verified: checkpointOf(1204, 7), Head: checkpointOf(1204, 7), Done: true}
}

// trailCases are the command lines about who did what.
func trailCases() []goldenCase {
	verified := func(r *bayholdv1.VerifyTrailResponse) func(*fake) {
		return func(f *fake) { f.reply["VerifyTrail"] = r }
	}
	older := wholeTrail()
	older.SealedLater = 310
	broken := &bayholdv1.VerifyTrailResponse{
		Verified: checkpointOf(411, 7), Head: checkpointOf(1204, 7), Done: true, Break: &bayholdv1.TrailBreak{
			Kind: bayholdv1.TrailBreakKind_TRAIL_BREAK_KIND_MISSING, Revision: 412, Message: "event 412 is missing",
		},
	}
	shown := func(f *fake) {
		f.reply["ShowTrail"] = &bayholdv1.ShowTrailResponse{Events: []*bayholdv1.Event{
			{
				Revision: 1204, EventTime: ts(nov, 25, 9, 4), Actor: "ada", Token: "desk", Kind: "tool.changed", Subject: harbour + "/tools/TW-03",
				Method: "/bayhold.v1.ToolService/UpdateTool", RequestId: "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d",
				Changes: []*bayholdv1.EventChange{
					{Path: "Condition", Before: "SERVICEABLE", After: "QUARANTINED"},
					{Path: "ConditionNote", After: "fell from the bench, ratchet slips under load"},
					{Path: "Home", Before: "wall 2"},
				},
			},
			{
				Revision: 1203, EventTime: ts(nov, 25, 8, 59), Actor: "anna", Kind: "job.booked", Subject: harbour + "/jobs/17",
				Method: "/bayhold.v1.BookingService/BookPlan", RequestId: "6a2f8f0e-5f1e-4d4c-8f57-6a4f0e1c9b11", Changes: manyChanges(12),
			},
			{Revision: 12, EventTime: ts(nov, 20, 8, 0), Actor: "local", Kind: "site.imported", Subject: harbour},
		}}
	}
	seal := hex.EncodeToString(checkpointOf(1, 7).GetSeal())
	return []goldenCase{
		{"trail-verify", []string{"trail", "verify"}, verified(wholeTrail())},
		{"trail-verify-kept", []string{"trail", "verify", "--checkpoint", "700:" + seal}, verified(older)},
		{"trail-verify-broken", []string{"trail", "verify"}, verified(broken)},
		{"trail-verify-broken-json", []string{"trail", "verify", "-o", "json"}, verified(broken)},
		{"trail-verify-bad", []string{"trail", "verify", "--checkpoint", "700:abc"}, nil},
		{"trail-checkpoint", []string{"trail", "checkpoint"}, verified(wholeTrail())},
		{"trail-checkpoint-broken", []string{"trail", "checkpoint"}, verified(broken)},
		{"trail-show", []string{"trail", "show"}, shown},
		{"trail-show-none", []string{"trail", "show", "--user", "nobody", "--from", "2026-11-01"}, func(f *fake) {
			f.reply["ShowTrail"] = &bayholdv1.ShowTrailResponse{}
		}},
		{"error-busy", []string{"bay", "list"}, failing("ListBays", codes.ResourceExhausted, "you ask too often",
			&errdetails.ErrorInfo{Reason: "RATE", Domain: "bayhold"}, &errdetails.RetryInfo{RetryDelay: durationpb.New(3600e9)})},
	}
}

func manyChanges(n int) []*bayholdv1.EventChange {
	var out []*bayholdv1.EventChange
	for i := range n {
		out = append(out, &bayholdv1.EventChange{Path: "Bookings[" + string(rune('a'+i)) + "].Resource", After: "bay-1"})
	}
	return out
}

// TestCheckpointFiles holds that what "trail checkpoint" prints is what "trail
// verify" reads, of this site alone.
func TestCheckpointFiles(t *testing.T) {
	f := newFake(t)
	f.reply["VerifyTrail"] = wholeTrail()
	line := f.run(t, "trail", "checkpoint").out
	path := filepath.Join(t.TempDir(), "checkpoints.txt")
	other := "sites/elsewhere " + strings.SplitN(line, " ", 2)[1]
	if err := os.WriteFile(path, []byte(line+"\n"+other), 0o600); err != nil {
		t.Fatal(err)
	}
	if r := f.run(t, "trail", "verify", "--checkpoint", path); r.code != exitDone {
		t.Fatalf("exit %d, %s", r.code, r.err)
	}
	got := last[*bayholdv1.VerifyTrailRequest](t, f).GetCheckpoints()
	if len(got) != 1 || got[0].GetRevision() != 1204 || !bytes.Equal(got[0].GetSeal(), checkpointOf(1, 7).GetSeal()) {
		t.Errorf("sent %v", got)
	}
	if err := os.WriteFile(path, []byte(other), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, content := range []string{other, line + "nonsense\n", ""} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if r := f.run(t, "trail", "verify", "--checkpoint", path); r.code != exitUsage {
			t.Errorf("%q: exit %d, %s", content, r.code, r.err)
		}
	}
}
