package main

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

// TestTracesHoldNoTokensAndNoRequests has a collector hear all that the demo's
// show does, and looks for what people showed and wrote in it.
func TestTracesHoldNoTokensAndNoRequests(t *testing.T) {
	var mu sync.Mutex
	var heard bytes.Buffer
	collector := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body) // an error shows as a word that is missing
		mu.Lock()
		defer mu.Unlock()
		heard.Write(body)
	}))
	defer collector.Close()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", collector.URL)
	t.Setenv("OTEL_EXPORTER_OTLP_PROTOCOL", "http/protobuf")
	t.Setenv("OTEL_EXPORTER_OTLP_COMPRESSION", "none")
	p := play(t)
	if err := p.rename(t.Context(), "A name that nobody else gives"); err != nil {
		t.Fatal(err)
	}
	if err := p.close(); err != nil { // sends what is left
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	for _, word := range []string{"BookPlan", "UpdateBay", "INSERT INTO booking"} {
		if !strings.Contains(heard.String(), word) {
			t.Errorf("the collector heard nothing of %q", word)
		}
	}
	_, secret, _ := strings.Cut(strings.TrimPrefix(p.token, "bayhold."), ".")
	for what, word := range map[string]string{
		"a token": secret, "what a token begins with": "bayhold.quillgate.", "the name of a header": "Bearer",
		"a name": "A name that nobody else gives", "a reason": "a bolt will not move", "a reference": "W-2090",
	} {
		if word == "" || strings.Contains(heard.String(), word) {
			t.Errorf("traces hold %s: %q", what, word)
		}
	}
}
