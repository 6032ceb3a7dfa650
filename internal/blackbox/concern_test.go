package blackbox

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// told takes notifications of concerns: each once, in order of their sequence numbers'
// arrival, as "announcement, acknowledgements".
type told struct {
	*httptest.Server
	mu   sync.Mutex
	seen map[string]bool
	got  []string
}

func newTold(t *testing.T) *told {
	r := &told{seen: map[string]bool{}}
	r.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) {
		body, _ := io.ReadAll(q.Body)
		issue, err := parse(body)
		r.mu.Lock()
		defer r.mu.Unlock()
		if n := q.Header.Get("Tidemark-Sequence"); !r.seen[n] {
			r.seen[n] = true
			r.got = append(r.got, fmt.Sprintf("%s %s, acknowledged %d", text(issue, "code.coding.0.code"), extension(issue, "announcement"), len(items(issue, "mitigation"))))
			if err != nil {
				r.got = append(r.got, err.Error())
			}
		}
	}))
	t.Cleanup(r.Close)
	return r
}

// wait is until so many have come, or a minute.
func (r *told) wait(n int) []string {
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		r.mu.Lock()
		got := slices.Clone(r.got)
		r.mu.Unlock()
		if len(got) >= n || time.Now().After(deadline) {
			return got
		}
	}
}

// extension gives the value of one of the service's own extensions.
func extension(of any, name string) string {
	for _, e := range items(of, "extension") {
		if url := text(e, "url"); strings.HasSuffix(url, "/StructureDefinition/"+name) {
			return text(e, "valueCode") + text(e, "valueString") + text(e, "valueDateTime")
		}
	}
	return ""
}

// TestBleed: a bleed is one concern, announced once when it opens and seen to in one
// step by whoever may; then it is quiet until as much again has come.
func TestBleed(t *testing.T) {
	r := newTold(t)
	s := serve(t, "--webhook-allow", strings.TrimPrefix(r.URL, "http://"))
	c := s.client()
	b := c.bed("bleed", ago(30*time.Hour))
	c.do("PUT", "Device/"+b.drain, obj{"resourceType": "Device", "id": b.drain, "status": "active", "patient": ref("Patient/" + b.patient),
		"type":     concept(local, "bulb"),
		"property": list{obj{"type": concept(local, "reservoir-capacity"), "valueQuantity": list{obj{"value": 400, "unit": "mL", "system": ucum, "code": "mL"}}}}}).want(200)
	entry := func(at time.Time, ml int, look string) obj {
		e := emptying(b, at, fmt.Sprint(ml), "mL")
		e["effectiveDateTime"] = at.UTC().Format("2006-01-02T15:04:05.000Z")
		e["component"] = list{
			obj{"code": concept(loinc, "72290-0"), "valueCodeableConcept": concept(local, look)},
			obj{"code": concept(local, "suction-state"), "valueCodeableConcept": concept(local, "charged")},
		}
		return e
	}
	chart := func(at time.Time, ml int, look string) {
		t.Helper()
		c.do("POST", "Observation", entry(at, ml, look)).want(201)
	}
	var steady list
	for h := 26; h >= 2; h -= 4 {
		steady = append(steady, obj{"request": obj{"method": "POST", "url": "Observation"}, "resource": entry(ago(time.Duration(h)*time.Hour), 20+h%3, "serous")})
	}
	c.do("POST", "", obj{"resourceType": "Bundle", "type": "transaction", "entry": steady}).want(200)
	open := func() list {
		t.Helper()
		var out list
		for _, e := range c.do("GET", "Device/"+b.drain+"/$escalation-status", nil).want(200).list("entry") {
			if text(e, "resource.resourceType") == "DetectedIssue" {
				out = append(out, dig(e, "resource"))
			}
		}
		return out
	}
	if got := open(); len(got) != 0 {
		t.Fatalf("a steady drain has concerns: %v", got)
	}
	c.do("POST", "Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": "DetectedIssue?code=" + local + "|",
		"channel": obj{"type": "rest-hook", "endpoint": r.URL, "payload": "application/fhir+json"}}).want(201)

	chart(ago(20*time.Minute), 110, "sanguineous")
	issues := open()
	if len(issues) != 1 || text(issues[0], "code.coding.0.code") != "fluid" || text(issues[0], "severity") != "high" || len(items(issues[0], "evidence")) < 2 {
		t.Fatalf("a bleed is one high concern of several rules: %v", issues)
	}
	id := text(issues[0], "id")
	if got := r.wait(1); !slices.Equal(got, []string{"fluid opened, acknowledged 0"}) {
		t.Fatalf("told %v", got)
	}

	ack := obj{"resourceType": "Parameters", "parameter": list{
		obj{"name": "action", "valueString": "assessed at the bedside"}, obj{"name": "informed", "valueString": "surgeon on call"}}}
	path := "Device/" + b.drain + "/$acknowledge"
	for _, role := range []string{"nursing-assistant", "analytics", "wall"} {
		s.clientWith(s.token("--role", role)).do("POST", path, ack).want(403)
	}
	nurse := s.clientWith(s.token("--role", "nurse", "--subject", "Practitioner/n1"))
	nurse.do("POST", path, obj{"resourceType": "Parameters", "parameter": list{obj{"name": "note", "valueString": "no action"}}}).check(400, 422)
	done := nurse.do("POST", path, ack).want(200)
	if got := done.list("entry"); len(got) != 1 || text(got[0], "resource.id") != id || text(got[0], "resource.mitigation.0.author.reference") != "Practitioner/n1" {
		t.Fatalf("one acknowledgement by the nurse: %s", done.clip())
	}

	chart(time.Now(), 30, "sanguineous")
	if got := open(); len(got) != 1 || extension(got[0], "acknowledgement-void") != "" {
		t.Errorf("30 mL more void the acknowledgement: %v", got)
	}
	chart(time.Now(), 120, "sanguineous")
	issues = open()
	if len(issues) != 1 || text(issues[0], "id") != id || !strings.Contains(extension(issues[0], "acknowledgement-void"), "worse since: 150 mL") {
		t.Errorf("as much again makes the same concern worse: %v", issues)
	}
	// They come in order, so that nothing was told of the 30 mL.
	want := []string{"fluid opened, acknowledged 0", "fluid opened, acknowledged 1", "fluid worse, acknowledged 1"}
	if got := r.wait(len(want)); !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
	if got := c.do("GET", "DetectedIssue?"+query("implicated", "Device/"+b.drain, "code", local+"|fluid"), nil).want(200).ids("match"); len(got) != 1 {
		t.Errorf("one bleed is %v", got)
	}
}
