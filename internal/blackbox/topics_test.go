package blackbox

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

const (
	topicBase    = "http://tidemark.example.org/fhir/SubscriptionTopic/"
	backportBase = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/"
)

// subscriber takes notifications of topics, and refuses while it is down.
type subscriber struct {
	*httptest.Server
	mu   sync.Mutex
	down bool
	got  []any
}

func newSubscriber(t *testing.T) *subscriber {
	r := &subscriber{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, _ := io.ReadAll(q.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.down {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		n, err := parse(body)
		if err != nil || q.Method != "POST" || q.Header.Get("Content-Type") != "application/fhir+json; charset=utf-8" {
			t.Errorf("%s %s: %v", q.Method, q.Header.Get("Content-Type"), err)
		}
		r.got = append(r.got, n)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *subscriber) refuse(down bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.down = down
}

// of are the notifications of a Subscription and kind.
func (r *subscriber) of(id, kind string) []any {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []any
	for _, n := range r.got {
		if strings.HasSuffix(text(inStatus(n, "subscription"), "valueReference.reference"), "Subscription/"+id) && text(inStatus(n, "type"), "valueCode") == kind {
			out = append(out, n)
		}
	}
	return out
}

// numbers are those of the events that came, each once.
func (r *subscriber) numbers(id string) []int {
	var out []int
	for _, n := range r.of(id, "event-notification") {
		out = append(out, numbersIn(n)...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (r *subscriber) wait(t *testing.T, id string, want int) {
	t.Helper()
	var all []int
	for n := 1; n <= want; n++ {
		all = append(all, n)
	}
	await(t, fmt.Sprintf("%d events of %s", want, id), func() bool { return len(r.numbers(id)) >= want })
	if got := r.numbers(id); !slices.Equal(got, all) {
		t.Errorf("%s: events %v, want 1 to %d", id, got, want)
	}
}

func inStatus(bundle any, name string) any {
	for _, p := range items(bundle, "entry.0.resource.parameter") {
		if text(p, "name") == name {
			return p
		}
	}
	return nil
}

// eventParts are the values of a part over the events of a notification.
func eventParts(bundle any, name string) []string {
	var out []string
	for _, p := range items(bundle, "entry.0.resource.parameter") {
		for _, x := range items(p, "part") {
			if text(p, "name") == "notification-event" && text(x, "name") == name {
				out = append(out, text(x, "valueString")+text(x, "valueReference.reference"))
			}
		}
	}
	return out
}

func numbersIn(bundle any) []int {
	var out []int
	for _, s := range eventParts(bundle, "event-number") {
		n, _ := strconv.Atoi(s)
		out = append(out, n)
	}
	return out
}

func typesIn(bundle any) string {
	var out []string
	for _, e := range items(bundle, "entry") {
		out = append(out, text(e, "resource.resourceType"))
	}
	return strings.Join(out, " ")
}

func ontoTopic(name, content, endpoint string, heartbeat int, filters ...string) obj {
	channel := obj{"type": "rest-hook", "endpoint": endpoint, "payload": "application/fhir+json",
		"_payload": obj{"extension": list{obj{"url": backportBase + "backport-payload-content", "valueCode": content}}}}
	if heartbeat > 0 {
		channel["extension"] = list{obj{"url": backportBase + "backport-heartbeat-period", "valueUnsignedInt": heartbeat}}
	}
	s := obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": topicBase + name, "channel": channel}
	var by list
	for _, f := range filters {
		by = append(by, obj{"url": backportBase + "backport-filter-criteria", "valueString": f})
	}
	if by != nil {
		s["_criteria"] = obj{"extension": by}
	}
	return s
}

// TestTopics: Subscriptions to topics by the R5 Backport for R4, from the topics that
// the service lists to what a receiver that was down asks for afterwards.
func TestTopics(t *testing.T) {
	r := newSubscriber(t)
	dir := t.TempDir()
	flags := []string{"--webhook-allow", strings.TrimPrefix(r.URL, "http://")}
	s := serveIn(t, dir, flags...)
	c := s.client()

	// Discovery (CapabilityStatement.rest.resource, extension of the guide).
	var listed []string
	for _, res := range c.do("GET", "metadata", nil).want(200).list("rest.0.resource") {
		if text(res, "type") != "Subscription" {
			continue
		}
		for _, x := range items(res, "extension") {
			if text(x, "url") == backportBase+"capabilitystatement-subscriptiontopic-canonical" {
				listed = append(listed, strings.TrimPrefix(text(x, "valueCanonical"), topicBase))
			}
		}
		var ops []string
		for _, o := range items(res, "operation") {
			ops = append(ops, text(o, "name"))
		}
		if !slices.Contains(ops, "status") || !slices.Contains(ops, "events") {
			t.Errorf("operations of Subscription: %v", ops)
		}
	}
	for _, name := range []string{"concern", "concern-opened", "concern-worse", "concern-acknowledged", "concern-closed", "drain-entry"} {
		if !slices.Contains(listed, name) {
			t.Errorf("the topic %s is not listed among %v", name, listed)
		}
	}

	// Two wards.
	now := time.Now().UTC().Truncate(time.Second)
	beds := map[string]bed{}
	for _, w := range []string{"a", "b"} {
		b := c.bed("topic-"+w, now.Add(-24*time.Hour))
		c.do("PUT", "Location/ward-"+w, obj{"resourceType": "Location", "id": "ward-" + w, "status": "active", "name": "Ward " + w}).want(201)
		c.do("PUT", "Location/bed-"+w, obj{"resourceType": "Location", "id": "bed-" + w, "status": "active", "name": "Bed " + w, "partOf": ref("Location/ward-" + w)}).want(201)
		c.do("PUT", "Encounter/stay-"+w, obj{"resourceType": "Encounter", "id": "stay-" + w, "status": "in-progress", "class": obj{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
			"subject": ref("Patient/" + b.patient), "period": obj{"start": instant(now.Add(-24 * time.Hour))}, "location": list{obj{"location": ref("Location/bed-" + w), "status": "active"}}}).want(201)
		beds[w] = b
	}

	// The handshake comes first, while the Subscription is requested.
	r.refuse(true)
	subscribe := func(body obj) string {
		t.Helper()
		return c.do("POST", "Subscription", body).want(201).id()
	}
	entries := subscribe(ontoTopic("drain-entry", "full-resource", r.URL+"/in", 1))
	await(t, "the refused handshake is told", func() bool {
		return c.do("GET", "Subscription/"+entries, nil).want(200).str("status") == "error"
	})
	r.refuse(false)
	await(t, "the Subscription is active", func() bool {
		return c.do("GET", "Subscription/"+entries, nil).want(200).str("status") == "active"
	})
	if len(r.of(entries, "handshake")) == 0 || len(r.of(entries, "event-notification")) != 0 {
		t.Errorf("%d handshakes, %d events before any entry", len(r.of(entries, "handshake")), len(r.of(entries, "event-notification")))
	}
	idOnly := subscribe(ontoTopic("drain-entry", "id-only", r.URL+"/in", 0))
	empty := subscribe(ontoTopic("drain-entry", "empty", r.URL+"/in", 0))
	wardA := subscribe(ontoTopic("drain-entry", "id-only", r.URL+"/in", 0, "Observation?location=Location/ward-a"))
	high := subscribe(ontoTopic("concern", "full-resource", r.URL+"/in", 0, "DetectedIssue?severity=high", "DetectedIssue?location=Location/ward-a"))
	low := subscribe(ontoTopic("concern", "id-only", r.URL+"/in", 0, "DetectedIssue?severity=low", "DetectedIssue?location=Location/ward-a"))
	acked := subscribe(ontoTopic("concern-acknowledged", "id-only", r.URL+"/in", 0))
	for _, id := range []string{idOnly, empty, wardA, high, low, acked} {
		await(t, "active", func() bool { return c.do("GET", "Subscription/"+id, nil).want(200).str("status") == "active" })
	}

	// Events, in each payload.
	chart := func(w string, ago time.Duration, ml int, look string) string {
		t.Helper()
		e := emptying(beds[w], now.Add(-ago), fmt.Sprint(ml), "mL")
		if look != "" {
			e["component"] = list{obj{"code": concept(loinc, "72290-0"), "valueCodeableConcept": concept(local, look)}}
		}
		return c.do("POST", "Observation", e).want(201).id()
	}
	first := chart("a", 50*time.Minute, 10, "")
	r.wait(t, entries, 1)
	one := r.of(entries, "event-notification")[0]
	base := s.base + "/"
	if !strings.HasSuffix(s.base, "/fhir") {
		base = s.base + "/fhir/"
	}
	if text(one, "type") != "history" || typesIn(one) != "Parameters Observation Patient Device" || text(one, "entry.0.resource.meta.profile.0") != backportBase+"backport-subscription-status-r4" ||
		text(one, "entry.1.resource.id") != first || text(one, "entry.1.request.method") != "POST" || text(one, "entry.1.request.url") != "Observation" || text(one, "entry.1.response.status") != "201" ||
		text(one, "entry.2.request.method") != "GET" || text(inStatus(one, "topic"), "valueCanonical") != topicBase+"drain-entry" || text(inStatus(one, "status"), "valueCode") != "active" {
		t.Errorf("full-resource: %s", clipped(one))
	}
	if got := eventParts(one, "focus"); !slices.Equal(got, []string{base + "Observation/" + first}) {
		t.Errorf("focus %v", got)
	}
	if got := eventParts(one, "additional-context"); !slices.Equal(got, []string{base + "Patient/" + beds["a"].patient, base + "Device/" + beds["a"].drain}) {
		t.Errorf("context %v", got)
	}
	r.wait(t, idOnly, 1)
	if n := r.of(idOnly, "event-notification")[0]; typesIn(n) != "Parameters" || len(eventParts(n, "focus")) != 1 || len(eventParts(n, "additional-context")) != 2 {
		t.Errorf("id-only: %s", clipped(n))
	}
	r.wait(t, empty, 1)
	if n := r.of(empty, "event-notification")[0]; typesIn(n) != "Parameters" || len(eventParts(n, "focus"))+len(eventParts(n, "additional-context")) != 0 || inStatus(n, "topic") != nil {
		t.Errorf("empty: %s", clipped(n))
	}

	// Heartbeats, which are no events.
	await(t, "a heartbeat", func() bool { return len(r.of(entries, "heartbeat")) > 0 })
	if n := r.of(entries, "heartbeat")[0]; len(numbersIn(n)) != 0 || typesIn(n) != "Parameters" {
		t.Errorf("heartbeat: %s", clipped(n))
	}

	// By ward and by severity.
	chart("b", 40*time.Minute, 11, "purulent") // high, on the other ward
	chart("a", 30*time.Minute, 12, "purulent")
	r.wait(t, entries, 3)
	r.wait(t, wardA, 2)
	await(t, "a concern", func() bool { return len(r.numbers(high)) > 0 })
	for _, n := range r.of(high, "event-notification") {
		if text(n, "entry.1.resource.resourceType") != "DetectedIssue" || text(n, "entry.1.resource.severity") != "high" || text(n, "entry.2.resource.id") != beds["a"].patient {
			t.Errorf("a concern: %s", clipped(n))
		}
	}
	c.do("POST", "Device/"+beds["a"].drain+"/$acknowledge", obj{"resourceType": "Parameters", "parameter": list{obj{"name": "action", "valueString": "seen"}}}).want(200)
	await(t, "the acknowledgement", func() bool { return len(r.numbers(acked)) == 1 })
	if got := r.numbers(low); len(got) != 0 {
		t.Errorf("low ones are asked for, and %v came", got)
	}

	// $status and $events.
	st := c.do("GET", "Subscription/"+entries+"/$status", nil).want(200)
	if st.str("type") != "searchset" || text(inStatus(st.tree, "type"), "valueCode") != "query-status" || text(inStatus(st.tree, "events-since-subscription-start"), "valueString") != "3" || text(inStatus(st.tree, "status"), "valueCode") != "active" {
		t.Errorf("$status: %s", st.clip())
	}
	// Of the type: all that may be read, or those that are named.
	statuses := func(c *client, query string) (ids []string) {
		for _, e := range c.do("GET", "Subscription/$status"+query, nil).want(200).list("entry") {
			for _, p := range items(e, "resource.parameter") {
				if text(p, "name") == "subscription" {
					ids = append(ids, text(p, "valueReference.reference")[len(base+"Subscription/"):])
				}
			}
		}
		slices.Sort(ids)
		return ids
	}
	all := []string{entries, idOnly, empty, wardA, high, low, acked}
	slices.Sort(all)
	two := slices.Sorted(slices.Values([]string{entries, high}))
	if got := statuses(c, ""); !slices.Equal(got, all) {
		t.Errorf("Subscription/$status: %v, want %v", got, all)
	}
	if got := statuses(c, "?id="+entries+"&id="+high+"&status=active"); !slices.Equal(got, two) {
		t.Errorf("$status by id: %v, want %v", got, two)
	}
	if got := statuses(c, "?status=off"); got != nil {
		t.Errorf("$status of those that are off: %v", got)
	}
	s.clientWith(s.token("--scope", "system/Observation.rs")).do("GET", "Subscription/$status", nil).check(403)
	ev := c.do("GET", "Subscription/"+entries+"/$events?eventsSinceNumber=2&eventsUntilNumber=3&content=id-only", nil).want(200)
	if got := numbersIn(ev.tree); !slices.Equal(got, []int{2, 3}) || ev.str("type") != "history" || typesIn(ev.tree) != "Parameters" || text(inStatus(ev.tree, "type"), "valueCode") != "query-event" {
		t.Errorf("$events: %s", ev.clip())
	}
	c.do("POST", "Subscription/"+entries+"/$events", obj{"resourceType": "Parameters", "parameter": list{obj{"name": "eventsSinceNumber", "valueString": "1"}}}).want(200)
	c.do("GET", "Subscription/"+entries+"/$events?eventsSinceNumber=none", nil).check(400)
	c.do("GET", "Subscription/none/$status", nil).check(404)
	byCriteria := subscribe(obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": "Observation?code=none", "channel": obj{"type": "rest-hook", "endpoint": r.URL + "/criteria"}})
	c.do("GET", "Subscription/"+byCriteria+"/$events", nil).check(400)
	if n := c.do("GET", "Subscription/"+byCriteria+"/$status", nil).want(200); inStatus(n.tree, "topic") != nil || inStatus(n.tree, "events-since-subscription-start") != nil {
		t.Errorf("$status of criteria: %s", n.clip())
	}

	// Rights: to the Subscription, and to each thing that is shown.
	for _, op := range []string{"$status", "$events"} {
		path := "Subscription/" + entries + "/" + op
		s.clientWith("").do("GET", path, nil).check(401)
		s.clientWith(s.token("--scope", "system/Observation.rs")).do("GET", path, nil).check(403)
	}
	blind := s.clientWith(s.token("--scope", "system/Subscription.rs")).do("GET", "Subscription/"+entries+"/$events", nil).want(200)
	if len(numbersIn(blind.tree)) != 3 || typesIn(blind.tree) != "Parameters" || len(eventParts(blind.tree, "focus")) != 0 {
		t.Errorf("$events for who may read no entry: %s", blind.clip())
	}
	s.clientWith(s.token("--scope", "system/Subscription.cruds")).do("POST", "Subscription", ontoTopic("drain-entry", "empty", r.URL+"/in", 0)).check(403)

	// A receiver that is down catches up, over a kill, without a gap.
	r.refuse(true)
	for n := range 10 {
		chart("a", time.Duration(20-n)*time.Minute, 20+n, "")
	}
	await(t, "all have numbers", func() bool {
		return text(inStatus(c.do("GET", "Subscription/"+entries+"/$status", nil).want(200).tree, "events-since-subscription-start"), "valueString") == "13"
	})
	s.kill()
	s = serveIn(t, dir, flags...)
	c = s.client()
	if got := numbersIn(c.do("GET", "Subscription/"+entries+"/$events?eventsSinceNumber=4", nil).want(200).tree); !slices.Equal(got, []int{4, 5, 6, 7, 8, 9, 10, 11, 12, 13}) {
		t.Errorf("$events after a kill: %v", got)
	}
	r.refuse(false)
	r.wait(t, entries, 13)
	r.wait(t, wardA, 12)

	// What is refused at the door.
	for name, body := range map[string]obj{
		"topic":        ontoTopic("weather", "empty", r.URL+"/in", 0),
		"filter":       ontoTopic("concern", "empty", r.URL+"/in", 0, "DetectedIssue?nonsense=1"),
		"content":      ontoTopic("concern", "everything", r.URL+"/in", 0),
		"other target": ontoTopic("concern", "empty", "http://127.0.0.1:9/in", 0),
	} {
		if !c.do("POST", "Subscription", body).check(422) {
			t.Errorf("not refused for its %s", name)
		}
	}
}

func clipped(tree any) string { return fmt.Sprintf("%.3000v", tree) }
