package app

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	commonpb "go.opentelemetry.io/proto/otlp/common/v1"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

// TestCollector sends spans to a collector that is busy at first, and reads
// what came as OTLP says: field 1 of the request, a ResourceSpans each.
func TestCollector(t *testing.T) {
	var path, tenant string
	var body []byte
	calls := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if calls++; calls == 1 {
			w.Header().Set("Retry-After", "0")
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		path, tenant = r.URL.Path, r.Header.Get("X-Tenant")
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			t.Error(err)
			return
		}
		body, _ = io.ReadAll(z)
	}))
	defer server.Close()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", server.URL+"/")
	t.Setenv("OTEL_EXPORTER_OTLP_HEADERS", "X-Tenant=ward%207")
	t.Setenv("OTEL_EXPORTER_OTLP_COMPRESSION", "gzip")
	c, err := newCollector()
	if err != nil {
		t.Fatal(err)
	}
	span := &tracepb.ResourceSpans{ScopeSpans: []*tracepb.ScopeSpans{{Scope: &commonpb.InstrumentationScope{Name: "tidemark"}}}}
	if err := c.UploadTraces(context.Background(), []*tracepb.ResourceSpans{span}); err != nil {
		t.Fatal(err)
	}
	if calls != 2 || path != "/v1/traces" || tenant != "ward 7" {
		t.Errorf("%d calls, the last to %s for %q", calls, path, tenant)
	}
	number, kind, n := protowire.ConsumeTag(body)
	inner, _ := protowire.ConsumeBytes(body[max(n, 0):])
	want, err := proto.Marshal(span)
	if err != nil {
		t.Fatal(err)
	}
	if number != 1 || kind != protowire.BytesType || !bytes.Equal(inner, want) {
		t.Errorf("field %d of kind %d holds % x, want 1, 2, % x", number, kind, inner, want)
	}
}

// TestCollectorGivesUp on what a second try cannot change.
func TestCollectorGivesUp(t *testing.T) {
	calls := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		calls++
		w.WriteHeader(http.StatusBadRequest)
	}))
	defer server.Close()
	t.Setenv("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", server.URL)
	c, err := newCollector()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.UploadTraces(context.Background(), nil); err == nil || !strings.Contains(err.Error(), "400") || calls != 1 {
		t.Errorf("%d calls, %v", calls, err)
	}
}

func TestCollectorSettings(t *testing.T) {
	for _, c := range []struct{ name, value, says string }{
		{"ENDPOINT", "collector:4318", "not an http or https URL"},
		{"PROTOCOL", "grpc", "only http/protobuf"},
		{"HEADERS", "key", "name=value"},
		{"COMPRESSION", "zstd", "gzip and none"},
		{"TIMEOUT", "10s", "milliseconds"},
		{"CERTIFICATE", "/nowhere", "/nowhere"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://127.0.0.1:4318")
			t.Setenv("OTEL_EXPORTER_OTLP_"+c.name, c.value)
			if _, err := newCollector(); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v, want a word of %q", err, c.says)
			}
		})
	}
}
