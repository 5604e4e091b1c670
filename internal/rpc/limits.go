package rpc

import (
	"context"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/gate"
	"bayhold/internal/measure"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// Limits bound what callers may ask of a server. What is zero is not bounded,
// but for messages and times, which then have usual bounds.
type Limits struct {
	Message int           // bytes of one message; 0: 32 MiB
	Call    time.Duration // of one call; 0: 30 s
	Search  time.Duration // of one stream that has the planner work; 0: 15 min
	Calls   uint32        // at once on one connection
	Streams int           // open at once of one user
	// Calls a second of one user, and of one address before it is known who
	// calls; so many more may come at once after a pause.
	Rate, AddressRate   float64
	Burst, AddressBurst int
	// Planners lets callers in to the planner; nil for everybody at once.
	Planners *gate.Gate
}

// Usual bounds.
const (
	// usualMessage lies over the limits that the acts themselves state, so that
	// those can explain themselves.
	usualMessage = 32 << 20
	usualCall    = 30 * time.Second
	usualSearch  = 15 * time.Minute
)

func (l Limits) withDefaults() Limits {
	if l.Message <= 0 {
		l.Message = usualMessage
	}
	if l.Call <= 0 {
		l.Call = usualCall
	}
	if l.Search <= 0 {
		l.Search = usualSearch
	}
	return l
}

// limiter holds callers to the limits.
type limiter struct {
	Limits
	plans     map[string]bool // methods that have the planner work
	users     buckets
	addresses buckets

	mu   sync.Mutex
	open map[string]int // streams by user
}

func newLimiter(l Limits) *limiter {
	return &limiter{
		Limits: l, open: map[string]int{},
		users:     buckets{rate: rate.Limit(l.Rate), burst: l.Burst, by: map[string]*rate.Limiter{}},
		addresses: buckets{rate: rate.Limit(l.AddressRate), burst: l.AddressBurst, by: map[string]*rate.Limiter{}},
	}
}

// plansOf reads from the contract which methods have the planner work.
func plansOf(services map[string]grpc.ServiceInfo) map[string]bool {
	out := map[string]bool{}
	for service, info := range services {
		for _, m := range info.Methods {
			d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service).Append(protoreflect.Name(m.Name)))
			if err != nil {
				continue
			}
			if plans, _ := proto.GetExtension(d.Options(), bayholdv1.E_Plans).(bool); plans {
				out["/"+service+"/"+m.Name] = true
			}
		}
	}
	return out
}

// mostBuckets bounds how many callers are remembered.
const mostBuckets = 10_000

// buckets is a token bucket for each caller.
type buckets struct {
	rate  rate.Limit
	burst int

	mu sync.Mutex
	by map[string]*rate.Limiter
}

// take takes a token, or tells when there will be one.
func (b *buckets) take(who string) (wait time.Duration) {
	if b.rate <= 0 {
		return 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.by[who]
	if l == nil {
		if len(b.by) >= mostBuckets {
			for who, l := range b.by {
				if l.Tokens() >= float64(b.burst) {
					delete(b.by, who) // full: nothing is lost by forgetting it
				}
			}
		}
		l = rate.NewLimiter(b.rate, max(1, b.burst))
		b.by[who] = l
	}
	r := l.Reserve()
	if wait = r.Delay(); wait > 0 {
		r.Cancel()
	}
	return wait
}

func tooMany(reason string, after time.Duration, format string, args ...any) error {
	f := fault.New(fault.Exhausted, reason, format, args...)
	f.After = max(after, 50*time.Millisecond)
	return f
}

// address bounds calls by where they come from, before anybody is asked who
// they are: to look for a token costs a question to the database.
func (l *limiter) address(ctx context.Context) error {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return nil
	}
	host, _, err := net.SplitHostPort(p.Addr.String())
	if err != nil {
		host = p.Addr.String()
	}
	if wait := l.addresses.take(host); wait > 0 {
		return tooMany("RATE", wait, "too many calls come from this address: slow down")
	}
	return nil
}

// user bounds the calls of one user.
func (l *limiter) user(c access.Caller) error {
	if c.User == "" {
		return nil // the open services
	}
	if wait := l.users.take(c.Site + "/" + c.User); wait > 0 {
		return tooMany("RATE", wait, "%s calls too often: slow down", c.User)
	}
	return nil
}

// planner waits for a planner if the method has one work.
func (l *limiter) planner(ctx context.Context, method string, req any, c access.Caller) (leave func(), err error) {
	if !l.plans[method] || l.Planners == nil || plansNot(req) {
		return func() {}, nil
	}
	site := c.Site
	if site == "" {
		site = siteOf(req)
	}
	began := time.Now()
	measure.Add(ctx, measure.PlanWaiting, 1, "")
	let, err := l.Planners.Enter(ctx, site, c.User)
	measure.Add(ctx, measure.PlanWaiting, -1, "")
	measure.Took(ctx, measure.PlanWait, time.Since(began), "")
	if err != nil {
		return nil, err
	}
	began = time.Now()
	measure.Add(ctx, measure.PlanRunning, 1, "")
	return func() {
		let()
		measure.Add(ctx, measure.PlanRunning, -1, "")
		measure.Took(ctx, measure.PlanRun, time.Since(began), method[strings.LastIndexByte(method, '/')+1:])
	}, nil
}

// plansNot tells whether a request asks nothing of the planner, though its method
// may: a plan that is booked is only played for what is promised.
func plansNot(req any) bool {
	switch r := req.(type) {
	case *bayholdv1.BookPlanRequest:
		return r.GetPromiseTime() == nil && r.GetPromiseConfidence() == 0
	case *bayholdv1.BookArrangementRequest:
		return !slices.ContainsFunc(r.GetJobs(), func(j *bayholdv1.ArrangedJob) bool { return j.GetPromiseTime() != nil })
	}
	return false
}

func (l *limiter) unaryAddress(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	if err := l.address(ctx); err != nil {
		return nil, err
	}
	return handle(ctx, req)
}

func (l *limiter) streamAddress(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	if err := l.address(stream.Context()); err != nil {
		return err
	}
	return handle(srv, stream)
}

func (l *limiter) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	c := access.From(ctx)
	noteOf(ctx).caller = c
	if err := l.user(c); err != nil {
		return nil, err
	}
	leave, err := l.planner(ctx, info.FullMethod, req, c)
	if err != nil {
		return nil, err
	}
	defer leave()
	return handle(ctx, req)
}

func (l *limiter) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	ctx := stream.Context()
	c := access.From(ctx)
	noteOf(ctx).caller = c
	if err := l.user(c); err != nil {
		return err
	}
	if err := l.openStream(c, 1); err != nil {
		return err
	}
	measure.Add(ctx, measure.Watchers, 1, "")
	defer func() {
		_ = l.openStream(c, -1)
		measure.Add(ctx, measure.Watchers, -1, "")
	}()
	if l.plans[info.FullMethod] {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, l.Search)
		defer cancel()
	}
	leave, err := l.planner(ctx, info.FullMethod, nil, c)
	if err != nil {
		return err
	}
	defer leave()
	return handle(srv, endingStream{stream, ctx})
}

// openStream counts the streams of a user up or down.
func (l *limiter) openStream(c access.Caller, n int) error {
	if l.Streams == 0 || c.User == "" {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	who := c.Site + "/" + c.User
	if n > 0 && l.open[who] >= l.Streams {
		return tooMany("STREAMS", 5*time.Second, "%s has %d streams open already: close one", c.User, l.Streams)
	}
	if l.open[who] += n; l.open[who] == 0 {
		delete(l.open, who)
	}
	return nil
}
