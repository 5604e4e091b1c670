package telemetry

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/measure"
)

// TestOnlyWhatIsAskedForIsSent has a collector hear nothing until the standard
// variables name it, and then traces and figures.
func TestOnlyWhatIsAskedForIsSent(t *testing.T) {
	var mu sync.Mutex
	heard := map[string]int{}
	var bodies bytes.Buffer
	collector := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body) // an error shows as a word that is missing
		mu.Lock()
		defer mu.Unlock()
		heard[r.URL.Path]++
		bodies.Write(body)
	}))
	defer collector.Close()
	work := func(env map[string]string) {
		t.Helper()
		for k, v := range env {
			t.Setenv(k, v) // the library reads the environment itself
		}
		tel, err := New(t.Context(), func(k string) string { return env[k] })
		if err != nil {
			t.Fatal(err)
		}
		ctx, span := tel.tracers.Tracer("test").Start(measure.With(t.Context(), tel), "reserve-a-bay")
		measure.Add(ctx, measure.Events, 1, "job.booked")
		measure.Took(ctx, measure.PlanWait, time.Second, "")
		span.End()
		var log bytes.Buffer
		Logger(slog.NewJSONHandler(&log, nil)).With("a", 1).InfoContext(measure.WithRequest(ctx, "r-1"), "done")
		var line struct {
			TraceID   string `json:"trace_id"`
			RequestID string `json:"request_id"`
		}
		if err := json.Unmarshal(log.Bytes(), &line); err != nil || line.TraceID != span.SpanContext().TraceID().String() || line.RequestID != "r-1" {
			t.Errorf("the log says %s", log.String())
		}
		stop, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := tel.Close(stop); err != nil {
			t.Error(err)
		}
	}
	work(nil)
	if len(heard) != 0 {
		t.Errorf("without being asked it sent %v", heard)
	}
	work(map[string]string{
		"OTEL_EXPORTER_OTLP_ENDPOINT": collector.URL, "OTEL_EXPORTER_OTLP_PROTOCOL": "http/protobuf", "OTEL_EXPORTER_OTLP_COMPRESSION": "none",
	})
	if heard["/v1/traces"] == 0 || heard["/v1/metrics"] == 0 {
		t.Errorf("it sent %v", heard)
	}
	for _, word := range []string{"reserve-a-bay", "bayhold.events", "job.booked", "bayhold.planner.wait"} {
		if !strings.Contains(bodies.String(), word) {
			t.Errorf("no word of %q was sent", word)
		}
	}
}

func TestAnExporterThatThereIsNot(t *testing.T) {
	t.Setenv("OTEL_TRACES_EXPORTER", "carrier-pigeon")
	_, err := New(t.Context(), func(k string) string {
		return map[string]string{"OTEL_TRACES_EXPORTER": "carrier-pigeon"}[k]
	})
	if fault.KindOf(err) != fault.Invalid {
		t.Errorf("got %v, want a fault of kind invalid", err)
	}
}

// TestEveryFigureCanBeServed adds to each and finds it in what Prometheus reads.
func TestEveryFigureCanBeServed(t *testing.T) {
	t.Parallel()
	tel, err := New(t.Context(), func(string) string { return "" })
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range measure.All {
		if f.Sort == measure.Duration {
			tel.Took(t.Context(), f, time.Second, "x")
		} else {
			tel.Add(t.Context(), f, 2, "x")
		}
	}
	w := httptest.NewRecorder()
	tel.Figures().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	for _, f := range measure.All {
		name := strings.ReplaceAll(f.Name, ".", "_")
		if !strings.Contains(w.Body.String(), "# HELP "+name) || f.Help == "" {
			t.Errorf("%s is not served with what it means", f.Name)
		}
	}
}
