package app_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/internal/app"
)

// A call system hears of its own ward's high concerns alone, in requests that it
// needs nothing beside: patient, drain, bed and ward come with each, signed.
func TestCallsOfOneWard(t *testing.T) {
	var mu sync.Mutex
	var bodies []string
	var signed bool
	calls := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mu.Lock()
		defer mu.Unlock()
		bodies, signed = append(bodies, string(body)), strings.HasPrefix(r.Header.Get("Signature"), "tidemark=:")
	}))
	defer calls.Close()
	s := start(t, func(c *app.Config) { c.Webhooks = []string{calls.Listener.Addr().String()} })
	put := func(path, body string) {
		t.Helper()
		s.must(201, "PUT", "/fhir/"+path, s.token("Practitioner/n1"), body)
	}
	placed := time.Now().Add(-24 * time.Hour).UTC().Format(time.RFC3339)
	for _, w := range []string{"a", "b"} {
		put("Location/ward-"+w, fmt.Sprintf(`{"resourceType":"Location","id":"ward-%s","status":"active","name":"Ward %s","physicalType":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/location-physical-type","code":"wa"}]}}`, w, w))
		put("Location/bed-"+w, fmt.Sprintf(`{"resourceType":"Location","id":"bed-%s","status":"active","name":"Bed %s","partOf":{"reference":"Location/ward-%s"},"physicalType":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/location-physical-type","code":"bd"}]}}`, w, w, w))
		put("Patient/p"+w, fmt.Sprintf(`{"resourceType":"Patient","id":"p%s","name":[{"family":"Example %s"}]}`, w, w))
		put("Encounter/e"+w, fmt.Sprintf(`{"resourceType":"Encounter","id":"e%s","status":"in-progress","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},"subject":{"reference":"Patient/p%s"},"period":{"start":%q},"location":[{"location":{"reference":"Location/bed-%s"},"status":"active"}]}`, w, w, placed, w))
		put("Device/d"+w, fmt.Sprintf(`{"resourceType":"Device","id":"d%s","status":"active","type":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"bulb"}]},"patient":{"reference":"Patient/p%s"}}`, w, w))
		put("DeviceUseStatement/u"+w, fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":"u%s","status":"active","subject":{"reference":"Patient/p%s"},"device":{"reference":"Device/d%s"},"timingPeriod":{"start":%q}}`, w, w, w, placed))
	}
	put("Subscription/calls-a", fmt.Sprintf(`{"resourceType":"Subscription","id":"calls-a","status":"requested","reason":"calls of ward a","criteria":"DetectedIssue?severity=high&location=Location/ward-a",
	 "channel":{"type":"rest-hook","endpoint":"%s/calls","payload":"application/fhir+json",
	  "_payload":{"extension":[{"url":"http://tidemark.example.org/fhir/StructureDefinition/subscription-payload","valueCode":"with-context"}]},
	  "extension":[{"url":"http://tidemark.example.org/fhir/StructureDefinition/subscription-secret","valueString":"0123456789abcdef0123456789abcdef"}]}}`, calls.URL))
	if answer := s.must(200, "GET", "/fhir/Subscription/calls-a", s.token("Practitioner/n1"), ""); strings.Contains(string(answer), "0123456789abcdef") {
		t.Errorf("the secret shows: %s", answer)
	}
	chart := func(id, w, look string) {
		put("Observation/"+id, fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],
		 "code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/p%s"},"device":{"reference":"Device/d%s"},"effectiveDateTime":%q,"performer":[{"display":"A nurse"}],
		 "valueQuantity":{"value":20,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},
		 "component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":%q}]}}]}`,
			id, w, w, time.Now().Add(-time.Minute).UTC().Format(time.RFC3339), look))
	}
	chart("o1", "b", "purulent") // high, on the other ward, first
	chart("o2", "a", "purulent")
	await(t, "a call", func() bool { mu.Lock(); defer mu.Unlock(); return len(bodies) > 0 })
	time.Sleep(300 * time.Millisecond) // for what should not come
	mu.Lock()
	defer mu.Unlock()
	if !signed || len(bodies) != 1 {
		t.Errorf("signed: %v; %d calls: %v", signed, len(bodies), bodies)
	}
	var b struct {
		Entry []struct {
			Resource struct {
				ResourceType, ID, Severity, Detail string
			}
		}
	}
	if err := json.Unmarshal([]byte(bodies[0]), &b); err != nil || len(b.Entry) != 5 {
		t.Fatalf("%v: %s", err, bodies[0])
	}
	if c := b.Entry[0].Resource; c.ResourceType != "DetectedIssue" || c.Severity != "high" || c.Detail == "" {
		t.Errorf("%+v", c)
	}
	for i, want := range []string{"Patient/pa", "Device/da", "Location/bed-a", "Location/ward-a"} {
		if have := b.Entry[i+1].Resource; have.ResourceType+"/"+have.ID != want {
			t.Errorf("beside it: %s/%s, want %s", have.ResourceType, have.ID, want)
		}
	}
}
