// Package rpc is the gRPC face of the workshop: it reads messages, asks
// internal/workshop, and writes messages. What goes wrong becomes a status in
// one place (asStatus).
package rpc

import (
	"context"
	"log/slog"
	"runtime/debug"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/stats"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/feed"
	"bayhold/internal/measure"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

const (
	// spare is kept back from a caller's deadline, so that the answer that
	// the time ran out still reaches them.
	spare        = 20 * time.Millisecond
	healthPeriod = 5 * time.Second
)

// Options say how to serve.
type Options struct {
	Log *slog.Logger
	// Door tells who calls. Every call but those of health must say so.
	Door *access.Door
	// Secure encrypts what travels; nil for plain text.
	Secure credentials.TransportCredentials
	// Sheets lays out job sheets, records and the auditor's page.
	Sheets Sheets
	// Boards lays out boards, Pictures draws answers.
	Boards   Boards
	Pictures Pictures
	// Feed tells events to those who watch.
	Feed *feed.Feed
	// Limits bound what callers may ask.
	Limits Limits
	// Measure takes figures; nil for nobody.
	Measure measure.Recorder
	// Stats watches calls, for traces and figures; nil for nobody.
	Stats stats.Handler
	// Ready is nil if the server can do its work; nil to ask the database
	// whether it answers.
	Ready func(context.Context) error
}

// Server is a gRPC server over a workshop.
type Server struct {
	*grpc.Server
	health *health.Server
	shop   *workshop.Workshop
	opts   Options
	guard  *guard
	limits *limiter
	// life ends when streams must, before the server waits for calls to end.
	life context.Context
	end  context.CancelFunc
}

// New makes a server with all services, health and reflection.
func New(shop *workshop.Workshop, opts Options) *Server {
	s := &Server{shop: shop, opts: opts, health: health.NewServer(), guard: &guard{door: opts.Door}}
	s.limits = newLimiter(opts.Limits.withDefaults())
	if s.opts.Ready == nil {
		s.opts.Ready = shop.Ready
	}
	s.life, s.end = context.WithCancel(context.Background())
	serverOptions := []grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec()),
		// Most connections only watch: they need no buffer of 32 kB to read into.
		grpc.ReadBufferSize(4 << 10),
		grpc.MaxRecvMsgSize(s.limits.Message),
		grpc.MaxSendMsgSize(s.limits.Message),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: time.Minute, Timeout: 20 * time.Second}),
		grpc.ChainUnaryInterceptor(s.observe, s.status, s.limits.unaryAddress, s.bound, s.guard.unary, s.limits.unary),
		grpc.ChainStreamInterceptor(s.observeStream, s.statusStream, s.limits.streamAddress, s.guard.stream, s.limits.stream),
	}
	if s.limits.Calls > 0 {
		serverOptions = append(serverOptions, grpc.MaxConcurrentStreams(s.limits.Calls))
	}
	if opts.Stats != nil {
		serverOptions = append(serverOptions, grpc.StatsHandler(opts.Stats))
	}
	if opts.Secure != nil {
		serverOptions = append(serverOptions, grpc.Creds(opts.Secure))
	}
	s.Server = grpc.NewServer(serverOptions...)
	bayholdv1.RegisterSiteServiceServer(s, siteService{shop: shop})
	bayholdv1.RegisterBayServiceServer(s, bayService{shop: shop})
	bayholdv1.RegisterTechnicianServiceServer(s, technicianService{shop: shop})
	bayholdv1.RegisterToolServiceServer(s, toolService{shop: shop})
	bayholdv1.RegisterIssueServiceServer(s, issueService{shop: shop})
	bayholdv1.RegisterCalibrationServiceServer(s, calibrationService{shop: shop})
	bayholdv1.RegisterTraceServiceServer(s, traceService{shop: shop, sheets: opts.Sheets})
	bayholdv1.RegisterIntervalServiceServer(s, intervalService{shop: shop})
	bayholdv1.RegisterLeaveServiceServer(s, leaveService{shop: shop})
	bayholdv1.RegisterProcedureServiceServer(s, procedureService{shop: shop})
	bayholdv1.RegisterPlanningServiceServer(s, planningService{shop: shop, pictures: opts.Pictures})
	bayholdv1.RegisterBookingServiceServer(s, bookingService{shop: shop})
	bayholdv1.RegisterArrangementServiceServer(s, arrangementService{shop: shop, pictures: opts.Pictures})
	bayholdv1.RegisterWatchServiceServer(s, watchService{feed: opts.Feed})
	bayholdv1.RegisterBoardServiceServer(s, boardService{shop: shop, boards: opts.Boards, pictures: opts.Pictures})
	bayholdv1.RegisterTrailServiceServer(s, trailService{shop: shop})
	bayholdv1.RegisterAccessServiceServer(s, accessService{shop: shop})
	bayholdv1.RegisterRecordServiceServer(s, recordService{shop: shop, sheets: opts.Sheets})
	bayholdv1.RegisterForecastServiceServer(s, forecastService{shop: shop, sheets: opts.Sheets})
	bayholdv1.RegisterJobServiceServer(s, jobService{shop: shop, sheets: opts.Sheets})
	healthpb.RegisterHealthServer(s, s.health)
	reflection.Register(s)
	s.guard.rules = rulesOf(s.GetServiceInfo())
	s.limits.plans = plansOf(s.GetServiceInfo())
	return s
}

// EndStreams ends every stream that runs; a caller asks again where it broke
// off. GracefulStop alone would wait for streams for ever.
func (s *Server) EndStreams() { s.end() }

// NotServing says from now on that this server is not to be called: the first
// thing to do when it stops.
func (s *Server) NotServing() { s.health.Shutdown() }

// WatchHealth keeps the health service true to what Options.Ready answers until
// ctx ends, then says NOT_SERVING.
func (s *Server) WatchHealth(ctx context.Context) {
	tick := time.NewTicker(healthPeriod)
	defer tick.Stop()
	defer s.NotServing()
	ctx = measure.With(ctx, s.opts.Measure)
	was := int64(0)
	for {
		state, is := healthpb.HealthCheckResponse_SERVING, int64(1)
		ask, cancel := context.WithTimeout(ctx, healthPeriod*9/10)
		if err := s.opts.Ready(ask); err != nil {
			state, is = healthpb.HealthCheckResponse_NOT_SERVING, 0
			if was == 1 && ctx.Err() == nil {
				s.opts.Log.ErrorContext(ctx, "not serving", "cause", err)
			}
		}
		cancel()
		s.health.SetServingStatus("", state)
		measure.Add(ctx, measure.Healthy, is-was, "")
		was = is
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// status turns errors and panics of a call into a status.
func (s *Server) status(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (resp any, err error) {
	defer func() {
		if p := recover(); p != nil {
			resp, err = nil, s.panicked(ctx, info.FullMethod, p)
		}
		err = asStatus(ctx, s.opts.Log, info.FullMethod, siteOf(req), err)
	}()
	return handle(ctx, req)
}

// statusStream does the same for a call that answers more than once.
func (s *Server) statusStream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) (err error) {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	defer context.AfterFunc(s.life, cancel)()
	defer func() {
		if p := recover(); p != nil {
			err = s.panicked(ctx, info.FullMethod, p)
		}
		if s.life.Err() != nil && stream.Context().Err() == nil {
			err = fault.New(fault.Unavailable, "STOPPING", "the server stops: ask again in a moment")
		}
		err = asStatus(stream.Context(), s.opts.Log, info.FullMethod, "", err)
	}()
	return handle(srv, endingStream{stream, ctx})
}

// endingStream is a stream with a context of its own: one that ends with the
// server's life too, one that knows who calls.
type endingStream struct {
	grpc.ServerStream
	ctx context.Context
}

// Context is the stream's.
func (s endingStream) Context() context.Context { return s.ctx }

func (s *Server) panicked(ctx context.Context, method string, p any) error {
	s.opts.Log.ErrorContext(ctx, "panic", "method", method, "panic", p, "stack", string(debug.Stack()))
	return fault.New(fault.Internal, "PANIC", "internal error")
}

// bound gives every call a deadline, a little before the caller's own.
func (s *Server) bound(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	limit := time.Now().Add(s.limits.Call)
	if deadline, ok := ctx.Deadline(); ok && deadline.Add(-spare).Before(limit) {
		limit = deadline.Add(-spare)
	}
	ctx, cancel := context.WithDeadline(ctx, limit)
	defer cancel()
	return handle(ctx, req)
}
