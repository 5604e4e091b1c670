package dial

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// TestJournal holds that a kept request comes back as it was, to its own
// method only, until it is forgotten.
func TestJournal(t *testing.T) {
	j := Journal{Dir: filepath.Join(t.TempDir(), "a", "b")}
	id := NewRequestID()
	sent := &bayholdv1.CancelJobRequest{Name: "sites/s/jobs/1", RequestId: id, Reason: "“why”\n"}
	if err := j.Keep(id, "Cancel", sent); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(j.path(id))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v: others can read it", info.Mode(), err)
	}
	got := &bayholdv1.CancelJobRequest{}
	if kept, err := j.Kept(id, "Cancel", got); !kept || err != nil {
		t.Fatal(kept, err)
	}
	if diff := cmp.Diff(sent, got, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	if _, err := j.Kept(id, "Confirm", &bayholdv1.ConfirmJobRequest{}); !errors.Is(err, ErrOtherCall) {
		t.Error(err)
	}
	for range 2 { // forgetting twice is no error
		if err := j.Forget(id); err != nil {
			t.Error(err)
		}
	}
	if kept, err := j.Kept(id, "Cancel", got); kept || err != nil {
		t.Error(kept, err)
	}
}

// TestJournalSpoilt holds that a damaged file is told, not sent.
func TestJournalSpoilt(t *testing.T) {
	j := Journal{Dir: t.TempDir()}
	for _, body := range []string{"", "{", `{"method":"Cancel","request":{"nonsense":1}}`} {
		if err := os.WriteFile(j.path("x"), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
		if kept, err := j.Kept("x", "Cancel", &bayholdv1.CancelJobRequest{}); kept || err == nil {
			t.Errorf("%q: %v, %v", body, kept, err)
		}
	}
}

// TestJournalNowhere holds what happens without a directory.
func TestJournalNowhere(t *testing.T) {
	var j Journal
	if err := j.Keep("x", "Cancel", &bayholdv1.CancelJobRequest{}); err == nil {
		t.Error("kept nowhere")
	}
	if kept, err := j.Kept("x", "Cancel", &bayholdv1.CancelJobRequest{}); kept || err != nil {
		t.Error(kept, err)
	}
	if err := j.Forget("x"); err != nil {
		t.Error(err)
	}
}

// TestParseRequestID holds which ids are taken: any spelling of a UUID, so
// that no id can lead out of the journal's directory.
func TestParseRequestID(t *testing.T) {
	const plain = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	for _, s := range []string{plain, "4F0C3C1E-8A53-4B57-9D39-0D7A1F1B2C3D", "urn:uuid:" + plain, "{" + plain + "}"} {
		if got, err := ParseRequestID(s); got != plain || err != nil {
			t.Errorf("%s: %s, %v", s, got, err)
		}
	}
	for _, s := range []string{"", "12", "../../etc/passwd", plain + "0"} {
		if _, err := ParseRequestID(s); err == nil {
			t.Errorf("%q is taken", s)
		}
	}
}
