package rpc

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// logbook is what a server has logged so far.
type logbook struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *logbook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *logbook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// mark is what no log may hold: the text of every field of every request.
const mark = "Mrs-Featherstonehaugh-555-0177"

// TestLogsHoldNoTokensAndNoRequests calls every method with a text that cannot be
// overlooked, in good and in bad times, and reads all that was logged.
func TestLogsHoldNoTokensAndNoRequests(t *testing.T) {
	t.Parallel()
	c := small(t)
	tried := c.house.token[len("bayhold.quay."):]
	unknown := access.NewToken("quay")
	shout := func() {
		for _, conn := range []*grpc.ClientConn{c.conn, c.house.dial(t, unknown), c.house.dial(t, mark)} {
			protoregistry.GlobalFiles.RangeFilesByPackage("bayhold.v1", func(f protoreflect.FileDescriptor) bool {
				for i := range f.Services().Len() {
					for k := range f.Services().Get(i).Methods().Len() {
						say(t, conn, f.Services().Get(i).Methods().Get(k))
					}
				}
				return true
			})
		}
	}
	shout()
	c.house.server.panicked(t.Context(), "/test", fmt.Errorf("boom with %s", c.house.token))
	c.house.closeStore() // the database goes away: every call is logged as failed
	shout()
	log := c.house.log.String()
	if !strings.Contains(log, "call failed") || !strings.Contains(log, "boom") {
		t.Errorf("the log holds nothing to look through:\n%.2000s", log)
	}
	for name, secret := range map[string]string{
		"a token": tried, "a token that nobody has": unknown[len("bayhold.quay."):], "what was in a request": mark,
	} {
		if at := strings.Index(log, secret); at >= 0 {
			t.Errorf("the log holds %s: ...%s", name, log[max(0, at-300):min(len(log), at+100)])
		}
	}
}

// say calls a method with the mark in every text.
func say(t *testing.T, conn *grpc.ClientConn, m protoreflect.MethodDescriptor) {
	t.Helper()
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "x-mark", mark), 10*time.Second)
	defer cancel()
	req := dynamicpb.NewMessage(m.Input())
	label(req, 4)
	name := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	if !m.IsStreamingServer() {
		_ = conn.Invoke(ctx, name, req, dynamicpb.NewMessage(m.Output())) // whatever it answers
		return
	}
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, name)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.SendMsg(req); err != nil && err != io.EOF {
		t.Error(err)
	}
	_ = stream.CloseSend()                               // it is over in any case
	_ = stream.RecvMsg(dynamicpb.NewMessage(m.Output())) // subjects that are none are refused at once
}

func label(m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		value := protoreflect.ValueOfString(mark)
		switch {
		case f.IsMap() || f.Message() != nil && depth == 0:
			continue
		case f.Name() == "parent":
			value = protoreflect.ValueOfString(quay)
		case f.Name() == "request_id":
			value = protoreflect.ValueOfString("4a5b7a4e-3c1b-4a62-9d6a-8f2f2a0c4a11")
		case f.Kind() == protoreflect.BytesKind:
			value = protoreflect.ValueOfBytes([]byte(mark))
		case f.Message() != nil && f.IsList():
			e := m.Mutable(f).List().NewElement()
			label(e.Message(), depth-1)
			value = e
		case f.Message() != nil:
			label(m.Mutable(f).Message(), depth-1)
			continue
		case f.Kind() != protoreflect.StringKind:
			continue
		}
		if f.IsList() {
			m.Mutable(f).List().Append(value)
		} else {
			m.Set(f, value)
		}
	}
}

// TestNoDatabaseIsNoRefusal: a caller whose token cannot be looked up is told to
// come again, not that they are nobody.
func TestNoDatabaseIsNoRefusal(t *testing.T) {
	t.Parallel()
	c := serve(t, Options{})
	c.house.closeStore()
	_, err := c.site.ListSites(t.Context(), &bayholdv1.ListSitesRequest{})
	if code := status.Code(err); code == codes.Unauthenticated || code == codes.PermissionDenied || code == codes.OK {
		t.Errorf("without a database: %v", err)
	}
	if fault.Fault(err) != nil {
		t.Error("a fault came over the wire as it is")
	}
}
