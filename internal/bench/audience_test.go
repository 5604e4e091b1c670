package bench

import (
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime/pprof"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding"
	encodingproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// asAudience is set for a process that is to be the audience.
const asAudience = "BAYHOLD_BENCH_AUDIENCE"

func TestMain(m *testing.M) {
	if profile, ok := os.LookupEnv(asAudience); ok {
		if err := attend(profile); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// audience says who watches what.
type audience struct {
	Addr, Token, Site     string
	Watchers, Connections int
	Together              bool
}

// attending is an audience in a process of its own.
type attending struct {
	cmd *exec.Cmd
	in  *gob.Encoder
	out *gob.Decoder
}

// heard is what an audience heard, and how many seconds of a processor that took
// once all watched.
type heard struct {
	By    []heardBy
	Spent float64
}

// heardBy is what one watcher heard: when each event came, from the first on, in
// microseconds since 1970, in how many messages, and what was wrong with it.
type heardBy struct {
	First    int64
	At       []int64
	Messages int
	Wrong    string
}

// open starts the audience, and returns when all watch.
func (s audience) open(b *testing.B) *attending {
	b.Helper()
	a := &attending{cmd: exec.Command(os.Args[0])} // #nosec G204
	a.cmd.Env = append(os.Environ(), asAudience+"="+*profileFlag)
	a.cmd.Stderr = os.Stderr
	in, err := a.cmd.StdinPipe()
	must(b, err)
	out, err := a.cmd.StdoutPipe()
	must(b, err)
	must(b, a.cmd.Start())
	b.Cleanup(func() { _ = a.cmd.Process.Kill(); _ = a.cmd.Wait() })
	a.in, a.out = gob.NewEncoder(in), gob.NewDecoder(out)
	must(b, a.in.Encode(s))
	var ready bool
	must(b, a.out.Decode(&ready))
	return a
}

// upTo gives what was heard once everybody has heard an event, or the time is
// up; then the audience leaves.
func (a *attending) upTo(b *testing.B, revision int64) (h heard) {
	b.Helper()
	must(b, a.in.Encode(revision))
	must(b, a.out.Decode(&h))
	_ = a.cmd.Wait()
	return h
}

// attend is the audience: it speaks with open and upTo by its pipes.
func attend(profile string) error {
	in, out := gob.NewDecoder(os.Stdin), gob.NewEncoder(os.Stdout)
	var s audience
	if err := in.Decode(&s); err != nil {
		return err
	}
	if profile != "" {
		f, err := os.Create(profile) // #nosec G304
		if err != nil {
			return err
		}
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
		defer pprof.StopCPUProfile()
	}
	ctx, leave := context.WithCancel(context.Background())
	defer leave()
	conns := make([]*grpc.ClientConn, s.Connections)
	for i := range conns {
		var err error
		if conns[i], err = grpc.NewClient(s.Addr, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithPerRPCCredentials(bearer(s.Token))); err != nil {
			return err
		}
	}
	watchers := make([]watcher, s.Watchers)
	var ready, done sync.WaitGroup
	for i := range watchers {
		ready.Add(1)
		done.Go(func() { watchers[i].watch(ctx, conns[i%len(conns)], s, i%attentive == 0, ready.Done) })
	}
	ready.Wait()
	spent := processorTime()
	if err := out.Encode(true); err != nil {
		return err
	}
	var last int64
	if err := in.Decode(&last); err != nil && err != io.EOF {
		return err
	}
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		behind := 0
		for i := range watchers {
			if watchers[i].last() < last {
				behind++
			}
		}
		if behind == 0 {
			break
		}
	}
	all := heard{Spent: processorTime() - spent}
	leave()
	done.Wait()
	for i := range watchers {
		all.By = append(all.By, watchers[i].heardBy)
	}
	return out.Encode(all)
}

// processorTime is how many seconds of a processor this process has used.
func processorTime() float64 {
	var used syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &used)
	return time.Duration(used.Utime.Nano() + used.Stime.Nano()).Seconds()
}

// attentive: one watcher in so many reads events whole. The others would be on
// machines of their own; here they read of each event no more than its revision,
// lest the audience be what is measured.
const attentive = 50

// skimming reads of a WatchResponse which events it has, and nothing else.
type skimming struct{ encoding.CodecV2 }

// Unmarshal reads a message.
func (c skimming) Unmarshal(data mem.BufferSlice, v any) error {
	told, ok := v.(*bayholdv1.WatchResponse)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	b := data.MaterializeToBuffer(mem.DefaultBufferPool())
	defer b.Free()
	return fields(b.ReadOnlyData(), func(n protowire.Number, number uint64, text []byte) error {
		var e bayholdv1.Event
		switch n {
		case 1:
			told.Revision = int64(number) // #nosec G115
			return nil
		case 2:
			told.Event = &e
		case 3:
			told.Events = append(told.Events, &e)
		}
		return fields(text, func(n protowire.Number, number uint64, _ []byte) error {
			if n == 1 {
				e.Revision = int64(number) // #nosec G115
				return errRead
			}
			return nil
		})
	})
}

var errRead = errors.New("read")

// fields goes through the fields of a message until there are no more, or do has
// read enough.
func fields(b []byte, do func(n protowire.Number, number uint64, text []byte) error) error {
	for len(b) > 0 {
		n, kind, size := protowire.ConsumeTag(b)
		if size < 0 {
			return protowire.ParseError(size)
		}
		b = b[size:]
		var number uint64
		var text []byte
		switch kind {
		case protowire.VarintType:
			number, size = protowire.ConsumeVarint(b)
		case protowire.BytesType:
			text, size = protowire.ConsumeBytes(b)
		default:
			size = protowire.ConsumeFieldValue(n, kind, b)
		}
		if size < 0 {
			return protowire.ParseError(size)
		}
		b = b[size:]
		switch err := do(n, number, text); {
		case errors.Is(err, errRead):
			return nil
		case err != nil:
			return err
		}
	}
	return nil
}

// watcher is one of the audience.
type watcher struct {
	mu sync.Mutex
	heardBy
}

func (w *watcher) last() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.First + int64(len(w.At)) - 1
}

func (w *watcher) watch(ctx context.Context, conn *grpc.ClientConn, s audience, whole bool, ready func()) {
	var how []grpc.CallOption
	if !whole {
		how = append(how, grpc.ForceCodecV2(skimming{encoding.GetCodecV2(encodingproto.Name)}))
	}
	stream, err := bayholdv1.NewWatchServiceClient(conn).Watch(ctx, &bayholdv1.WatchRequest{Parent: "sites/" + s.Site, Together: s.Together}, how...)
	if err == nil {
		var begin *bayholdv1.WatchResponse
		begin, err = stream.Recv()
		w.First = begin.GetRevision() + 1
	}
	ready()
	for err == nil {
		var told *bayholdv1.WatchResponse
		if told, err = stream.Recv(); err != nil {
			break
		}
		if e := told.GetEvent(); e != nil {
			w.hear(e)
		}
		if events := told.GetEvents(); len(events) > 0 {
			w.hear(events...)
		}
	}
	if ctx.Err() == nil {
		w.Wrong = err.Error()
	}
}

func (w *watcher) hear(events ...*bayholdv1.Event) {
	now := time.Now().UnixMicro()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.Messages++
	for _, e := range events {
		if want := w.First + int64(len(w.At)); e.GetRevision() != want {
			w.Wrong = fmt.Sprintf("hears %d, not %d", e.GetRevision(), want)
		}
		w.At = append(w.At, now)
	}
}
