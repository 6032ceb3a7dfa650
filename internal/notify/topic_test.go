package notify

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// inbox takes notifications of a topic.
type inbox struct {
	*httptest.Server
	mu   sync.Mutex
	code int // answer; 0: 204
	got  []*fhirjson.Node
	all  int // requests, refused ones too
}

func newInbox(t *testing.T) *inbox {
	b := &inbox{}
	b.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		b.mu.Lock()
		defer b.mu.Unlock()
		b.all++
		if b.code != 0 {
			w.WriteHeader(b.code)
			return
		}
		n, err := fhirjson.Parse(body)
		if err != nil || r.Method != "POST" || r.URL.Path != "/in" {
			t.Errorf("%s %s: %v", r.Method, r.URL.Path, err)
			return
		}
		b.got = append(b.got, n)
		w.WriteHeader(204)
	}))
	t.Cleanup(b.Close)
	return b
}

func (b *inbox) answer(code int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.code = code
}

func (b *inbox) requests() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.all
}

// of gives the notifications of a kind, in the order of arrival.
func (b *inbox) of(kind string) []*fhirjson.Node {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []*fhirjson.Node
	for _, n := range b.got {
		if parameter(n, "type").Str("valueCode") == kind {
			out = append(out, n)
		}
	}
	return out
}

// numbers are the event numbers that came, in order, each once.
func (b *inbox) numbers() []int {
	var out []int
	for _, n := range b.of(onEvent) {
		i, _ := strconv.Atoi(part(n, "event-number").Str("valueString"))
		out = append(out, i)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func parameter(bundle *fhirjson.Node, name string) *fhirjson.Node {
	for _, p := range bundle.Each("entry")[0].Get("resource").Each("parameter") {
		if p.Str("name") == name {
			return p
		}
	}
	return &fhirjson.Node{Kind: fhirjson.Object}
}

func part(bundle *fhirjson.Node, name string) *fhirjson.Node {
	for _, p := range parameter(bundle, "notification-event").Each("part") {
		if p.Str("name") == name {
			return p
		}
	}
	return &fhirjson.Node{Kind: fhirjson.Object}
}

func onTopic(name, content, endpoint string, filters ...string) *fhirjson.Node {
	n := fhirjson.Obj("resourceType", "Subscription", "status", "requested", "reason", "test", "criteria", topicPrefix+name,
		"channel", fhirjson.Obj("type", "rest-hook", "endpoint", endpoint, "payload", "application/fhir+json",
			"_payload", fhirjson.Obj("extension", fhirjson.Arr(fhirjson.Obj("url", payloadContent, "valueCode", content)))))
	var list []any
	for _, f := range filters {
		list = append(list, fhirjson.Obj("url", filterBy, "valueString", f))
	}
	if list != nil {
		n.Set("_criteria", fhirjson.Obj("extension", fhirjson.Arr(list...)))
	}
	return n
}

func topicEngine(t *testing.T, m *memory, b *inbox) Options {
	return options(t, m, m.update, strings.TrimPrefix(b.URL, "http://"))
}

// What a topic Subscription may be.
func TestTopicIsChecked(t *testing.T) {
	e := hookEngine(t)
	good := func() *fhirjson.Node { return onTopic("concern", "id-only", receiver) }
	channel := func(n *fhirjson.Node, url, member string, value any) *fhirjson.Node {
		n.Get("channel").Set("extension", fhirjson.Arr(fhirjson.Obj("url", url, member, value)))
		return n
	}
	without := good()
	without.Get("channel").Delete("_payload")
	bare := good()
	bare.Get("channel").Delete("payload")
	for name, c := range map[string]struct {
		n     *fhirjson.Node
		names string
	}{
		"as it should be":       {good(), ""},
		"filter":                {onTopic("concern", "empty", receiver, "DetectedIssue?severity=high", "DetectedIssue?location=Location/a"), ""},
		"heartbeat":             {channel(good(), heartbeatBy, "valueUnsignedInt", 60), ""},
		"no such topic":         {onTopic("weather", "empty", receiver), "no topic"},
		"filter on another":     {onTopic("concern", "empty", receiver, "Patient?name=a"), "search on its focus"},
		"filter without a type": {onTopic("concern", "empty", receiver, "severity=high"), "search on its focus"},
		"filter unknown":        {onTopic("drain-entry", "empty", receiver, "Observation?severity=high"), "severity"},
		"no content":            {without, "backport-payload-content"},
		"no payload":            {bare, "application/fhir+json"},
		"content unknown":       {onTopic("concern", "all", receiver), "full-resource"},
		"heartbeat of 0":        {channel(good(), heartbeatBy, "valueUnsignedInt", 0), "heartbeat"},
		"heartbeat of text":     {channel(good(), heartbeatBy, "valueString", "1"), "heartbeat"},
	} {
		err := e.Hook(context.Background(), caller(t, "Practitioner/n1", "user/*.cruds"), c.n, nil)
		if (err == nil) != (c.names == "") || err != nil && !strings.Contains(err.Error(), c.names) {
			t.Errorf("%s: %v", name, err)
		}
	}
	err := e.Hook(context.Background(), caller(t, "Practitioner/n1", "user/Subscription.cruds"), good(), nil)
	if err == nil {
		t.Error("who may not read concerns subscribed to them")
	}
}

// The shapes of the backport's example Bundles: r4-notification-handshake, -heartbeat,
// -empty, -id-only, -full-resource and -multi-resource (BackportNotificationR4.fsh of
// HL7/fhir-subscription-backport-ig). Ours are below each other in one table:
// parameters of the first entry in order, parts of the event, entries behind it.
func TestNotificationsAreShapedAsInTheGuide(t *testing.T) {
	const head = "subscription:valueReference "
	for _, c := range []struct{ content, kind, parameters, parts, entries string }{
		{"id-only", handshake, head + "topic:valueCanonical status:valueCode type:valueCode events-since-subscription-start:valueString", "", ""},
		{"id-only", heartbeat, head + "topic:valueCanonical status:valueCode type:valueCode events-since-subscription-start:valueString", "", ""},
		// payloads.html, Empty: no references, no other entries; the topic SHOULD NOT be there.
		{"empty", onEvent, head + "status:valueCode type:valueCode events-since-subscription-start:valueString notification-event:part", "event-number:valueString timestamp:valueInstant", ""},
		{"id-only", onEvent, head + "topic:valueCanonical status:valueCode type:valueCode events-since-subscription-start:valueString notification-event:part",
			"event-number:valueString timestamp:valueInstant focus:valueReference additional-context:valueReference additional-context:valueReference", ""},
		{"full-resource", onEvent, head + "topic:valueCanonical status:valueCode type:valueCode events-since-subscription-start:valueString notification-event:part",
			"event-number:valueString timestamp:valueInstant focus:valueReference additional-context:valueReference additional-context:valueReference",
			"PUT Observation 201, GET Patient 200, GET Device 200"},
	} {
		t.Run(c.content+" "+c.kind, func(t *testing.T) {
			m, b := newMemory(), newInbox(t)
			e := New(topicEngine(t, m, b))
			n := onTopic("drain-entry", c.content, b.URL+"/in")
			n.Get("channel").Set("extension", fhirjson.Arr(fhirjson.Obj("url", heartbeatBy, "valueUnsignedInt", 1)))
			person(t, m, "p", "d")
			subscribe(t, e, m, "s", n)
			e.Start(t.Context())
			defer e.Stop()
			chartOf(t, m, "o", "d", "p")
			e.Wake()
			eventually(t, "a "+c.kind, func() bool { return len(b.of(c.kind)) > 0 })
			got := b.of(c.kind)[0]
			first := got.Each("entry")[0]
			if got.Str("type") != "history" || first.Get("resource").Str("resourceType") != "Parameters" || first.Get("resource").Get("meta").Each("profile")[0].Text != statusProfile ||
				first.Get("request").Str("method") != "GET" || first.Get("request").Str("url") != "https://tidemark.example.org/fhir/Subscription/s/$status" ||
				first.Get("response").Str("status") != "200" || first.Str("fullUrl") != "urn:uuid:"+first.Get("resource").Str("id") {
				t.Errorf("the frame: %s", got.Bytes())
			}
			if p := members(first.Get("resource").Each("parameter")); p != c.parameters {
				t.Errorf("parameters\n%s, want\n%s", p, c.parameters)
			}
			if p := members(parameter(got, "notification-event").Each("part")); p != c.parts {
				t.Errorf("parts\n%s, want\n%s", p, c.parts)
			}
			var entries []string
			for _, x := range got.Each("entry")[1:] {
				entries = append(entries, x.Get("request").Str("method")+" "+x.Get("resource").Str("resourceType")+" "+x.Get("response").Str("status"))
			}
			if strings.Join(entries, ", ") != c.entries {
				t.Errorf("entries %q, want %q", entries, c.entries)
			}
			if want := map[bool]string{true: "requested", false: "active"}[c.kind == handshake]; parameter(got, "status").Str("valueCode") != want {
				t.Errorf("status %s", parameter(got, "status").Str("valueCode"))
			}
		})
	}
}

func members(list []*fhirjson.Node) string {
	var out []string
	for _, p := range list {
		for _, m := range p.Members {
			if m.Name != "name" {
				out = append(out, p.Str("name")+":"+m.Name)
			}
		}
	}
	return strings.Join(out, " ")
}

// person writes a patient with a drain.
func person(t *testing.T, m *memory, patient, drain string) {
	t.Helper()
	for key, n := range map[store.Key]*fhirjson.Node{
		{Type: "Patient", ID: patient}: fhirjson.Obj("resourceType", "Patient", "active", true),
		{Type: "Device", ID: drain}:    fhirjson.Obj("resourceType", "Device", "status", "active"),
	} {
		if _, err := m.put(key, n, 0); err != nil {
			t.Fatal(err)
		}
	}
}

func chartOf(t *testing.T, m *memory, id, drain, patient string) {
	t.Helper()
	n := reading(id, drain, 10)
	n.Set("subject", fhirjson.Obj("reference", "Patient/"+patient))
	if _, err := m.put(store.Key{Type: "Observation", ID: id}, n, 0); err != nil {
		t.Fatal(err)
	}
}

// concernOf writes a version of a concern.
func concernOf(t *testing.T, m *memory, id, drain, severity, reason, at string, acknowledged int) {
	t.Helper()
	n := fhirjson.Obj("resourceType", "DetectedIssue", "status", "final", "severity", severity, "implicated", fhirjson.Arr(fhirjson.Obj("reference", "Device/"+drain)),
		"extension", fhirjson.Arr(fhirjson.Obj("url", fhirmap.ExtensionAnnounced, "valueDateTime", at), fhirjson.Obj("url", fhirmap.ExtensionAnnouncement, "valueCode", reason)))
	var done []any
	for range acknowledged {
		done = append(done, fhirjson.Obj("action", fhirjson.Obj("text", "seen")))
	}
	if done != nil {
		n.Set("mitigation", fhirjson.Arr(done...))
	}
	if _, err := m.put(store.Key{Type: "DetectedIssue", ID: id}, n, 0); err != nil {
		t.Fatal(err)
	}
}

// Each topic tells of its own changes, and the filters narrow it.
func TestTopicsAndFilters(t *testing.T) {
	for name, c := range map[string]struct {
		topic   string
		filters []string
		want    int
	}{
		"all":              {"concern", nil, 6},
		"opened":           {"concern-opened", nil, 2},
		"worse":            {"concern-worse", nil, 1},
		"acknowledged":     {"concern-acknowledged", nil, 1},
		"closed":           {"concern-closed", nil, 1},
		"severity":         {"concern", []string{"DetectedIssue?severity=high"}, 4},
		"ward":             {"concern", []string{"DetectedIssue?location=Location/bed-x"}, 1},
		"both":             {"concern", []string{"DetectedIssue?severity=high", "DetectedIssue?location=Location/bed-x"}, 0},
		"entries":          {"drain-entry", nil, 1},
		"entries of a bed": {"drain-entry", []string{"Observation?location=Location/bed-x"}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			m, b := newMemory(), newInbox(t)
			e := New(topicEngine(t, m, b))
			subscribe(t, e, m, "s", onTopic(c.topic, "id-only", b.URL+"/in", c.filters...))
			e.Start(t.Context())
			defer e.Stop()
			concernOf(t, m, "c", "d", "moderate", "opened", "2026-01-01T00:00:00Z", 0)
			concernOf(t, m, "c", "d", "high", "worse", "2026-01-01T01:00:00Z", 0)
			concernOf(t, m, "c", "d", "high", "worse", "2026-01-01T01:00:00Z", 0) // new evidence
			concernOf(t, m, "c", "d", "high", "repeated", "2026-01-01T01:30:00Z", 0)
			concernOf(t, m, "c", "d", "high", "repeated", "2026-01-01T01:30:00Z", 1)
			concernOf(t, m, "c", "d", "high", "closed", "2026-01-01T02:00:00Z", 1)
			concernOf(t, m, "x", "x", "low", "opened", "2026-01-01T03:00:00Z", 0)
			m.chart(t, "o", "d", 5)
			if _, err := m.put(store.Key{Type: "Observation", ID: "other"}, fhirjson.Obj("resourceType", "Observation", "status", "final"), 0); err != nil {
				t.Fatal(err)
			}
			e.Wake()
			eventually(t, "the events", func() bool { return len(b.numbers()) >= c.want && len(b.of(handshake)) > 0 })
			time.Sleep(100 * time.Millisecond)
			if got := b.numbers(); len(got) != c.want || c.want > 0 && (got[0] != 1 || got[len(got)-1] != c.want) {
				t.Errorf("events %v, want 1 to %d", got, c.want)
			}
		})
	}
}

// Nothing is told before the handshake is accepted, and nothing is lost meanwhile.
func TestHandshakeComesFirst(t *testing.T) {
	m, b := newMemory(), newInbox(t)
	b.answer(500)
	e := New(topicEngine(t, m, b))
	subscribe(t, e, m, "s", onTopic("drain-entry", "id-only", b.URL+"/in"))
	e.Start(t.Context())
	defer e.Stop()
	m.chart(t, "o1", "d", 1)
	e.Wake()
	eventually(t, "an error", func() bool {
		n := m.read(t, "Subscription", "s")
		return n.Str("status") == "error" && strings.Contains(n.Str("error"), "handshake") && b.requests() > 2
	})
	e.Stop() // what was not accepted is asked again by the next process
	e = New(topicEngine(t, m, b))
	e.Start(t.Context())
	defer e.Stop()
	before := b.requests()
	eventually(t, "tries go on", func() bool { return b.requests() > before })
	b.answer(0)
	eventually(t, "active and told", func() bool {
		n := m.read(t, "Subscription", "s")
		return n.Str("status") == "active" && n.Get("error") == nil && len(b.numbers()) == 1
	})
	b.mu.Lock()
	defer b.mu.Unlock()
	if first := parameter(b.got[0], "type").Str("valueCode"); first != handshake {
		t.Errorf("the first that was accepted is a %s", first)
	}
}

// Numbers have no gaps and stay with their events over restarts, although the drain
// has moved away since and one is hidden: that one keeps its number, and shows nothing.
func TestNumbersSurvive(t *testing.T) {
	m, b := newMemory(), newInbox(t)
	o := topicEngine(t, m, b)
	var mu sync.Mutex
	place, hidden := "ward-a", map[string]bool{}
	o.Where = func(context.Context, string) ([]string, error) {
		mu.Lock()
		defer mu.Unlock()
		return []string{place}, nil
	}
	o.May = func(_ Owner, n *fhirjson.Node) bool {
		mu.Lock()
		defer mu.Unlock()
		return !hidden[n.Str("id")]
	}
	hidden["never"] = true
	e := New(o)
	subscribe(t, e, m, "s", onTopic("drain-entry", "full-resource", b.URL+"/in", "Observation?location=Location/ward-a"))
	e.Start(t.Context())
	eventually(t, "active", func() bool { return m.read(t, "Subscription", "s").Str("status") == "active" })
	b.answer(503)
	const events = 300 // more than a block
	for i := range events {
		m.chart(t, "o"+strconv.Itoa(i), "d"+strconv.Itoa(i%7), i)
	}
	m.chart(t, "never", "d0", 1)
	e.Wake()
	status := func(e *Engine) string {
		v, _ := m.Read(context.Background(), store.Key{Type: "Subscription", ID: "s"})
		n, err := e.Status(context.Background(), []store.Version{v})
		if err != nil {
			t.Fatal(err)
		}
		return parameter(n, "events-since-subscription-start").Str("valueString")
	}
	eventually(t, "all are numbered", func() bool { return status(e) == strconv.Itoa(events) })
	e.Stop()
	mu.Lock()
	place, hidden["o3"] = "ward-b", true
	mu.Unlock()
	e = New(o)
	e.Start(t.Context())
	defer e.Stop()
	m.chart(t, "elsewhere", "d0", 1)
	b.answer(0)
	eventually(t, "all arrive", func() bool { return len(b.numbers()) == events })
	for _, n := range b.of(onEvent) {
		number, _ := strconv.Atoi(part(n, "event-number").Str("valueString"))
		focus := part(n, "focus").Get("valueReference").Str("reference")
		want := "https://tidemark.example.org/fhir/Observation/o" + strconv.Itoa(number-1)
		if number == 4 {
			if focus != "" || len(n.Each("entry")) != 1 {
				t.Errorf("what is hidden now: %s", n.Bytes())
			}
		} else if focus != want {
			t.Fatalf("event %d is %s", number, focus)
		}
	}
	if got := status(e); got != strconv.Itoa(events) {
		t.Errorf("$status says %s events", got)
	}
	pages(t, e, m, events)
}

// pages reads $events to the end.
func pages(t *testing.T, e *Engine, m *memory, want int) {
	t.Helper()
	v, err := m.Read(context.Background(), store.Key{Type: "Subscription", ID: "s"})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(from, until int64, may bool) *fhirjson.Node {
		n, err := e.Events(context.Background(), v, from, until, "id-only", func(*fhirjson.Node) bool { return may })
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	count := func(n *fhirjson.Node) (events, shown int) {
		for _, p := range n.Each("entry")[0].Get("resource").Each("parameter") {
			if p.Str("name") == "notification-event" {
				events++
				for _, x := range p.Each("part") {
					if x.Str("name") == "focus" {
						shown++
					}
				}
			}
		}
		return events, shown
	}
	total := 0
	for from := int64(1); ; {
		n, _ := count(ask(from, 0, true))
		if n > MaxEvents {
			t.Fatalf("a page of %d", n)
		}
		if total += n; n == 0 {
			break
		}
		from += int64(n)
	}
	if total != want {
		t.Errorf("$events gives %d, want %d", total, want)
	}
	if n, shown := count(ask(5, 9, true)); n != 5 || shown != 5 {
		t.Errorf("5 to 9: %d, %d shown", n, shown)
	}
	if n, shown := count(ask(5, 9, false)); n != 5 || shown != 0 {
		t.Errorf("5 to 9 for who may read none: %d, %d shown", n, shown)
	}
}

// A page of large resources ends before it is large itself, and the next goes on.
func TestPagesAreBoundedInBytes(t *testing.T) {
	m := newMemory()
	o := options(t, m, m.update, "receiver.example.org:443")
	e := New(o)
	subscribe(t, e, m, "s", onTopic("drain-entry", "full-resource", receiver))
	n := m.read(t, "Subscription", "s")
	owner, err := readOwner(n)
	if err != nil {
		t.Fatal(err)
	}
	l, err := openLog(t.Context(), m, "s", owner.Run, 1)
	if err != nil {
		t.Fatal(err)
	}
	var seqs []int64
	for i := range 12 {
		r := reading(name("o", i), "d", i)
		r.Set("note", fhirjson.Arr(fhirjson.Obj("text", strings.Repeat("x", 900<<10))))
		v, err := m.put(store.Key{Type: "Observation", ID: name("o", i)}, r, 0)
		if err != nil {
			t.Fatal(err)
		}
		seqs = append(seqs, v.Seq)
	}
	if err := l.append(t.Context(), seqs); err != nil {
		t.Fatal(err)
	}
	v, _ := m.Read(t.Context(), store.Key{Type: "Subscription", ID: "s"})
	got := 0
	for asked := 1; got < 12; asked++ {
		page, err := e.Events(t.Context(), v, int64(got+1), 0, "", func(*fhirjson.Node) bool { return true })
		if err != nil {
			t.Fatal(err)
		}
		events := len(page.Each("entry")) - 1
		if size := len(page.Bytes()); events == 0 || size > maxEventBytes+1<<20 || asked > 12 {
			t.Fatalf("page %d: %d events, %d bytes", asked, events, size)
		}
		got += events
	}
}

// A log is bounded, and gone with its Subscription.
func TestLogIsBounded(t *testing.T) {
	m := newMemory()
	l, err := openLog(t.Context(), m, "s", "run", 1)
	if err != nil {
		t.Fatal(err)
	}
	seq := int64(0)
	for range (blocksKept + 5) * 4 {
		var some []int64
		for range blockSize / 4 {
			seq += 3
			some = append(some, seq)
		}
		if err := l.append(t.Context(), some); err != nil {
			t.Fatal(err)
		}
	}
	if n, ok := l.number(seq); !ok || n != l.total || n != seq/3 {
		t.Errorf("the last is %d of %d", n, l.total)
	}
	if _, ok := l.number(seq - 1); ok {
		t.Error("what was not logged has a number")
	}
	names, _ := m.States(t.Context(), logPrefix)
	if len(names) > blocksKept {
		t.Errorf("%d blocks are kept", len(names))
	}
	// A later term takes it over; the earlier one cannot write any more.
	next, err := openLog(t.Context(), m, "s", "run", 2)
	if err != nil || next.total != l.total {
		t.Fatalf("taken over: %v, %d events", err, next.total)
	}
	if err := l.append(t.Context(), []int64{seq + 3}); err == nil {
		t.Error("an earlier term wrote on")
	}
	if err := next.append(t.Context(), []int64{seq + 3}); err != nil {
		t.Error(err)
	}
	// Another life of the Subscription begins at 1.
	fresh, err := openLog(t.Context(), m, "s", "other run", 3)
	if err != nil || fresh.total != 0 {
		t.Errorf("a new run: %v, %d events", err, fresh.total)
	}
	if err := dropLog(t.Context(), m, "s"); err != nil {
		t.Error(err)
	}
	if names, _ := m.States(t.Context(), logPrefix); len(names) != 0 {
		t.Errorf("left: %v", names)
	}
}
