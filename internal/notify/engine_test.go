package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/cenkalti/backoff/v5"
	gocmp "github.com/google/go-cmp/cmp"

	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// got is one request that a receiver said yes to.
type got struct {
	seq   int64
	drain string
}

// receiver keeps what it accepted; behave decides about each request.
type receiverServer struct {
	mu     sync.Mutex
	got    []got
	behave func(r *http.Request, seq int64) int
}

func (s *receiverServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	seq, _ := strconv.ParseInt(r.Header.Get(sequenceHeader), 10, 64)
	body, _ := io.ReadAll(r.Body)
	var o struct{ Device struct{ Reference string } }
	_ = json.Unmarshal(body, &o)
	status := http.StatusOK
	if s.behave != nil {
		status = s.behave(r, seq)
	}
	if status < 300 {
		s.mu.Lock()
		s.got = append(s.got, got{seq, o.Device.Reference})
		s.mu.Unlock()
	}
	w.WriteHeader(status)
}

func (s *receiverServer) all() []got {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.got)
}

// firsts are the accepted ones without later duplicates.
func firsts(all []got) []got {
	seen := map[int64]bool{}
	return slices.DeleteFunc(slices.Clone(all), func(g got) bool {
		again := seen[g.seq]
		seen[g.seq] = true
		return again
	})
}

// checkComplete fails unless every version arrived, in order per drain.
func checkComplete(t *testing.T, all []got, want []store.Version) {
	t.Helper()
	last := map[string]int64{}
	have := map[int64]bool{}
	for _, g := range firsts(all) {
		if g.seq < last[g.drain] {
			t.Errorf("%s: %d came after %d", g.drain, g.seq, last[g.drain])
		}
		last[g.drain] = g.seq
		have[g.seq] = true
	}
	for _, v := range want {
		if !have[v.Seq] {
			t.Errorf("lost: %d (%s)", v.Seq, v.Key)
		}
	}
}

// A receiver that fails at random, hangs, answers late and is restarted, and a
// service that is killed twice on the way: nothing is lost, order is kept.
func TestNothingIsLost(t *testing.T) {
	m := newMemory()
	random := rand.New(rand.NewPCG(1, 2))
	var mu sync.Mutex
	s := &receiverServer{}
	s.behave = func(r *http.Request, _ int64) int {
		mu.Lock()
		n := random.IntN(100)
		mu.Unlock()
		switch {
		case n < 15:
			return []int{500, 503, 404, 400, 429, 301}[n%6]
		case n < 18:
			<-r.Context().Done() // hangs until the sender goes away
			return 500
		case n < 40:
			time.Sleep(time.Duration(n) * 100 * time.Microsecond) // a write conflict with others
		}
		return 204
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := listener.Addr().String()
	serve := func(l net.Listener) *httptest.Server {
		ts := httptest.NewUnstartedServer(s)
		ts.Listener.Close()
		ts.Listener = l
		ts.Start()
		return ts
	}
	ts := serve(listener)
	start := func() (*Engine, *severed) {
		cut := &severed{memory: m}
		o := options(t, cut, m.update, addr)
		o.Timeout = 50 * time.Millisecond
		e := New(o)
		e.Start(context.Background())
		return e, cut
	}
	e, cut := start()
	subscribe(t, e, m, "s1", request("http://"+addr+"/hook"))

	const total, drains = 400, 7
	var want []store.Version
	for i := range total {
		want = append(want, m.chart(t, name("o", i), name("d", i%drains), i))
		if i%10 == 0 {
			want = append(want, m.chart(t, name("o", i/2), name("d", i/2%drains), i)) // a correction
		}
		if i%4 == 0 {
			e.Wake()
			time.Sleep(time.Millisecond)
		}
		switch i {
		case 100, 250: // kill: nothing more reaches the store, the lease is not given back
			cut.sever(true)
			go e.Stop()
			e, cut = start()
		case 180:
			ts.CloseClientConnections()
			ts.Close()
		case 230:
			l, err := net.Listen("tcp", addr)
			if err != nil {
				t.Fatal(err)
			}
			ts = serve(l)
		}
	}
	defer func() { e.Stop(); ts.Close() }()
	eventually(t, "all delivered", func() bool { return len(firsts(s.all())) >= len(want) })
	checkComplete(t, s.all(), want)
	t.Logf("%d changes, %d accepted requests", len(want), len(s.all()))
}

// A restart with time to stop repeats nothing.
func TestRestartResumesExactly(t *testing.T) {
	m, s := newMemory(), &receiverServer{}
	ts := httptest.NewServer(s)
	defer ts.Close()
	addr := ts.Listener.Addr().String()
	var want []store.Version
	e := New(options(t, m, m.update, addr))
	subscribe(t, e, m, "s1", request(ts.URL))
	for round := range 5 {
		e.Start(context.Background())
		for i := range 20 {
			want = append(want, m.chart(t, fmt.Sprintf("o%d-%d", round, i), name("d", i%3), i))
		}
		e.Wake()
		// Stop in the middle, wherever that is.
		eventually(t, "some delivered", func() bool { return len(s.all()) >= 20*round+7 })
		e.Stop()
	}
	e.Start(context.Background())
	defer e.Stop()
	eventually(t, "all delivered", func() bool { return len(s.all()) >= len(want) })
	checkComplete(t, s.all(), want)
	if n := len(s.all()); n != len(want) {
		t.Errorf("%d requests for %d changes", n, len(want))
	}
}

// A receiver that never answers, with far more behind it than is kept at hand,
// holds up neither another subscription nor a write; it gets all in the end.
func TestSlowReceiverIsAlone(t *testing.T) {
	m := newMemory()
	release := make(chan struct{})
	slow := &receiverServer{behave: func(*http.Request, int64) int { <-release; return 200 }}
	quick := &receiverServer{}
	a, b := httptest.NewServer(slow), httptest.NewServer(quick)
	defer a.Close()
	defer b.Close()
	letGo := sync.OnceFunc(func() { close(release) })
	defer letGo() // a failed test must not wait for its own receiver
	o := options(t, m, m.update, a.Listener.Addr().String(), b.Listener.Addr().String())
	o.Timeout = time.Hour
	seen := &observed{}
	o.Observe = seen
	e := New(o)
	e.Start(context.Background())
	defer e.Stop()
	subscribe(t, e, m, "slow", request(a.URL))
	subscribe(t, e, m, "quick", request(b.URL))
	var want []store.Version
	for i := range feedItems + 1500 {
		want = append(want, m.chart(t, name("o", i), name("d", i%50), i))
	}
	e.Wake()
	eventually(t, "the quick one has all", func() bool { return len(firsts(quick.all())) == len(want) })
	checkComplete(t, quick.all(), want)
	eventually(t, "all that wait are counted", func() bool { return seen.waited() == len(want) })
	if n := len(slow.all()); n != 0 {
		t.Fatalf("the slow one answered %d", n)
	}
	letGo()
	eventually(t, "the slow one has all", func() bool { return len(firsts(slow.all())) == len(want) })
	checkComplete(t, slow.all(), want)
}

// One drain's delivery that is always refused holds back that drain alone.
func TestDrainHoldsOnlyItself(t *testing.T) {
	m := newMemory()
	var poison atomic.Int64
	s := &receiverServer{behave: func(_ *http.Request, seq int64) int {
		if seq == poison.Load() {
			return 422
		}
		return 200
	}}
	ts := httptest.NewServer(s)
	defer ts.Close()
	e := New(options(t, m, m.update, ts.Listener.Addr().String()))
	subscribe(t, e, m, "s1", request(ts.URL))
	var want, held, free []store.Version
	poison.Store(m.chart(t, "bad", "d0", 1).Seq)
	want = append(want, m.versions[len(m.versions)-1])
	for i := range 30 {
		v := m.chart(t, name("o", i), name("d", i%3), i)
		if want = append(want, v); i%3 == 0 {
			held = append(held, v)
		} else {
			free = append(free, v)
		}
	}
	// A reading moved from the held drain to another stays behind itself.
	moved := m.chart(t, "bad", "d2", 2)
	e.Start(context.Background())
	defer e.Stop()
	eventually(t, "the other drains are served", func() bool { return len(s.all()) == len(free) })
	checkComplete(t, s.all(), free)
	for _, g := range s.all() {
		if slices.ContainsFunc(held, func(v store.Version) bool { return v.Seq == g.seq }) || g.seq == moved.Seq {
			t.Errorf("%d passed the one that is refused", g.seq)
		}
	}
	poison.Store(0)
	want = append(want, moved)
	eventually(t, "the held drain follows", func() bool { return len(firsts(s.all())) == len(want) })
	checkComplete(t, s.all(), want)
}

// What a receiver refuses for good, or what is a defect of ours, is set aside
// once as many as may wait are behind it, and all others are delivered.
func TestSetAside(t *testing.T) {
	m := newMemory()
	var poison atomic.Int64
	s := &receiverServer{behave: func(_ *http.Request, seq int64) int {
		if seq == poison.Load() {
			return 422
		}
		return 200
	}}
	ts := httptest.NewServer(s)
	defer ts.Close()
	o := options(t, m, m.update, ts.Listener.Addr().String())
	seen := &observed{}
	o.Observe = seen
	may := o.May
	o.May = func(w Owner, n *fhirjson.Node) bool {
		if n.Str("id") == "defect" {
			panic("on purpose")
		}
		return may == nil || may(w, n)
	}
	e := New(o)
	subscribe(t, e, m, "s1", request(ts.URL))
	poison.Store(m.chart(t, "bad", "d0", 1).Seq)
	m.chart(t, "defect", "d1", 1)
	var want []store.Version
	for i := range window + 300 {
		want = append(want, m.chart(t, name("o", i), name("d", 2+i%30), i))
	}
	last := m.chart(t, "behind", "d0", 2)
	e.Start(context.Background())
	defer e.Stop()
	eventually(t, "all others are delivered", func() bool { return len(firsts(s.all())) == len(want)+1 })
	checkComplete(t, s.all(), append(want, last))
	if n := seen.asides.Load(); n != 2 {
		t.Errorf("%d are set aside", n)
	}
}

// A kill forgets neither what waits below what is done, nor what is done.
func TestKillKeepsTheGaps(t *testing.T) {
	m := newMemory()
	var down atomic.Bool // for drain d0
	down.Store(true)
	s := &receiverServer{behave: func(_ *http.Request, seq int64) int {
		v, _ := m.Changes(context.Background(), seq-1, 1)
		if down.Load() && strings.Contains(string(v[0].Body.JSON), `"Device/d0"`) {
			return 503
		}
		return 200
	}}
	ts := httptest.NewServer(s)
	defer ts.Close()
	addr := ts.Listener.Addr().String()
	cut := &severed{memory: m}
	e := New(options(t, cut, m.update, addr))
	subscribe(t, e, m, "s1", request(ts.URL))
	for i := range 30 {
		m.chart(t, name("o", i), name("d", i%3), i)
	}
	want := slices.Clone(m.versions[1:])
	e.Start(context.Background())
	kept := func() (p progress) {
		value, _, _ := m.State(context.Background(), progressPrefix+"s1")
		_ = json.Unmarshal(value, &p)
		return p
	}
	eventually(t, "the gaps are kept", func() bool { return len(kept().Done) == 20 })
	if low := kept().Low; low != want[0].Seq-1 {
		t.Errorf("low mark %d, the oldest that waits is %d", low, want[0].Seq)
	}
	cut.sever(true)
	e.Stop()
	down.Store(false)
	e = New(options(t, m, m.update, addr))
	e.Start(context.Background())
	defer e.Stop()
	eventually(t, "all delivered", func() bool { return len(s.all()) >= 30 && kept().Low >= want[29].Seq })
	checkComplete(t, s.all(), want[:30])
	if n := len(s.all()); n != 30 {
		t.Errorf("%d requests for 30 changes: what was kept as done was sent again", n)
	}
}

func TestWhatIsSent(t *testing.T) {
	type request1 struct{ Method, Path, Auth, Type, Sequence, Body string }
	content := func(code string) *fhirjson.Node {
		return fhirjson.Obj("extension", fhirjson.Arr(fhirjson.Obj("url", payloadContent, "valueCode", code)))
	}
	for what, c := range map[string]struct {
		payload string
		ext     *fhirjson.Node
		want    []request1
	}{
		"none": {"", nil, []request1{
			{"POST", "/hook", secret, "", "3", ""},
			{"POST", "/hook", secret, "", "5", ""},
		}},
		"empty": {"application/fhir+json", content("empty"), []request1{
			{"POST", "/hook", secret, "", "3", ""},
			{"POST", "/hook", secret, "", "5", ""},
		}},
		"full": {"application/fhir+json", content("full-resource"), []request1{
			{"PUT", "/hook/Observation/o1", secret, "application/fhir+json; charset=utf-8", "3", `{"meta":{"versionId":"1","lastUpdated":"2000-01-01T00:00:00.000Z"},"resourceType":"Observation","id":"o1","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"device":{"reference":"Device/d1"},"valueQuantity":{"value":7,"system":"http://unitsofmeasure.org","code":"mL"}}`},
			{"DELETE", "/hook/Observation/o1", secret, "", "5", ""},
		}},
		"id-only": {"application/fhir+json", content("id-only"), []request1{
			{"POST", "/hook", secret, "application/fhir+json; charset=utf-8", "3", `{"resourceType":"Bundle","type":"history","timestamp":"2000-01-01T00:00:00.000Z","entry":[{"fullUrl":"https://tidemark.example.org/fhir/Observation/o1","request":{"method":"PUT","url":"Observation/o1"},"response":{"status":"201","etag":"W/\"1\"","lastModified":"2000-01-01T00:00:00.000Z"}}]}`},
			{"POST", "/hook", secret, "application/fhir+json; charset=utf-8", "5", `{"resourceType":"Bundle","type":"history","timestamp":"2000-01-01T00:00:00.000Z","entry":[{"fullUrl":"https://tidemark.example.org/fhir/Observation/o1","request":{"method":"DELETE","url":"Observation/o1"},"response":{"status":"204","etag":"W/\"2\"","lastModified":"2000-01-01T00:00:00.000Z"}}]}`},
		}},
	} {
		t.Run(what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { // its clock stands at 2000-01-01
				m := newMemory()
				o := options(t, m, m.update, "receiver.example.org:443")
				var requests []request1
				o.transport = transport(func(r *http.Request) (int, error) {
					var body []byte
					if r.Body != nil {
						body, _ = io.ReadAll(r.Body)
					}
					requests = append(requests, request1{r.Method, r.URL.Path, r.Header.Get("Authorization"), r.Header.Get("Content-Type"), r.Header.Get(sequenceHeader), string(body)})
					return 200, nil
				})
				e := New(o)
				n := request("https://receiver.example.org/hook")
				n.Get("channel").Delete("payload")
				if c.payload != "" {
					n.Get("channel").Set("payload", fhirjson.Str(c.payload))
				}
				if c.ext != nil {
					n.Get("channel").Set("_payload", c.ext)
				}
				m.chart(t, "o0", "d1", 1) // before: not notified
				subscribe(t, e, m, "s1", n)
				m.chart(t, "o1", "d1", 7)
				other := reading("x", "d1", 8)
				other.Set("code", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://loinc.org", "code", "1-1"))))
				if _, err := m.put(store.Key{Type: "Observation", ID: "x"}, other, 0); err != nil { // does not match
					t.Fatal(err)
				}
				if _, err := m.put(store.Key{Type: "Observation", ID: "o1"}, nil, 0); err != nil {
					t.Fatal(err)
				}
				e.Start(t.Context())
				idle(time.Minute)
				e.Stop()
				if d := gocmp.Diff(c.want, requests); d != "" {
					t.Error(d)
				}
				if got := m.read(t, "Subscription", "s1").Str("status"); got != "active" {
					t.Error("status is", got)
				}
			})
		})
	}
}

func TestPausesGrowAndGivingUpIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		o := options(t, m, m.update, "receiver.example.org:443")
		var log lines
		seen := &observed{}
		o.Retry, o.Poll, o.TTL = backoff.ExponentialBackOff{}, 10*time.Second, time.Minute // the default pauses
		o.Logger, o.Observe = slog.New(slog.NewTextHandler(&log, nil)), seen
		var tries []time.Time
		var status atomic.Int64
		status.Store(404) // a 4xx is tried again like any other
		o.transport = transport(func(*http.Request) (int, error) {
			tries = append(tries, time.Now())
			return int(status.Load()), nil
		})
		e := New(o)
		subscribe(t, e, m, "s1", request(receiver))
		m.chart(t, "o1", "d1", 7)
		e.Start(t.Context())
		idle(23 * time.Hour)
		// A restart does not start the patience anew.
		e.Stop()
		e.Start(t.Context())
		idle(2 * time.Hour)
		n := m.read(t, "Subscription", "s1")
		if n.Str("status") != "off" || !strings.Contains(n.Str("error"), "24h") || !strings.Contains(n.Str("error"), "404") {
			t.Fatalf("status %s, error %q", n.Str("status"), n.Str("error"))
		}
		if first := tries[1].Sub(tries[0]); first > 800*time.Millisecond {
			t.Errorf("first pause %v", first)
		}
		longest := time.Duration(0)
		for i := range tries[1:] {
			longest = max(longest, tries[i+1].Sub(tries[i]))
		}
		if longest > 5*time.Minute+time.Second || longest < 4*time.Minute {
			t.Errorf("longest pause %v", longest)
		}
		if total := tries[len(tries)-1].Sub(tries[0]); total < 24*time.Hour-time.Second || total > 24*time.Hour+10*time.Minute {
			t.Errorf("given up after %v", total)
		}
		failed := len(tries)
		if seen.count(Refused) != failed {
			t.Errorf("%d failures told, %d tries", seen.count(Refused), failed)
		}
		idle(time.Hour)
		if len(tries) != failed {
			t.Error("a subscription in error was served")
		}
		if len(seen.ended) != 2 { // stopped once and given up once
			t.Errorf("told %d times that it has ended", len(seen.ended))
		}

		// Requested again, it goes on where it stopped, with all patience.
		m.chart(t, "o2", "d1", 8)
		again := m.read(t, "Subscription", "s1")
		Redact(again)
		again.Set("status", fhirjson.Str("requested"))
		subscribe(t, e, m, "s1", again)
		idle(time.Hour)
		status.Store(200)
		idle(time.Hour)
		e.Stop()
		if n := m.read(t, "Subscription", "s1"); n.Str("status") != "active" || n.Get("error") != nil {
			t.Errorf("status %s, error %q", n.Str("status"), n.Str("error"))
		}
		if seen.count(Delivered) != 2 {
			t.Errorf("%d delivered, want both", seen.count(Delivered))
		}
		for _, word := range []string{"s3cr3t", "receiver.example.org"} {
			if strings.Contains(log.String(), word) || strings.Contains(n.Str("error"), word) {
				t.Errorf("%q shows in %s %s", word, log.String(), n.Str("error"))
			}
		}
	})
}

func TestRetryAfterIsObeyed(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "120")
		w.WriteHeader(503)
	}))
	defer s.Close()
	m := newMemory()
	e := New(options(t, m, m.update, s.Listener.Addr().String()))
	sub, err := e.rules.read(request(s.URL), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	got := e.sender.send(context.Background(), &sub, delivery{Version: m.chart(t, "o1", "d1", 1)})
	if want := (outcome{Failing, 503, 2 * time.Minute}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestEndOffAndDeletion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		o := options(t, m, m.update, "receiver.example.org:443")
		o.TTL = time.Minute
		served := map[string]int{}
		var mu sync.Mutex
		o.transport = transport(func(r *http.Request) (int, error) {
			mu.Lock()
			defer mu.Unlock()
			served[r.Header.Get(subscriptionHeader)]++
			return 200, nil
		})
		e := New(o)
		e.Start(t.Context())
		ending := request(receiver)
		ending.Set("end", fhirjson.Str(time.Now().Add(time.Hour).UTC().Format(time.RFC3339)))
		ids := []string{"ends", "off", "gone", "stays"}
		for _, id := range ids {
			n := request(receiver)
			if id == "ends" {
				n = ending
			}
			subscribe(t, e, m, id, n)
		}
		m.chart(t, "o1", "d1", 1)
		idle(time.Minute)
		if want := map[string]int{"ends": 1, "off": 1, "gone": 1, "stays": 1}; !gocmp.Equal(served, want) {
			t.Fatal(served)
		}
		off := m.read(t, "Subscription", "off")
		off.Set("status", fhirjson.Str("off"))
		subscribe(t, e, m, "off", off)
		if _, err := m.put(store.Key{Type: "Subscription", ID: "gone"}, nil, 0); err != nil {
			t.Fatal(err)
		}
		idle(time.Hour)
		m.chart(t, "o2", "d1", 2)
		idle(time.Minute)
		if want := map[string]int{"ends": 1, "off": 1, "gone": 1, "stays": 2}; !gocmp.Equal(served, want) {
			t.Error(served)
		}
		if got := m.read(t, "Subscription", "ends").Str("status"); got != "off" {
			t.Error("after its end:", got)
		}
		names, _ := m.States(t.Context(), progressPrefix)
		if !gocmp.Equal(names, []string{progressPrefix + "stays"}) {
			t.Error("progress kept of", names)
		}
		// On again: what came while it was off is not delivered.
		on := m.read(t, "Subscription", "off")
		Redact(on)
		on.Set("status", fhirjson.Str("requested"))
		subscribe(t, e, m, "off", on)
		m.chart(t, "o3", "d1", 3)
		idle(time.Minute)
		if served["off"] != 2 {
			t.Errorf("%d after on again, want the one since", served["off"])
		}
		// Deleted, ended and no longer allowed while nobody served.
		e.Stop()
		if _, err := m.put(store.Key{Type: "Subscription", ID: "stays"}, nil, 0); err != nil {
			t.Fatal(err)
		}
		o.Targets, _ = ParseTargets([]string{"other.example.org:443"})
		e = New(o)
		e.Start(t.Context())
		idle(time.Minute)
		e.Stop()
		if n := m.read(t, "Subscription", "off"); n.Str("status") != "error" || !strings.Contains(n.Str("error"), "endpoint") {
			t.Errorf("no longer allowed: %s", n.Bytes())
		}
		if names, _ := m.States(t.Context(), progressPrefix+"stays"); len(names) != 0 {
			t.Error("progress kept of a deleted subscription")
		}
	})
}

func TestRightsAtDelivery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		o := options(t, m, m.update, "receiver.example.org:443")
		var owner atomic.Value
		o.May = func(o Owner, n *fhirjson.Node) bool {
			owner.Store(o.Subject)
			return n.Path("device").Str("reference") != "Device/secret"
		}
		var seqs []string
		down := true
		o.transport = transport(func(r *http.Request) (int, error) {
			if down {
				return 0, errors.New("refused")
			}
			seqs = append(seqs, r.Header.Get(sequenceHeader))
			return 200, nil
		})
		e := New(o)
		subscribe(t, e, m, "s1", request(receiver))
		m.chart(t, "o1", "open", 1)      // 2: delivered
		m.chart(t, "o2", "secret", 1)    // 3: not
		v := m.chart(t, "o3", "open", 1) // 4: not, for it is withdrawn below
		m.chart(t, "o4", "open", 1)      // 5: delivered
		// A deletion is evaluated by what was there.
		if _, err := m.put(v.Key, reading("o3", "secret", 1), 0); err != nil {
			t.Fatal(err)
		}
		if _, err := m.put(store.Key{Type: "Observation", ID: "o2"}, nil, 0); err != nil {
			t.Fatal(err)
		}
		down = false
		e.Start(t.Context())
		idle(time.Minute)
		e.Stop()
		if !gocmp.Equal(seqs, []string{"2", "5"}) {
			t.Error("delivered", seqs)
		}
		if owner.Load() != "Practitioner/n1" {
			t.Error("evaluated with the rights of", owner.Load())
		}
	})
}

// What was erased while its delivery waited in memory is not delivered.
func TestErasedIsNotDelivered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		o := options(t, m, m.update, "receiver.example.org:443")
		var mu sync.Mutex // two drains are delivered at once
		var seqs []string
		var down atomic.Bool
		down.Store(true)
		var tried atomic.Int64
		o.transport = transport(func(r *http.Request) (int, error) {
			if down.Load() {
				tried.Add(1)
				return 0, errors.New("refused")
			}
			mu.Lock()
			defer mu.Unlock()
			seqs = append(seqs, r.Header.Get(sequenceHeader))
			return 200, nil
		})
		e := New(o)
		subscribe(t, e, m, "s1", request(receiver))
		v := m.chart(t, "o1", "d1", 1) // 2
		m.chart(t, "o2", "d2", 1)      // 3
		e.Start(t.Context())
		idle(5 * time.Second)
		if tried.Load() == 0 {
			t.Fatal("nothing was tried, so that nothing waits in memory")
		}
		if _, err := m.put(v.Key, nil, 0); err != nil {
			t.Fatal(err)
		}
		m.mu.Lock()
		for i := range m.versions {
			if m.versions[i].Key == v.Key {
				m.versions[i].Method, m.versions[i].Body, m.versions[i].Erased = store.Delete, store.Body{}, true
			}
		}
		m.mu.Unlock()
		down.Store(false)
		idle(10 * time.Minute)
		e.Stop()
		if !gocmp.Equal(seqs, []string{"3"}) {
			t.Error("delivered", seqs)
		}
	})
}

func TestNoRedirectNoPrivateAddress(t *testing.T) {
	var reached atomic.Int64
	private := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached.Add(1) }))
	defer private.Close()
	_, port, _ := net.SplitHostPort(private.Listener.Addr().String())
	redirects := httptest.NewServer(http.RedirectHandler(private.URL, http.StatusTemporaryRedirect))
	defer redirects.Close()
	m := newMemory()
	v := m.chart(t, "o1", "d1", 1)
	send := func(endpoint string, targets ...string) Reason {
		t.Helper()
		// Checked when it was written under a list that let it pass: the
		// connection is what is under test.
		host := strings.TrimPrefix(endpoint, "http://")
		sub, err := New(options(t, m, m.update, host)).rules.read(request(endpoint), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		return New(options(t, m, m.update, targets...)).sender.send(context.Background(), &sub, delivery{Version: v}).reason
	}
	for _, c := range []struct {
		endpoint string
		targets  []string
		want     Reason
	}{
		{redirects.URL, []string{redirects.Listener.Addr().String(), private.Listener.Addr().String()}, Redirect},
		{"http://127.0.0.1:" + port, []string{"*:" + port}, Address},
		{"http://localhost:" + port, []string{"*:" + port}, Address}, // a name that resolves to one
		{"http://127.0.0.1:" + port, []string{"receiver.example.org:443"}, Address},
		{"http://0.0.0.0:" + port, []string{"*:" + port}, Address},
	} {
		if got := send(c.endpoint, c.targets...); got != c.want {
			t.Errorf("%s with %v: %q, want %q", c.endpoint, c.targets, got, c.want)
		}
	}
	if reached.Load() != 0 {
		t.Fatal("a private address was reached")
	}
	if got := send("http://localhost:"+port, "localhost:"+port); got != Delivered || reached.Load() != 1 {
		t.Errorf("exactly listed: %q", got)
	}
}

// Every way to fail ends in a reason of ours: nothing of the URL or a header.
func TestFailuresLeakNothing(t *testing.T) {
	hang := make(chan struct{})
	hanging := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-hang }))
	defer hanging.Close()
	defer close(hang)
	cut := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }))
	defer cut.Close()
	secure := httptest.NewTLSServer(http.NotFoundHandler())
	secure.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	defer secure.Close()
	closed := httptest.NewServer(nil)
	closed.Close()
	for what, c := range map[string]struct {
		url    string
		cancel bool
		want   Reason
	}{
		"cancelled":   {hanging.URL, true, Stopped},
		"hangs":       {hanging.URL, false, Timeout},
		"cut":         {cut.URL, false, Connection},
		"closed":      {closed.URL, false, Connection},
		"certificate": {secure.URL, false, Certificate},
		"lookup":      {"http://receiver.invalid:80", false, Lookup},
	} {
		m := newMemory()
		var log lines
		seen := &observed{}
		addr := c.url[strings.Index(c.url, "//")+2:]
		o := options(t, m, m.update, addr)
		o.Logger, o.Observe, o.Timeout = slog.New(slog.NewTextHandler(&log, nil)), seen, time.Hour
		if c.want == Timeout {
			o.Timeout = 100 * time.Millisecond
		}
		e := New(o)
		subscribe(t, e, m, "s1", request(c.url+"/path-of-the-receiver"))
		sub, err := e.rules.read(m.read(t, "Subscription", "s1"), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		if c.cancel {
			time.AfterFunc(20*time.Millisecond, cancel)
		}
		if got := e.sender.send(ctx, &sub, delivery{Version: m.chart(t, "o1", "d1", 1)}).reason; got != c.want {
			t.Errorf("%s: %q, want %q", what, got, c.want)
		}
		cancel()
		if !c.cancel {
			e.Start(context.Background())
			eventually(t, what+" is told", func() bool { return seen.count(c.want) > 1 })
			e.Stop()
		}
		for _, word := range []string{"s3cr3t", "path-of-the-receiver", addr} {
			if strings.Contains(log.String(), word) {
				t.Errorf("%s: %q shows in %s", what, word, log.String())
			}
		}
	}
}

// Two processes: one serves, and when it is cut off the other takes over; what
// the first still tries to keep is refused.
func TestOneProcessServes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		served := [2]map[string]int{{}, {}}
		var engines [2]*Engine
		var cuts [2]*severed
		var mu sync.Mutex
		for i := range engines {
			cuts[i] = &severed{memory: m}
			o := options(t, cuts[i], m.update, "receiver.example.org:443")
			o.TTL = 0 // the default
			o.transport = transport(func(r *http.Request) (int, error) {
				mu.Lock()
				defer mu.Unlock()
				served[i][r.Header.Get(sequenceHeader)]++
				return 200, nil
			})
			engines[i] = New(o)
			engines[i].Start(t.Context())
			idle(time.Second)
		}
		subscribe(t, engines[1], m, "s1", request(receiver))
		chart := func(from, to int) {
			for i := from; i < to; i++ {
				m.chart(t, name("o", i), name("d", i%3), i)
				idle(300 * time.Millisecond)
			}
		}
		chart(0, 20)
		idle(time.Second)
		if len(served[0]) != 20 || len(served[1]) != 0 {
			t.Fatalf("%d and %d before", len(served[0]), len(served[1]))
		}
		cuts[0].sever(true)
		idle(15 * time.Second)
		chart(20, 40)
		cuts[0].sever(false)
		chart(40, 60)
		idle(time.Second)
		if len(served[0]) != 20 || len(served[1]) < 40 {
			t.Errorf("%d and %d after the takeover", len(served[0]), len(served[1]))
		}
		all := map[string]int{}
		for _, s := range served {
			for seq := range s {
				all[seq]++
			}
		}
		if len(all) != 60 {
			t.Errorf("%d of 60 delivered", len(all))
		}
		engines[1].Stop() // gives back: the first serves again without delay
		idle(3 * time.Second)
		chart(60, 70)
		idle(time.Second)
		if len(served[0]) < 30 {
			t.Errorf("%d by the first after the second left", len(served[0]))
		}
		engines[0].Stop()
	})
}

func TestSaveOfAnEarlierTermIsRefused(t *testing.T) {
	m, ctx := newMemory(), context.Background()
	sub := &subscription{id: "s1", owner: Owner{Run: "r"}}
	first, p, err := openLedger(ctx, m, sub, 1, 5, false)
	if err != nil || p.Low != 5 {
		t.Fatal(p, err)
	}
	p.Low, p.Done = 7, []int64{9}
	if err := first.save(ctx, p); err != nil {
		t.Fatal(err)
	}
	second, q, err := openLedger(ctx, m, sub, 2, 99, false)
	if err != nil || q.Low != 7 || !gocmp.Equal(q.Done, []int64{9}) {
		t.Fatal(q, err)
	}
	if err := first.save(ctx, p); !errors.Is(err, errFenced) {
		t.Errorf("late save of the first term: %v", err)
	}
	if err := first.drop(ctx); !errors.Is(err, errFenced) {
		t.Errorf("late drop of the first term: %v", err)
	}
	if _, _, err := openLedger(ctx, m, sub, 1, 5, false); !errors.Is(err, errFenced) {
		t.Errorf("opened by an earlier term: %v", err)
	}
	if err := second.save(ctx, q); err != nil {
		t.Error(err)
	}
	if _, r, err := openLedger(ctx, m, &subscription{id: "s1", owner: Owner{Run: "next"}}, 3, 99, false); err != nil || r.Low != 99 || r.Done != nil {
		t.Errorf("another run: %+v, %v", r, err)
	}
}

// idle lets a bubble's time pass, and its goroutines come to rest.
func idle(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func BenchmarkDelivery(b *testing.B) {
	m, s := newMemory(), &receiverServer{}
	ts := httptest.NewServer(s)
	defer ts.Close()
	seen := &observed{}
	o := options(b, m, m.update, ts.Listener.Addr().String())
	o.Observe = seen
	e := New(o)
	e.Start(context.Background())
	defer e.Stop()
	subscribe(b, e, m, "s1", request(ts.URL))
	eventually(b, "active", func() bool { return m.read(b, "Subscription", "s1").Str("status") == "active" })
	for i := 0; b.Loop(); i++ {
		m.chart(b, name("o", i), name("d", i%60), i)
		e.Wake()
		for seen.count(Delivered) <= i {
			time.Sleep(20 * time.Microsecond)
		}
	}
	slices.SortFunc(seen.after, cmp.Compare[time.Duration])
	b.ReportMetric(float64(seen.after[len(seen.after)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(seen.after[len(seen.after)*99/100].Microseconds()), "p99-µs")
}
