// Package telemetry carries what the server tells of itself to those who watch
// it: logs in JSON, figures for Prometheus, traces and figures by OTLP. It is the
// one place that knows OpenTelemetry.
//
// Figures are gathered always and served to Prometheus where that is asked for.
// Traces, and figures by OTLP, leave the process only if the standard variables
// of the OpenTelemetry specification say where to: OTEL_EXPORTER_OTLP_ENDPOINT
// and the like. Without them a trace id is made all the same, for the log.
package telemetry

import (
	"context"
	"errors"
	"net/http"
	"runtime/debug"
	"time"

	"github.com/exaring/otelpgx"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.opentelemetry.io/contrib/exporters/autoexport"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc/filters"
	"go.opentelemetry.io/otel/attribute"
	otelprometheus "go.opentelemetry.io/otel/exporters/prometheus"
	"go.opentelemetry.io/otel/metric"
	"go.opentelemetry.io/otel/propagation"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	semconv "go.opentelemetry.io/otel/semconv/v1.37.0"
	"google.golang.org/grpc/stats"

	"bayhold/internal/fault"
	"bayhold/internal/measure"
)

// Telemetry gathers figures and traces.
type Telemetry struct {
	tracers  *sdktrace.TracerProvider
	meters   *sdkmetric.MeterProvider
	registry *prometheus.Registry

	counts    map[*measure.Figure]metric.Int64Counter
	levels    map[*measure.Figure]metric.Int64UpDownCounter
	durations map[*measure.Figure]metric.Float64Histogram
}

// New sets up what the environment asks for. Invalid if the environment names an
// exporter that there is not.
func New(ctx context.Context, getenv func(string) string) (*Telemetry, error) {
	t := &Telemetry{registry: prometheus.NewRegistry()}
	t.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	about, err := resource.New(ctx, resource.WithAttributes(semconv.ServiceName("bayhold"), semconv.ServiceVersion(version())),
		resource.WithFromEnv())
	if err != nil {
		return nil, wrong(err)
	}
	traces := []sdktrace.TracerProviderOption{sdktrace.WithResource(about)}
	if asked(getenv, "TRACES") {
		exporter, err := autoexport.NewSpanExporter(ctx)
		if err != nil {
			return nil, wrong(err)
		}
		traces = append(traces, sdktrace.WithBatcher(exporter))
	}
	t.tracers = sdktrace.NewTracerProvider(traces...)

	reader, err := otelprometheus.New(otelprometheus.WithRegisterer(t.registry), otelprometheus.WithoutScopeInfo())
	if err != nil {
		return nil, wrong(err)
	}
	figures := []sdkmetric.Option{sdkmetric.WithResource(about), sdkmetric.WithReader(reader)}
	if asked(getenv, "METRICS") {
		periodic, err := autoexport.NewMetricReader(ctx)
		if err != nil {
			return nil, errors.Join(wrong(err), t.tracers.Shutdown(ctx))
		}
		figures = append(figures, sdkmetric.WithReader(periodic))
	}
	t.meters = sdkmetric.NewMeterProvider(figures...)
	return t, t.instruments()
}

// asked tells whether the environment wants a signal to be sent anywhere.
func asked(getenv func(string) string, signal string) bool {
	if e := getenv("OTEL_" + signal + "_EXPORTER"); e != "" {
		return e != "none"
	}
	return getenv("OTEL_SDK_DISABLED") != "true" &&
		(getenv("OTEL_EXPORTER_OTLP_ENDPOINT") != "" || getenv("OTEL_EXPORTER_OTLP_"+signal+"_ENDPOINT") != "")
}

func wrong(err error) error {
	return fault.New(fault.Invalid, "TELEMETRY", "the OTEL_ variables of the environment cannot be followed: set them right, or leave them out").Because(err)
}

func version() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unknown"
}

// seconds are the bounds of distributions: from a lookup to the longest search.
var seconds = []float64{0.001, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300, 900}

func (t *Telemetry) instruments() error {
	meter := t.meters.Meter("bayhold")
	t.counts = map[*measure.Figure]metric.Int64Counter{}
	t.levels = map[*measure.Figure]metric.Int64UpDownCounter{}
	t.durations = map[*measure.Figure]metric.Float64Histogram{}
	var errs []error
	for _, f := range measure.All {
		var err error
		switch f.Sort {
		case measure.Count:
			t.counts[f], err = meter.Int64Counter(f.Name, metric.WithDescription(f.Help))
			if err == nil && f.Label == "" {
				t.counts[f].Add(context.Background(), 0) // there from the first scrape on
			}
		case measure.Level:
			t.levels[f], err = meter.Int64UpDownCounter(f.Name, metric.WithDescription(f.Help))
			if err == nil {
				t.levels[f].Add(context.Background(), 0)
			}
		case measure.Duration:
			t.durations[f], err = meter.Float64Histogram(f.Name, metric.WithDescription(f.Help), metric.WithUnit("s"),
				metric.WithExplicitBucketBoundaries(seconds...))
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// Add adds to a Count or a Level.
func (t *Telemetry) Add(ctx context.Context, f *measure.Figure, n int64, label string) {
	with := metric.WithAttributeSet(labelled(f, label))
	if f.Sort == measure.Level {
		t.levels[f].Add(ctx, n, with)
		return
	}
	t.counts[f].Add(ctx, n, with)
}

// Took adds to a Duration.
func (t *Telemetry) Took(ctx context.Context, f *measure.Figure, d time.Duration, label string) {
	t.durations[f].Record(ctx, d.Seconds(), metric.WithAttributeSet(labelled(f, label)))
}

func labelled(f *measure.Figure, label string) attribute.Set {
	if f.Label == "" {
		return *attribute.EmptySet()
	}
	return attribute.NewSet(attribute.String(f.Label, label))
}

// GRPC watches calls. Traces go on from their callers' own.
func (t *Telemetry) GRPC() stats.Handler {
	return otelgrpc.NewServerHandler(
		otelgrpc.WithTracerProvider(t.tracers), otelgrpc.WithMeterProvider(t.meters),
		otelgrpc.WithPropagators(propagation.TraceContext{}), otelgrpc.WithFilter(filters.Not(filters.HealthCheck())))
}

// Postgres watches statements. Their parameters stay out of traces: they are
// what people wrote.
func (t *Telemetry) Postgres() pgx.QueryTracer {
	return otelpgx.NewTracer(otelpgx.WithTracerProvider(t.tracers), otelpgx.WithMeterProvider(t.meters),
		otelpgx.WithDisableConnectionDetailsInAttributes())
}

// Pool watches a pool of connections.
func (t *Telemetry) Pool(pool *pgxpool.Pool) error {
	return otelpgx.RecordStats(pool, otelpgx.WithStatsMeterProvider(t.meters))
}

// Figures serves the figures in the format of Prometheus.
func (t *Telemetry) Figures() http.Handler {
	return promhttp.HandlerFor(t.registry, promhttp.HandlerOpts{Timeout: 10 * time.Second, MaxRequestsInFlight: 4})
}

// Close sends what is still to be sent.
func (t *Telemetry) Close(ctx context.Context) error {
	return errors.Join(t.tracers.Shutdown(ctx), t.meters.Shutdown(ctx))
}
