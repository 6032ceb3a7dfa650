package blackbox

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

// receiver takes notifications, and refuses while it is down.
type receiver struct {
	*httptest.Server
	mu   sync.Mutex
	down bool
	got  []string // method and path, in the order of arrival
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		_, _ = io.Copy(io.Discard, q.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.down {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		r.got = append(r.got, q.Method+" "+q.URL.Path)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) refuse(down bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.down = down
}

// wait reports whether the ids arrive, each once and in this order at first
// sight; repeats are allowed.
func (r *receiver) wait(t *testing.T, typ string, ids []string) {
	t.Helper()
	var seen []string
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		r.mu.Lock()
		got := append([]string(nil), r.got...)
		r.mu.Unlock()
		seen = nil
		known := map[string]bool{}
		for _, g := range got {
			_, id, ok := strings.Cut(g, "/"+typ+"/")
			if ok && !known[id] {
				known[id] = true
				seen = append(seen, id)
			}
		}
		if len(seen) >= len(ids) {
			break
		}
	}
	if strings.Join(seen, " ") != strings.Join(ids, " ") {
		t.Errorf("delivered %v, want %v", seen, ids)
	}
}

// TestSubscription: the README's recipe. A front end's entries reach a
// receiver in order, across a time in which it is down and a kill of the
// service; a concern reaches a second one.
func TestSubscription(t *testing.T) {
	r, concerns := newReceiver(t), newReceiver(t)
	hosts := strings.TrimPrefix(r.URL, "http://") + "," + strings.TrimPrefix(concerns.URL, "http://")
	dir := t.TempDir()
	s := serveIn(t, dir, "--webhook-allow", hosts)
	c := s.client()
	now := time.Now().UTC().Truncate(time.Second)
	b := c.bed("sub", now.Add(-24*time.Hour))
	subscribe := func(criteria, url string) string {
		return c.do("POST", "Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": criteria,
			"channel": obj{"type": "rest-hook", "endpoint": url + "/in", "payload": "application/fhir+json", "header": list{"X-Key: hidden-word"}}}).want(201).id()
	}
	id := subscribe("Observation?code=9203-1", r.URL)
	subscribe("DetectedIssue?code="+local+"|fluid", concerns.URL)
	var ids []string
	post := func(n int, extra obj) {
		e := emptying(b, now.Add(time.Duration(n-60)*time.Minute), fmt.Sprint(10+n), "mL")
		for k, v := range extra {
			e[k] = v
		}
		ids = append(ids, c.do("POST", "Observation", e).want(201).id())
	}
	for n := range 5 {
		post(n, nil)
	}
	r.wait(t, "Observation", ids)
	if a := c.do("GET", "Subscription/"+id, nil).want(200); a.str("status") != "active" || strings.Contains(a.clip(), "hidden-word") {
		t.Errorf("the subscription is %s", a.clip())
	}
	r.refuse(true)
	for n := 5; n < 10; n++ {
		post(n, nil)
	}
	post(10, obj{"component": list{obj{"code": concept(loinc, "72290-0"), "valueCodeableConcept": concept(local, "purulent")}}})
	s.kill()
	r.refuse(false)
	again := serveIn(t, dir, "--webhook-allow", hosts)
	r.wait(t, "Observation", ids)
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		concerns.mu.Lock()
		n := len(concerns.got)
		concerns.mu.Unlock()
		if n > 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the concern was not delivered")
		}
	}
	// A receiver that is not on the list is refused at the door.
	again.client().do("POST", "Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": "Observation?code=9203-1",
		"channel": obj{"type": "rest-hook", "endpoint": "http://127.0.0.1:9/in"}}).want(422)
}
