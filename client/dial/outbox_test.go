package dial

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func kept(t *testing.T, n int) Kept {
	t.Helper()
	k, err := NewKept("id-"+strconv.Itoa(n), "Start", &bayholdv1.StartStepRequest{Name: "sites/s/jobs/" + strconv.Itoa(n), Note: "“why”\n"})
	if err != nil {
		t.Fatal(err)
	}
	k.Job, k.At = "sites/s/jobs/"+strconv.Itoa(n), time.Date(2031, 5, 12, 8, n, 0, 0, time.UTC)
	return k
}

func opened(t *testing.T, o Outbox) *OpenOutbox {
	t.Helper()
	open, err := o.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return open
}

func must(t *testing.T, errs ...error) {
	t.Helper()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

func ids(list []Kept) string {
	out := ""
	for _, k := range list {
		out += k.ID + ";"
	}
	return out
}

// TestOutboxKeepsOrder holds that records come back in their order until each
// one's outcome is known, whoever opens the journal.
func TestOutboxKeepsOrder(t *testing.T) {
	o := Outbox{Dir: filepath.Join(t.TempDir(), "a", "b")}
	open := opened(t, o)
	must(t, open.Keep(kept(t, 1)), open.Keep(kept(t, 2)), open.Keep(kept(t, 3)), open.Keep(kept(t, 2)), open.Close())
	open = opened(t, o)
	if got := ids(open.Kept()); got != "id-1;id-2;id-3;" {
		t.Error(got)
	}
	must(t, open.Refuse("id-2", "it is paused"), open.Gone("id-1"), open.Close())
	list, err := o.Pending()
	if err != nil || ids(list) != "id-2;id-3;" || list[0].Refused != "it is paused" {
		t.Errorf("%+v, %v", list, err)
	}
	var req bayholdv1.StartStepRequest
	if err := list[0].Read(&req); err != nil || !proto.Equal(&req, &bayholdv1.StartStepRequest{Name: "sites/s/jobs/2", Note: "“why”\n"}) {
		t.Errorf("%v, %v", &req, err)
	}
	open = opened(t, o)
	must(t, open.Gone("id-3"), open.Gone("id-2"), open.Close())
	if info, err := os.Stat(o.path()); err != nil || info.Size() != 0 || info.Mode().Perm() != 0o600 {
		t.Errorf("an empty journal: %v, %v", info, err)
	}
}

// TestOutboxOutlivesATornWrite cuts the file at every byte, as a crash might
// leave it: whole records are there, the torn one is not, and work goes on.
func TestOutboxOutlivesATornWrite(t *testing.T) {
	whole := Outbox{Dir: t.TempDir()}
	open := opened(t, whole)
	must(t, open.Keep(kept(t, 1)))
	first, err := os.ReadFile(whole.path())
	must(t, err)
	must(t, open.Keep(kept(t, 2)), open.Close())
	both, err := os.ReadFile(whole.path())
	must(t, err)
	for cut := range len(both) + 1 {
		o := Outbox{Dir: t.TempDir()}
		must(t, os.WriteFile(o.path(), both[:cut], 0o600))
		want := ""
		if cut >= len(first) {
			want = "id-1;"
		}
		if cut == len(both) {
			want += "id-2;"
		}
		open := opened(t, o)
		if got := ids(open.Kept()); got != want {
			t.Fatalf("cut at %d of %d: %q, want %q", cut, len(both), got, want)
		}
		must(t, open.Keep(kept(t, 3)), open.Close())
		list, err := o.Pending()
		if err != nil || ids(list) != want+"id-3;" {
			t.Fatalf("after a cut at %d: %q, %v", cut, ids(list), err)
		}
	}
}

// TestOutboxTellsDamage holds that a line in the middle that cannot be read is
// told, and nothing behind it is sent.
func TestOutboxTellsDamage(t *testing.T) {
	o := Outbox{Dir: t.TempDir()}
	open := opened(t, o)
	must(t, open.Keep(kept(t, 1)), open.Keep(kept(t, 2)), open.Close())
	raw, err := os.ReadFile(o.path())
	must(t, err)
	raw[20] ^= 1
	must(t, os.WriteFile(o.path(), raw, 0o600))
	if _, err := o.Pending(); !errors.Is(err, ErrDamaged) {
		t.Error(err)
	}
	if _, err := o.Open(t.Context()); !errors.Is(err, ErrDamaged) {
		t.Error(err)
	}
	after, err := os.ReadFile(o.path())
	if err != nil || !bytes.Equal(raw, after) {
		t.Error("a damaged journal was changed")
	}
}

// TestOutboxIsOnesAtATime has many writers at once; none loses a record.
func TestOutboxIsOnesAtATime(t *testing.T) {
	o := Outbox{Dir: t.TempDir()}
	var wg sync.WaitGroup
	for n := range 20 {
		wg.Go(func() {
			open, err := o.Open(t.Context())
			if err != nil {
				t.Error(err)
				return
			}
			if err := errors.Join(open.Keep(kept(t, n)), open.Close()); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if list, err := o.Pending(); err != nil || len(list) != 20 {
		t.Errorf("%d records, %v", len(list), err)
	}
	open := opened(t, o)
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Millisecond)
	defer cancel()
	if _, err := o.Open(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("taken twice: %v", err)
	}
	must(t, open.Close())
}

// TestOutboxOfAKilledProcess kills a process that has written its record and
// holds the journal, before it sends: the record is there, the lock is not.
func TestOutboxOfAKilledProcess(t *testing.T) {
	if dir := os.Getenv("OUTBOX_DIR"); dir != "" {
		open := opened(t, Outbox{Dir: dir})
		must(t, open.Keep(kept(t, 1)))
		os.Stdout.WriteString("kept\n")
		select {} // until it is killed
	}
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0], "-test.run=^TestOutboxOfAKilledProcess$")
	cmd.Env = append(os.Environ(), "OUTBOX_DIR="+dir)
	out, err := cmd.StdoutPipe()
	must(t, err, cmd.Start())
	if _, err := out.Read(make([]byte, 5)); err != nil {
		t.Error(err)
	}
	must(t, cmd.Process.Kill())
	_ = cmd.Wait() // killed, as it should be
	open := opened(t, Outbox{Dir: dir})
	if got := ids(open.Kept()); got != "id-1;" {
		t.Errorf("left behind: %q", got)
	}
	must(t, open.Close())
}
