package dial

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// FuzzOutbox holds that a file of records is refused, or read up to where it is
// sound, and that what is sound says the same when it is read alone.
func FuzzOutbox(f *testing.F) {
	lines := func(list ...string) string {
		var b strings.Builder
		for _, l := range list {
			fmt.Fprintf(&b, "%s %s\n", checksum([]byte(l)), l)
		}
		return b.String()
	}
	for _, s := range []string{
		"", "\n", "00000000 \n", lines(`{"keep":{"id":"a"}}`, `{"mark":{"gone":"a"}}`), lines(`{"keep":{"id":"a"}}`)[:20],
		lines(`{"keep":null,"mark":null}`, `{"mark":{"refuse":"b","because":"x"}}`), lines(`[]`, `1`),
	} {
		f.Add([]byte(s), false)
		f.Add([]byte(s), true)
	}
	f.Fuzz(func(t *testing.T, raw []byte, sealed bool) {
		if sealed { // with right checksums, or chance never gets past them
			raw = []byte(lines(strings.Split(string(raw), "\n")...))
		}
		kept, sound, err := parse(raw)
		if sound < 0 || sound > len(raw) {
			t.Fatalf("%d of %d bytes are sound", sound, len(raw))
		}
		if err != nil {
			return
		}
		again, whole, err := parse(raw[:sound])
		if err != nil || whole != sound || !reflect.DeepEqual(kept, again) {
			t.Errorf("%v, then %v: %v", kept, again, err)
		}
	})
}

// FuzzJournal holds that a kept request is refused or read, whatever its file
// has become.
func FuzzJournal(f *testing.F) {
	const id = "4f0c3c1e-8a53-4b57-9d39-0d7a1f1b2c3d"
	for _, s := range []string{"", "null", `{"method":"m","request":{"reason":"x"}}`, `{"method":"m","request":[]}`, `{"method":"n"}`} {
		f.Add([]byte(s))
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, raw []byte) {
		if err := os.WriteFile(filepath.Join(dir, id+".json"), raw, 0o600); err != nil {
			t.Fatal(err)
		}
		there, err := (Journal{Dir: dir}).Kept(id, "m", &bayholdv1.CancelJobRequest{})
		if there == (err != nil) {
			t.Errorf("there: %v, %v", there, err)
		}
	})
}
