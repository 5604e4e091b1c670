package dial

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// DefaultServer is where a server listens unless told otherwise.
const DefaultServer = "127.0.0.1:7470"

// DefaultTimeout bounds a call, its retries included.
const DefaultTimeout = 30 * time.Second

// maxReceive bounds an answer in bytes: a thousand procedures with their steps
// stay far below it.
const maxReceive = 32 << 20

// Config says how to reach a server.
type Config struct {
	// Server is its address: "host:port", or "unix:///path" for a socket.
	Server string
	// Token is the bearer token; empty for none. It is sent over TLS or
	// within this machine, not in the clear over a network.
	Token string
	// InsecurePlaintext lets the token travel in the clear all the same, over
	// a network that is known to be safe.
	// DryRun asks for what changes would do: none is written.
	DryRun            bool
	InsecurePlaintext bool
	// TLS asks for an encrypted connection, judged by the system's roots.
	TLS bool
	// CAFile is a PEM file of the only roots to trust; it implies TLS.
	CAFile string
	// CertFile and KeyFile are PEM files of a client certificate that shows who
	// calls, for servers that know callers so; both or none. They imply TLS.
	CertFile, KeyFile string
	// Timeout bounds every call, its retries included; 0 means DefaultTimeout.
	// A stream of answers lasts as long as its context; so long it may take to be
	// let in.
	Timeout time.Duration
}

// Conn is a connection with a client for each service.
type Conn struct {
	cc *grpc.ClientConn

	Sites       bayholdv1.SiteServiceClient
	Bays        bayholdv1.BayServiceClient
	Technicians bayholdv1.TechnicianServiceClient
	Tools       bayholdv1.ToolServiceClient
	Issues      bayholdv1.IssueServiceClient
	Calibration bayholdv1.CalibrationServiceClient
	Traces      bayholdv1.TraceServiceClient
	Intervals   bayholdv1.IntervalServiceClient
	Leaves      bayholdv1.LeaveServiceClient
	Procedures  bayholdv1.ProcedureServiceClient
	Planning    bayholdv1.PlanningServiceClient
	Bookings    bayholdv1.BookingServiceClient
	Jobs        bayholdv1.JobServiceClient
	Records     bayholdv1.RecordServiceClient

	Access       bayholdv1.AccessServiceClient
	Arrangements bayholdv1.ArrangementServiceClient
	Watches      bayholdv1.WatchServiceClient
	Forecasts    bayholdv1.ForecastServiceClient
	Boards       bayholdv1.BoardServiceClient
	Trail        bayholdv1.TrailServiceClient
}

// ErrConfig marks a configuration that cannot work: a file that is no
// certificate, a token that would travel in the clear.
var ErrConfig = errors.New("connection settings")

// Open prepares a connection. It does not wait for the server: the first call
// does. Errors wrap ErrConfig.
func Open(c Config) (*Conn, error) {
	if c.Server == "" {
		c.Server = DefaultServer
	}
	if c.Timeout <= 0 {
		c.Timeout = DefaultTimeout
	}
	opts, err := security(c)
	if err != nil {
		return nil, err
	}
	opts = append(opts,
		grpc.WithUserAgent("bayhold"),
		grpc.WithDefaultServiceConfig(serviceConfig),
		grpc.WithConnectParams(grpc.ConnectParams{
			// The first retries of a call must meet a new attempt to connect.
			Backoff: backoff.Config{
				BaseDelay: 50 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: time.Second,
			},
			MinConnectTimeout: 5 * time.Second,
		}),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxReceive)),
		grpc.WithChainUnaryInterceptor(deadline(c.Timeout), patience),
		grpc.WithChainStreamInterceptor(patientStream(c.Timeout)),
	)
	if c.DryRun {
		opts = append(opts, grpc.WithChainUnaryInterceptor(dryRun()))
	}
	cc, err := grpc.NewClient(c.Server, opts...)
	if err != nil {
		return nil, fmt.Errorf("%w: server %q is no address: %w", ErrConfig, c.Server, err)
	}
	return &Conn{
		cc:          cc,
		Sites:       bayholdv1.NewSiteServiceClient(cc),
		Bays:        bayholdv1.NewBayServiceClient(cc),
		Technicians: bayholdv1.NewTechnicianServiceClient(cc),
		Tools:       bayholdv1.NewToolServiceClient(cc),
		Issues:      bayholdv1.NewIssueServiceClient(cc),
		Calibration: bayholdv1.NewCalibrationServiceClient(cc),
		Traces:      bayholdv1.NewTraceServiceClient(cc),
		Intervals:   bayholdv1.NewIntervalServiceClient(cc),
		Leaves:      bayholdv1.NewLeaveServiceClient(cc),
		Procedures:  bayholdv1.NewProcedureServiceClient(cc),
		Planning:    bayholdv1.NewPlanningServiceClient(cc),
		Bookings:    bayholdv1.NewBookingServiceClient(cc),
		Jobs:        bayholdv1.NewJobServiceClient(cc),
		Records:     bayholdv1.NewRecordServiceClient(cc),

		Access:       bayholdv1.NewAccessServiceClient(cc),
		Arrangements: bayholdv1.NewArrangementServiceClient(cc),
		Watches:      bayholdv1.NewWatchServiceClient(cc),
		Forecasts:    bayholdv1.NewForecastServiceClient(cc),
		Boards:       bayholdv1.NewBoardServiceClient(cc),
		Trail:        bayholdv1.NewTrailServiceClient(cc),
	}, nil
}

// Close gives the connection up.
func (c *Conn) Close() error { return c.cc.Close() }

// deadline gives every call its own time.
func deadline(d time.Duration) grpc.UnaryClientInterceptor {
	return func(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn,
		invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
	) error {
		ctx, cancel := context.WithTimeout(ctx, d)
		defer cancel()
		return invoke(ctx, method, req, reply, cc, opts...)
	}
}

// serviceConfig retries every call that found the server unavailable. That is
// safe for changes too: they carry a request id, and the server answers a
// repeat with the first answer. gRPC allows five attempts at the most
// (gRFC A6), some one and a half seconds with these delays.
const serviceConfig = `{
  "methodConfig": [{
    "name": [{}],
    "retryPolicy": {
      "maxAttempts": 5,
      "initialBackoff": "0.1s",
      "maxBackoff": "1s",
      "backoffMultiplier": 2,
      "retryableStatusCodes": ["UNAVAILABLE"]
    }
  }]
}`
