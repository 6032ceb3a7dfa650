package app_test

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/internal/app"
	"tidemark/internal/auth"
)

func mint(t *testing.T, s *service, now time.Time) string {
	t.Helper()
	tok, err := s.Key().Mint(auth.TokenRequest{Subject: "Practitioner/t", Scope: "system/*.cruds", TTL: 24 * time.Hour, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return tok
}

// TestTelemetryIsWithoutPatients drives good and bad requests that are full of
// marked words and looks for these in all that leaves the service for those
// who run it: the log at its most talkative, the metrics, the exported spans.
func TestTelemetryIsWithoutPatients(t *testing.T) {
	var mu sync.Mutex
	var spans bytes.Buffer
	collector := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		fmt.Fprintln(&spans, r.URL.Path)
		spans.Write(b)
	}))
	defer collector.Close()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", collector.URL)
	t.Setenv("OTEL_EXPORTER_OTLP_COMPRESSION", "none")

	s := start(t, func(c *app.Config) { c.Webhooks = []string{"127.0.0.1:1"} })
	token, now := s.token("Practitioner/Quillwort"), time.Now()
	const name, id = "Marigold", "tansy"
	s.drain(token, id, name, now)
	s.must(201, "POST", "/fhir/Observation", token, strings.Replace(emptying(id, name, now), `"valueQuantity"`, `"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"purulent"}]}}],"valueQuantity"`, 1))
	// A receiver that is away, whose secret stands in a header.
	s.must(201, "POST", "/fhir/Subscription", token, `{"resourceType":"Subscription","status":"requested","reason":"Marigold","criteria":"Observation?patient=p-tansy","channel":{"type":"rest-hook","endpoint":"https://127.0.0.1:1/Marigold","payload":"application/fhir+json","header":["Authorization: Bearer feverfew"]}}`)
	s.must(201, "POST", "/fhir/Observation", token, emptying(id, name, now.Add(-10*time.Minute)))
	for _, r := range []struct{ method, path, body string }{
		{"GET", "/fhir/Patient/p-" + id, ""}, {"GET", "/fhir/Patient/" + name, ""}, {"GET", "/fhir/Patient?family=" + name, ""}, {"GET", "/fhir/" + name + "/x", ""},
		{"GET", "/fhir/Patient?" + name + "=1", ""}, {"GET", "/fhir/Patient/p-" + id + "/$" + name, ""}, {"GET", "/" + name, ""}, {"GET", "/board/" + name, ""},
		{"GET", "/fhir/Patient/p-" + id + "/_history/" + name, ""}, {"GET", "/fhir/Device/d-" + id + "/$drain-output", ""}, {"GET", "/fhir/Device/d-" + id + "/$chart", ""},
		{"GET", "/fhir/Patient/p-" + id + "/$fluid-balance", ""}, {"GET", "/fhir/Patient/p-" + id + "/$everything", ""}, {"GET", "/fhir/bulk/" + name, ""}, {"GET", "/fhir/bulk/" + name + "/" + name, ""},
		{"POST", "/fhir/Patient", `{"resourceType":"Patient","name":"Marigold"}`}, {"POST", "/fhir/Patient", `{"Marigold`}, {"POST", "/fhir/Observation", emptying("nobody", name, now)},
		{"PUT", "/fhir/Patient/p-" + id, `{"resourceType":"Patient","id":"Marigold"}`}, {"DELETE", "/fhir/Patient/" + name, ""},
		{"POST", "/fhir", `{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"GET","url":"Patient/Marigold"}},{"request":{"method":"PUT","url":"Patient/p-tansy"},"resource":{"resourceType":"Patient","id":"p-tansy","name":[{"family":"Marigold"}]}}]}`},
		{"GET", "/fhir/$export?_typeFilter=" + url.QueryEscape("Patient?family="+name), ""},
		{"GET", "/fhir/DetectedIssue?patient=p-" + id, ""}, {"GET", "/fhir/AuditEvent?patient=p-" + id, ""},
	} {
		s.ask(r.method, r.path, token, r.body)
		s.ask(r.method, r.path, "", r.body)
		s.ask(r.method, r.path, token[:len(token)-4]+"AAAA", r.body)
	}
	await(t, "a delivery has failed", func() bool {
		_, m := s.ask("GET", "http://"+s.AdminAddr()+"/metrics", "", "")
		return strings.Contains(m, "tidemark_delivery_failures_total{")
	})
	metrics := s.must(200, "GET", "http://"+s.AdminAddr()+"/metrics", "", "")
	s.stop() // which exports the last spans
	mu.Lock()
	defer mu.Unlock()
	trace := spans.String()
	if !strings.Contains(trace, "/v1/traces") || !strings.Contains(trace, "fhir.interaction") || !strings.Contains(trace, "search-type") {
		t.Fatalf("no spans came: %.200q", trace)
	}
	for what, text := range map[string]string{"log": s.log.String(), "metrics": metrics, "spans": trace} {
		if len(text) < 500 {
			t.Errorf("the %s is too short to prove anything: %q", what, text)
		}
		for _, word := range []string{name, strings.ToLower(name), id, "feverfew", "Quillwort", token[len(token)-20:], base64.StdEncoding.EncodeToString([]byte(name))} {
			if i := strings.Index(text, word); i >= 0 {
				t.Errorf("the %s holds %q: …%.300q…", what, word, text[max(0, i-150):min(len(text), i+150)])
			}
		}
	}
}
