package app

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/cenkalti/backoff/v5"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"
)

// collector sends spans to an OpenTelemetry collector by OTLP 1 over HTTP with
// protobuf bodies (https://opentelemetry.io/docs/specs/otlp/). The library's own
// sender links gRPC, a third of the program, to do the same.
type collector struct {
	endpoint string
	headers  map[string]string
	gzip     bool
	timeout  time.Duration
	client   *http.Client
}

// newCollector reads the standard OTEL_EXPORTER_OTLP_… variables
// (https://opentelemetry.io/docs/specs/otel/protocol/exporter/): those with
// TRACES_ in the name win. It is nil where no endpoint is named.
func newCollector() (*collector, error) {
	option := func(name string) string {
		if v := os.Getenv("OTEL_EXPORTER_OTLP_TRACES_" + name); v != "" {
			return v
		}
		return os.Getenv("OTEL_EXPORTER_OTLP_" + name)
	}
	c := &collector{endpoint: os.Getenv("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT"), headers: map[string]string{}, timeout: 10 * time.Second}
	if c.endpoint == "" {
		base := os.Getenv("OTEL_EXPORTER_OTLP_ENDPOINT")
		if base == "" {
			return nil, nil
		}
		c.endpoint = strings.TrimSuffix(base, "/") + "/v1/traces"
	}
	if u, err := url.Parse(c.endpoint); err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("OTEL_EXPORTER_OTLP_ENDPOINT is not an http or https URL")
	}
	if p := option("PROTOCOL"); p != "" && p != "http/protobuf" {
		return nil, fmt.Errorf("OTEL_EXPORTER_OTLP_PROTOCOL is %q: only http/protobuf is offered", p)
	}
	for pair := range strings.SplitSeq(option("HEADERS"), ",") {
		if pair == "" {
			continue
		}
		name, value, ok := strings.Cut(pair, "=")
		value, err := url.PathUnescape(strings.TrimSpace(value))
		if !ok || err != nil {
			return nil, fmt.Errorf("OTEL_EXPORTER_OTLP_HEADERS is not a list of name=value pairs")
		}
		c.headers[strings.TrimSpace(name)] = value
	}
	switch v := option("COMPRESSION"); v {
	case "", "none":
	case "gzip":
		c.gzip = true
	default:
		return nil, fmt.Errorf("OTEL_EXPORTER_OTLP_COMPRESSION is %q: gzip and none are offered", v)
	}
	if v := option("TIMEOUT"); v != "" {
		ms, err := strconv.Atoi(v)
		if err != nil || ms <= 0 {
			return nil, fmt.Errorf("OTEL_EXPORTER_OTLP_TIMEOUT is %q: write milliseconds", v)
		}
		c.timeout = time.Duration(ms) * time.Millisecond
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	if err := trust(transport, option("CERTIFICATE"), option("CLIENT_CERTIFICATE"), option("CLIENT_KEY")); err != nil {
		return nil, err
	}
	c.client = &http.Client{Transport: transport}
	return c, nil
}

// trust takes the collector's authority and the service's own certificate from
// files, where they are named.
func trust(t *http.Transport, authority, certificate, key string) error {
	if authority == "" && certificate == "" {
		return nil
	}
	t.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	if authority != "" {
		pem, err := os.ReadFile(authority)
		if err != nil {
			return err
		}
		t.TLSClientConfig.RootCAs = x509.NewCertPool()
		if !t.TLSClientConfig.RootCAs.AppendCertsFromPEM(pem) {
			return fmt.Errorf("%s holds no certificate", authority)
		}
	}
	if certificate != "" {
		pair, err := tls.LoadX509KeyPair(certificate, key)
		if err != nil {
			return err
		}
		t.TLSClientConfig.Certificates = []tls.Certificate{pair}
	}
	return nil
}

// Start implements otlptrace.Client.
func (c *collector) Start(context.Context) error { return nil }

// Stop implements otlptrace.Client.
func (c *collector) Stop(context.Context) error {
	c.client.CloseIdleConnections()
	return nil
}

// UploadTraces sends spans, and again while the collector is busy.
func (c *collector) UploadTraces(ctx context.Context, spans []*tracepb.ResourceSpans) error {
	ctx, cancel := context.WithTimeout(ctx, c.timeout)
	defer cancel()
	// TracesData is on the wire what ExportTraceServiceRequest is, whose package
	// would link gRPC: field 1, the resource spans.
	body, err := proto.Marshal(&tracepb.TracesData{ResourceSpans: spans})
	if err != nil {
		return err
	}
	if c.gzip {
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		if _, err := w.Write(body); err != nil {
			return err
		}
		if err := w.Close(); err != nil {
			return err
		}
		body = b.Bytes()
	}
	_, err = backoff.Retry(ctx, func() (struct{}, error) { return struct{}{}, c.send(ctx, body) })
	return err
}

func (c *collector) send(ctx context.Context, body []byte) error {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, c.endpoint, bytes.NewReader(body))
	if err != nil {
		return backoff.Permanent(err)
	}
	for name, value := range c.headers {
		r.Header.Set(name, value)
	}
	r.Header.Set("Content-Type", "application/x-protobuf")
	if c.gzip {
		r.Header.Set("Content-Encoding", "gzip")
	}
	answer, err := c.client.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 64<<10)) // so that the connection is used again
	if answer.StatusCode/100 == 2 {
		return nil
	}
	err = fmt.Errorf("the trace collector answered %s", answer.Status)
	switch answer.StatusCode {
	case http.StatusTooManyRequests, http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		if seconds, e := strconv.Atoi(answer.Header.Get("Retry-After")); e == nil {
			return backoff.RetryAfter(seconds)
		}
		return err
	}
	return backoff.Permanent(err)
}
