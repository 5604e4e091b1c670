package rpc

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"bayhold/internal/access"
	"bayhold/internal/site"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// everyMethod are the methods that the contract has, whoever wrote them.
func everyMethod(t *testing.T) []protoreflect.MethodDescriptor {
	t.Helper()
	var all []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("bayhold.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			for k := range f.Services().Get(i).Methods().Len() {
				all = append(all, f.Services().Get(i).Methods().Get(k))
			}
		}
		return true
	})
	if len(all) < 60 {
		t.Errorf("only %d methods were found", len(all))
	}
	return all
}

// callers are connections of somebody with all roles, of one with each, and of
// somebody without a token.
func callers(t *testing.T, c clients) map[string]*grpc.ClientConn {
	t.Helper()
	out := map[string]*grpc.ClientConn{"all roles": c.conn, "no token": c.house.dial(t, "")}
	for _, role := range access.Roles {
		u := site.User{ID: "only-" + strings.ToLower(string(role)), Roles: []site.Role{role}}
		if role == access.Technician {
			u.Technician = "ada"
		}
		out[string(role)] = c.house.dial(t, c.house.enrol(t, "quay", u))
	}
	return out
}

// TestRandomMessagesAreRefusedOrAnswered sends messages filled at random, from
// likely names to nonsense, and such with bytes changed, to every method as every
// role. None may end in a panic or an internal error, and none may show what lies
// behind. After all that the log is whole.
func TestRandomMessagesAreRefusedOrAnswered(t *testing.T) {
	t.Parallel()
	c := small(t)
	r := abuser{rand.New(rand.NewPCG(1, 2)), map[codes.Code]int{}}
	all := callers(t, c)
	for _, name := range slices.Sorted(maps.Keys(all)) { // in one order, so that a seed means one course
		conn := all[name]
		for _, m := range everyMethod(t) {
			for n := range 40 {
				if name == "no token" && n > 2 {
					break // it gets no further than the door
				}
				req := dynamicpb.NewMessage(m.Input())
				r.fill(req, 4)
				if n%3 == 2 {
					req = r.mutate(req)
				}
				r.call(t, conn, m, req)
			}
		}
	}
	// Some get through to what they ask for: the messages are not all nonsense.
	if r.heard[codes.OK] < 100 || r.heard[codes.InvalidArgument] < 100 || r.heard[codes.PermissionDenied] < 100 || r.heard[codes.Unauthenticated] < 60 {
		t.Errorf("the answers were %v", r.heard)
	}
	unharmed(t, c)
}

// unharmed wants the server to answer still, and the log to be whole.
func unharmed(t *testing.T, c clients) {
	t.Helper()
	if err := second(c.site.ListSites(t.Context(), nil)); err != nil {
		t.Errorf("after all that: %v", err)
	}
	got, err := bayholdv1.NewTrailServiceClient(c.conn).VerifyTrail(t.Context(), &bayholdv1.VerifyTrailRequest{Parent: quay})
	if err != nil || got.GetBreak() != nil {
		t.Errorf("the log after all that: %v, %v", got.GetBreak(), err)
	}
}

// TestEveryTextIsOnlyText puts what SQL, a shell, a path or a terminal might obey
// into every text of every request, one at a time, and what is too large, and
// odd times and figures into every other field.
func TestEveryTextIsOnlyText(t *testing.T) {
	t.Parallel()
	c := small(t)
	r := abuser{rand.New(rand.NewPCG(3, 4)), map[codes.Code]int{}}
	fields, streams := 0, 0
	for _, m := range everyMethod(t) {
		if m.IsStreamingServer() {
			streams++
		}
		var paths []place
		placesOf(m.Input(), nil, 3, &paths)
		for _, p := range paths {
			fields++
			for _, v := range r.oddities(p.last()) {
				req := dynamicpb.NewMessage(m.Input())
				r.fill(req, 2)
				p.set(req, v)
				r.call(t, c.conn, m, req)
			}
		}
	}
	if fields < 200 || streams < 3 {
		t.Errorf("only %d fields were found, and %d streams", fields, streams)
	}
	unharmed(t, c)
}

// place is a way through messages to a field that is no message.
type place []protoreflect.FieldDescriptor

func (p place) last() protoreflect.FieldDescriptor { return p[len(p)-1] }

// placesOf finds the places in a message, so many messages deep.
func placesOf(d protoreflect.MessageDescriptor, way place, depth int, out *[]place) {
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		here := append(append(place{}, way...), f)
		switch {
		case f.IsMap():
		case f.Message() == nil:
			*out = append(*out, here)
		case depth > 0:
			placesOf(f.Message(), here, depth-1, out)
		}
	}
}

// set puts a value where the place leads.
func (p place) set(m protoreflect.Message, v protoreflect.Value) {
	for _, f := range p[:len(p)-1] {
		if f.IsList() {
			list := m.Mutable(f).List()
			m = list.AppendMutable().Message()
		} else {
			m = m.Mutable(f).Message()
		}
	}
	if f := p.last(); f.IsList() {
		m.Mutable(f).List().Append(v)
	} else {
		m.Set(f, v)
	}
}

// injections are what something behind might obey.
var injections = []string{
	"'; DROP TABLE booking; --", "' OR '1'='1", "\\'; SELECT pg_sleep(10); --", "$1", "%s%n%x", "${jndi:ldap://127.0.0.1/a}", "$(reboot)",
	"../../../../etc/passwd", "\x1b[2J\x1b]0;title\a", "<script>alert(1)</script>", "\u202eevil", "sites/quay/bays/bay-1'--", "NaN", "1e309",
	"0001-01-01", "9999-12-31T23:59:59Z", "-", "\n\n",
}

// oddities are values that a field of that kind should never have.
func (r abuser) oddities(f protoreflect.FieldDescriptor) []protoreflect.Value {
	var out []protoreflect.Value
	switch f.Kind() {
	case protoreflect.StringKind:
		for range 3 {
			out = append(out, protoreflect.ValueOfString(injections[r.IntN(len(injections))]))
		}
		if r.IntN(4) == 0 {
			out = append(out, protoreflect.ValueOfString(strings.Repeat("x", 1<<20)))
		}
	case protoreflect.BytesKind:
		out = append(out, protoreflect.ValueOfBytes([]byte(injections[r.IntN(len(injections))])),
			protoreflect.ValueOfBytes([]byte(strings.Repeat("[", 1<<16))))
	case protoreflect.DoubleKind:
		for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e308, 5e-324} {
			out = append(out, protoreflect.ValueOfFloat64(x))
		}
	case protoreflect.Int64Kind:
		// Of a timestamp: the years 1 and 9999, and what lies beyond.
		for _, n := range []int64{-62135596800, 253402300799, math.MaxInt64, math.MinInt64, -1} {
			out = append(out, protoreflect.ValueOfInt64(n))
		}
	case protoreflect.Int32Kind:
		for _, n := range []int32{math.MaxInt32, math.MinInt32, -1} {
			out = append(out, protoreflect.ValueOfInt32(n))
		}
	case protoreflect.EnumKind:
		out = append(out, protoreflect.ValueOfEnum(99), protoreflect.ValueOfEnum(-1))
	}
	return out
}

type abuser struct {
	*rand.Rand
	heard map[codes.Code]int
}

// mutate changes bytes of a message, as long as it can still be read.
func (r abuser) mutate(m *dynamicpb.Message) *dynamicpb.Message {
	raw, err := proto.Marshal(m)
	for try := 0; err == nil && len(raw) > 0 && try < 20; try++ {
		b := slices.Clone(raw)
		for range 1 + r.IntN(4) {
			b[r.IntN(len(b))] = byte(r.Uint32())
		}
		out := dynamicpb.NewMessage(m.Descriptor())
		if proto.Unmarshal(b, out) == nil {
			return out
		}
	}
	return m
}

// behind are words that only what lies behind the server says.
var behind = []string{"SQLSTATE", "SELECT ", "INSERT INTO", "pgx", "ERROR:", "violates", "relation \"", "column \"", "goroutine ", ".go:"}

func (r abuser) call(t *testing.T, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, req *dynamicpb.Message) {
	t.Helper()
	wait := 20 * time.Second
	if m.IsStreamingServer() {
		wait = 50 * time.Millisecond // some go on for as long as they are listened to
	}
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
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
	if err != nil && !utf8.ValidString(fmt.Sprint(req)) {
		return // it cannot travel
	}
	r.heard[status.Code(err)]++
	switch status.Code(err) {
	case codes.Internal, codes.Unknown, codes.Unimplemented, codes.Unavailable, codes.DeadlineExceeded:
		t.Errorf("%s(%.2000v): %v", name, req, err)
	}
	told := fmt.Sprint(status.Convert(err).Proto())
	for _, word := range behind {
		if strings.Contains(told, word) && !strings.Contains(fmt.Sprint(req), strings.TrimSpace(word)) {
			t.Errorf("%s shows what is behind: %s", name, told)
		}
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
