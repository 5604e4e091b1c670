package rpc

import (
	"context"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"
)

// TestRandomMessagesAreRefusedOrAnswered sends messages filled at random, from
// likely names to nonsense, to every method. None may end in a panic or an
// internal error, and none may show what lies behind.
func TestRandomMessagesAreRefusedOrAnswered(t *testing.T) {
	t.Parallel()
	c := small(t)
	r := abuser{rand.New(rand.NewPCG(1, 2)), map[codes.Code]int{}}
	methods := 0
	protoregistry.GlobalFiles.RangeFilesByPackage("bayhold.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			service := f.Services().Get(i)
			for k := range service.Methods().Len() {
				methods++
				for range 100 {
					r.call(t, c.conn, service.Methods().Get(k))
				}
			}
		}
		return true
	})
	if methods < 30 {
		t.Errorf("only %d methods were found", methods)
	}
	// Some get through to what they ask for: the messages are not all nonsense.
	if r.heard[codes.OK] < 100 || r.heard[codes.InvalidArgument] < 100 {
		t.Errorf("the answers were %v", r.heard)
	}
	if err := second(c.site.ListSites(t.Context(), nil)); err != nil {
		t.Errorf("after all that: %v", err)
	}
}

type abuser struct {
	*rand.Rand
	heard map[codes.Code]int
}

func (r abuser) call(t *testing.T, conn *grpc.ClientConn, m protoreflect.MethodDescriptor) {
	t.Helper()
	wait := 10 * time.Second
	if m.IsStreamingServer() {
		wait = 100 * time.Millisecond // some go on for as long as they are listened to
	}
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	req := dynamicpb.NewMessage(m.Input())
	r.fill(req, 4)
	name := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	var err error
	if m.IsStreamingServer() {
		var stream grpc.ClientStream
		if stream, err = conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, name); err == nil {
			err = errors.Join(stream.SendMsg(req), stream.CloseSend())
			for err == nil {
				err = stream.RecvMsg(dynamicpb.NewMessage(m.Output()))
			}
			if errors.Is(err, io.EOF) || ctx.Err() != nil || status.Code(err) == codes.DeadlineExceeded {
				err = nil
			}
		}
	} else {
		err = conn.Invoke(ctx, name, req, dynamicpb.NewMessage(m.Output()))
	}
	r.heard[status.Code(err)]++
	switch status.Code(err) {
	case codes.Internal, codes.Unknown, codes.Unimplemented, codes.Unavailable, codes.DeadlineExceeded:
		t.Errorf("%s(%v): %v", name, req, err)
	}
	if text := status.Convert(err).Message(); strings.Contains(text, "SQLSTATE") || strings.Contains(text, "SELECT") {
		t.Errorf("%s shows what is behind: %s", name, text)
	}
}

func (r abuser) fill(m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if r.IntN(5) == 0 || (f.Message() != nil && depth == 0) {
			continue
		}
		switch {
		case f.IsList():
			list := m.Mutable(f).List()
			for range r.IntN(3) {
				if f.Message() != nil {
					e := list.NewElement()
					r.fill(e.Message(), depth-1)
					list.Append(e)
				} else {
					list.Append(r.value(f))
				}
			}
		case f.IsMap():
		case f.Message() != nil:
			r.fill(m.Mutable(f).Message(), depth-1)
		default:
			m.Set(f, r.value(f))
		}
	}
}

// texts are names that exist, names that do not, and what should never get far.
var texts = []string{
	"sites/quay", "sites/quay/bays/bay-1", "sites/quay/technicians/ada", "sites/quay/tools/LK-1", "sites/quay/toolTypes/wrench-200",
	"sites/quay/procedures/chain", "sites/quay/procedures/cam-bolts", "sites/quay/preparations/locked", "sites/quay/jobs/1",
	"sites/quay/bookings/1", "sites/quay/engineFamilies/brill-four", "sites/moon", "chain/renew", "locked/fit-locks", "display_name",
	"condition", "state", "time_zone", "4a5b7a4e-3c1b-4a62-9d6a-8f2f2a0c4a11", "2031-05-12", "two-post-lift", "Europe/Lisbon",
	"", " ", "'; DROP TABLE booking; --", "\" OR 1=1", "\\x00", "%s%n", "../../etc/passwd", "ÄÖ\u202e", strings.Repeat("x", 3000),
	"site: {id: quay}", "procedures: [{id: a}]", "&a [*a,*a]", "sites/quay/jobs/9223372036854775808", "sites/quay/jobs/-1",
}

// likely is what a field of that name usually holds, so that a good part of the
// messages gets past the first look.
func (r abuser) likely(f protoreflect.FieldDescriptor) (protoreflect.Value, bool) {
	if r.IntN(8) == 0 {
		return protoreflect.Value{}, false
	}
	switch f.FullName() {
	case "google.protobuf.Timestamp.seconds":
		return protoreflect.ValueOfInt64(1936684800 + int64(r.IntN(60*24*60))*60), true
	case "google.protobuf.Timestamp.nanos":
		return protoreflect.ValueOfInt32(0), true
	}
	switch f.Name() {
	case "parent":
		return protoreflect.ValueOfString(quay), true
	case "request_id":
		return protoreflect.ValueOfString(uuid.NewString()), true
	case "page_token":
		return protoreflect.ValueOfString(""), true
	case "page_size":
		return protoreflect.ValueOfInt32(3), true
	case "procedures", "bay", "name", "resource", "resources", "job", "jobs", "tool_type", "engine_family":
		return protoreflect.ValueOfString(texts[r.IntN(11)]), true
	}
	return protoreflect.Value{}, false
}

func (r abuser) value(f protoreflect.FieldDescriptor) protoreflect.Value {
	if v, ok := r.likely(f); ok {
		return v
	}
	numbers := []int64{0, 1, -1, 2, 7, 60, 1000, 1936684800, math.MaxInt32, math.MinInt32, math.MaxInt64, math.MinInt64}
	n := numbers[r.IntN(len(numbers))]
	if r.IntN(3) == 0 {
		n = 1936684800 + int64(r.IntN(60*24*60))*60 // a minute of the weeks that matter
	}
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(n%2 == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(r.IntN(12) - 1))
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return protoreflect.ValueOfInt32(int32(n))
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return protoreflect.ValueOfInt64(n)
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return protoreflect.ValueOfUint32(uint32(n))
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return protoreflect.ValueOfUint64(uint64(n))
	case protoreflect.FloatKind:
		return protoreflect.ValueOfFloat32(float32(n))
	case protoreflect.DoubleKind:
		odd := []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 0, 1e300, float64(n)}
		return protoreflect.ValueOfFloat64(odd[r.IntN(len(odd))])
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(texts[r.IntN(len(texts))]))
	default:
		return protoreflect.ValueOfString(texts[r.IntN(len(texts))])
	}
}
