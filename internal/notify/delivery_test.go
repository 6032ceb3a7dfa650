package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
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
	"github.com/remitly-oss/httpsig-go"
	"github.com/remitly-oss/httpsig-go/keyman"

	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// A receiver that was away for hours has 1,000 missed deliveries of 50 drains
// soon after its first yes, and while it was away it was asked once a pause and
// not once a drain.
func TestBackAfterAnOutage(t *testing.T) {
	for name, down := range map[string]func() (int, error){
		"no connection":   func() (int, error) { return 0, errors.New("connection refused") },
		"unavailable":     func() (int, error) { return 503, nil },
		"internal errors": func() (int, error) { return 500, nil },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := newMemory()
				o := options(t, m, m.update, "receiver.example.org:443")
				seen := &observed{}
				o.Observe = seen
				o.Retry, o.Poll, o.TTL = backoff.ExponentialBackOff{}, 10*time.Second, time.Minute // the default pauses
				up := false
				var mu sync.Mutex
				tries, taken := 0, 0
				o.transport = transport(func(*http.Request) (int, error) {
					mu.Lock()
					defer mu.Unlock()
					if tries++; !up {
						return down()
					}
					taken++
					return 200, nil
				})
				e := New(o)
				subscribe(t, e, m, "s", request(receiver))
				e.Start(t.Context())
				defer e.Stop()
				idle(time.Second)
				const missed, drains = 1000, 50
				for i := range missed {
					m.chart(t, "o"+strconv.Itoa(i), "d"+strconv.Itoa(i%drains), i)
				}
				e.Wake()
				idle(6 * time.Hour)
				mu.Lock()
				asked := tries
				mu.Unlock()
				// Pauses of up to 5 min: about 80 in six hours.
				if name != "internal errors" && asked > 150 {
					t.Errorf("asked %d times while nobody answered", asked)
				}
				if n := seen.waited(); n != missed {
					t.Errorf("%d are said to wait, want %d", n, missed)
				}
				n := m.read(t, "Subscription", "s")
				if n.Str("status") != "error" || !strings.Contains(n.Str("error"), "have failed since") {
					t.Errorf("while it fails: status %s, error %q", n.Str("status"), n.Str("error"))
				}
				mu.Lock()
				up = true
				mu.Unlock()
				idle(6 * time.Minute) // the next try is at most 5 min away, with half of it random
				mu.Lock()
				defer mu.Unlock()
				if taken != missed {
					t.Errorf("%d of %d arrived", taken, missed)
				}
				if extra := tries - asked - missed; extra > 5 {
					t.Errorf("%d tries more than deliveries after it was back", extra)
				}
				if n := m.read(t, "Subscription", "s"); n.Str("status") != "active" || n.Get("error") != nil {
					t.Errorf("when it is back: status %s, error %q", n.Str("status"), n.Str("error"))
				}
			})
		})
	}
}

// After one yes everything goes within moments, not within the pauses that the
// drains had grown; also for another subscription with the same endpoint.
func TestOneSuccessOpensTheEndpoint(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		o := options(t, m, m.update, "receiver.example.org:443")
		o.Retry, o.Poll, o.TTL = backoff.ExponentialBackOff{}, 10*time.Second, time.Minute
		var up atomic.Bool
		var mu sync.Mutex
		var at []time.Time
		o.transport = transport(func(*http.Request) (int, error) {
			if !up.Load() {
				return 0, errors.New("connection refused")
			}
			mu.Lock()
			defer mu.Unlock()
			at = append(at, time.Now())
			return 200, nil
		})
		e := New(o)
		subscribe(t, e, m, "a", request(receiver))
		subscribe(t, e, m, "b", request(receiver))
		e.Start(t.Context())
		defer e.Stop()
		idle(time.Second)
		for i := range 200 {
			m.chart(t, "o"+strconv.Itoa(i), "d"+strconv.Itoa(i), i)
		}
		e.Wake()
		idle(3 * time.Hour)
		up.Store(true)
		idle(10 * time.Minute)
		mu.Lock()
		defer mu.Unlock()
		if len(at) != 400 {
			t.Fatalf("%d arrived, want 400", len(at))
		}
		if took := at[399].Sub(at[0]); took > time.Second { // virtual time: only pauses count
			t.Errorf("the last came %v after the first", took)
		}
	})
}

// Nothing that is read beyond the window stays in memory, and all of it counts.
func TestWaitingCountsBeyondTheWindow(t *testing.T) {
	m := newMemory()
	o := options(t, m, m.update, "receiver.example.org:443")
	e := New(o)
	sub, err := e.rules.read(request(receiver), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 * window {
		m.chart(t, name("o", i), name("d", i), i)
		if _, err := m.put(store.Key{Type: "Patient", ID: name("p", i)}, fhirjson.Obj("resourceType", "Patient"), 0); err != nil {
			t.Fatal(err)
		}
	}
	r := newRunner(&served{feed: newFeed(m, search.ExtractOptions{}, 0), store: m, options: e.options, observe: nobody{},
		endpoints: &endpoints{of: map[string]*endpoint{}}}, &sub, &ledger{states: m}, progress{}, slog.New(slog.DiscardHandler))
	r.feed.base = int64(6 * window) // as after a long outage: the shared feed has gone on
	for r.fill(t.Context()) || r.look(t.Context()) {
	}
	if len(r.pending) != window || len(r.pending)+r.ahead != 3*window {
		t.Errorf("%d in memory, %d counted behind them; want %d and %d", len(r.pending), r.ahead, window, 2*window)
	}
	// What is taken is no longer counted ahead.
	for range window / 2 {
		r.finished(r.pending[0])
	}
	r.advance()
	r.fill(t.Context())
	if len(r.pending)+r.ahead != 3*window-window/2 {
		t.Errorf("%d in memory and %d behind, want %d in all", len(r.pending), r.ahead, 3*window-window/2)
	}
}

// What one receiver refuses for a day, while it takes the rest, is set aside; the
// Subscription goes on and says what its receiver lacks.
func TestRefusedForADayIsSetAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		o := options(t, m, m.update, "receiver.example.org:443")
		o.Retry, o.Poll, o.TTL = backoff.ExponentialBackOff{}, 10*time.Second, time.Minute
		seen := &observed{}
		o.Observe = seen
		o.transport = transport(func(r *http.Request) (int, error) {
			if strings.HasSuffix(r.URL.Path, "/bad") {
				return 422, nil
			}
			return 200, nil
		})
		e := New(o)
		subscribe(t, e, m, "s", request(receiver))
		e.Start(t.Context())
		defer e.Stop()
		idle(time.Second)
		bad := m.chart(t, "bad", "d0", 1)
		for i := range 26 {
			m.chart(t, name("o", i), "d1", i)
			e.Wake()
			idle(time.Hour)
			if n := m.read(t, "Subscription", "s"); i == 3 && (n.Str("status") != "error" || !strings.Contains(n.Str("error"), "422")) {
				t.Errorf("while one is refused: status %s, error %q", n.Str("status"), n.Str("error"))
			}
		}
		n := m.read(t, "Subscription", "s")
		if n.Str("status") != "active" || !strings.Contains(n.Str("error"), "Observation/bad version 1") || !strings.Contains(n.Str("error"), "Sequence "+strconv.FormatInt(bad.Seq, 10)) {
			t.Errorf("status %s, error %q", n.Str("status"), n.Str("error"))
		}
		if seen.asides.Load() != 1 || seen.count(Delivered) != 26 {
			t.Errorf("%d set aside, %d delivered", seen.asides.Load(), seen.count(Delivered))
		}
	})
}

// Event numbers count the deliveries of a subscription without a gap, over a
// restart too, and repeats keep theirs.
func TestEventNumbers(t *testing.T) {
	m := newMemory()
	var mu sync.Mutex
	numbers := map[int64]string{} // by sequence
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		seq, _ := strconv.ParseInt(r.Header.Get(sequenceHeader), 10, 64)
		if old, again := numbers[seq]; again && old != r.Header.Get(numberHeader) {
			t.Errorf("sequence %d is event %s, and was %s", seq, r.Header.Get(numberHeader), old)
		}
		numbers[seq] = r.Header.Get(numberHeader)
	}))
	defer s.Close()
	e := New(options(t, m, m.update, s.Listener.Addr().String()))
	subscribe(t, e, m, "s", request(s.URL))
	for life := range 3 {
		e.Start(context.Background())
		for i := range 40 {
			m.chart(t, name("o", life*40+i), name("d", i%7), i)
		}
		e.Wake()
		eventually(t, "all arrive", func() bool { mu.Lock(); defer mu.Unlock(); return len(numbers) == (life+1)*40 })
		e.Stop()
	}
	var seqs []int64
	for seq := range numbers {
		seqs = append(seqs, seq)
	}
	slices.Sort(seqs)
	for i, seq := range seqs {
		if numbers[seq] != strconv.Itoa(i+1) {
			t.Fatalf("delivery %d in order of the feed has number %s", i+1, numbers[seq])
		}
	}
}

// The criteria severity and location choose the calls of one ward.
func TestFilterByWardAndSeverity(t *testing.T) {
	m := newMemory()
	r := &receiverServer{}
	server := httptest.NewServer(r)
	defer server.Close()
	o := options(t, m, m.update, server.Listener.Addr().String())
	o.Where = func(_ context.Context, drain string) ([]string, error) {
		if drain == "lost" {
			return nil, nil
		}
		return []string{"bed-" + drain, "ward-" + drain[:1]}, nil
	}
	e := New(o)
	sub := request(server.URL)
	sub.Set("criteria", fhirjson.Str("DetectedIssue?severity=high,moderate&location=Location/ward-a,ward-c"))
	subscribe(t, e, m, "s", sub)
	var want []int64
	issue := func(drain, severity string, wanted bool) {
		v, err := m.put(store.Key{Type: "DetectedIssue", ID: drain + "-" + severity}, fhirjson.Obj("resourceType", "DetectedIssue",
			"severity", severity, "implicated", fhirjson.Arr(fhirjson.Obj("reference", "Device/"+drain))), 0)
		if err != nil {
			t.Fatal(err)
		}
		if wanted {
			want = append(want, v.Seq)
		}
	}
	issue("a1", "high", true)
	issue("a2", "low", false)
	issue("b1", "high", false)
	issue("c1", "moderate", true)
	issue("lost", "high", false)
	issue("a3", "high", true)
	e.Start(context.Background())
	defer e.Stop()
	eventually(t, "the ward's arrive", func() bool { return len(firsts(r.all())) >= len(want) })
	var got []int64
	for _, g := range firsts(r.all()) {
		got = append(got, g.seq)
	}
	if slices.Sort(got); !slices.Equal(got, want) {
		t.Errorf("delivered %v, want %v", got, want)
	}
}

// A payload with context is enough to call somebody: the concern first, then
// patient, drain, bed and ward, of which the owner may read each. It is signed as
// RFC 9421 has it: an independent reading of the standard, and the arithmetic by
// hand, agree.
func TestContextAndSignature(t *testing.T) {
	const key = "0123456789abcdef0123456789abcdef"
	m := newMemory()
	put := func(n *fhirjson.Node) {
		if _, err := m.put(store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, n, 0); err != nil {
			t.Fatal(err)
		}
	}
	put(fhirjson.Obj("resourceType", "Patient", "id", "p1"))
	put(fhirjson.Obj("resourceType", "Device", "id", "d1"))
	put(fhirjson.Obj("resourceType", "Location", "id", "bed-d1"))
	put(fhirjson.Obj("resourceType", "Location", "id", "ward-a"))

	type kept struct {
		r    *http.Request
		body []byte
	}
	var mu sync.Mutex
	var all []kept
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mu.Lock()
		defer mu.Unlock()
		all = append(all, kept{r, body})
	}))
	defer server.Close()
	o := options(t, m, m.update, server.Listener.Addr().String())
	o.May = func(_ Owner, n *fhirjson.Node) bool { return n.Str("id") != "ward-a" }
	e := New(o)
	sub := request(server.URL + "/calls")
	sub.Set("criteria", fhirjson.Str("DetectedIssue?severity=high"))
	sub.Get("channel").Set("extension", fhirjson.Arr(fhirjson.Obj("url", secretExtension, "valueString", key)))
	sub.Get("channel").Set("_payload", fhirjson.Obj("extension", fhirjson.Arr(fhirjson.Obj("url", payloadExtension, "valueCode", "with-context"))))
	subscribe(t, e, m, "s", sub)
	put(fhirjson.Obj("resourceType", "DetectedIssue", "id", "c", "severity", "high", "patient", fhirjson.Obj("reference", "Patient/p1"),
		"implicated", fhirjson.Arr(fhirjson.Obj("reference", "Device/d1"))))
	e.Start(context.Background())
	defer e.Stop()
	eventually(t, "it arrives", func() bool { mu.Lock(); defer mu.Unlock(); return len(all) > 0 })
	mu.Lock()
	got := all[0]
	mu.Unlock()

	var bundle struct {
		Type  string
		Entry []struct {
			FullURL  string `json:"fullUrl"`
			Resource struct{ ResourceType, ID string }
		}
	}
	if err := json.Unmarshal(got.body, &bundle); err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, x := range bundle.Entry {
		have = append(have, x.Resource.ResourceType+"/"+x.Resource.ID)
		if !strings.HasSuffix(x.FullURL, have[len(have)-1]) {
			t.Errorf("fullUrl %s", x.FullURL)
		}
	}
	if want := []string{"DetectedIssue/c", "Patient/p1", "Device/d1", "Location/bed-d1"}; bundle.Type != "collection" || !slices.Equal(have, want) {
		t.Errorf("%s of %v, want %v", bundle.Type, have, want)
	}
	if got.r.Method != "POST" || got.r.URL.Path != "/calls" {
		t.Errorf("%s %s", got.r.Method, got.r.URL.Path)
	}

	verify := func(secret string, body []byte) error {
		r := got.r.Clone(t.Context())
		r.Body = io.NopCloser(bytes.NewReader(body))
		_, err := httpsig.Verify(r, keyman.NewKeyFetchInMemory(map[string]httpsig.KeySpec{"s": {KeyID: "s", Algo: httpsig.Algo_HMAC_SHA256, Secret: []byte(secret)}}),
			httpsig.VerifyProfile{SignatureLabel: "tidemark", RequiredFields: httpsig.Fields("@method", "@authority", "@path", "content-digest", "tidemark-sequence"), RequiredMetadata: []httpsig.Metadata{httpsig.MetaCreated, httpsig.MetaKeyID},
				CreatedValidDuration: time.Minute, AllowedAlgorithms: []httpsig.Algorithm{httpsig.Algo_HMAC_SHA256}})
		return err
	}
	if err := verify(key, got.body); err != nil {
		t.Error(err)
	}
	if verify(key, append(slices.Clone(got.body), ' ')) == nil || verify(strings.Repeat("x", 32), got.body) == nil {
		t.Error("another body, or another secret, verifies too")
	}

	// RFC 9421, 2.5: a line a component, the parameters last; RFC 9530 for the digest.
	h := got.r.Header
	digest := sha256.Sum256(got.body)
	params := strings.TrimPrefix(h.Get("Signature-Input"), "tidemark=")
	base := "\"@method\": POST\n\"@authority\": " + got.r.Host + "\n\"@path\": /calls\n" +
		"\"content-digest\": sha-256=:" + base64.StdEncoding.EncodeToString(digest[:]) + ":\n" +
		"\"tidemark-sequence\": " + h.Get(sequenceHeader) + "\n\"tidemark-subscription\": s\n\"tidemark-event-number\": 1\n\"@signature-params\": " + params
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write([]byte(base))
	if want := "tidemark=:" + base64.StdEncoding.EncodeToString(mac.Sum(nil)) + ":"; h.Get("Signature") != want {
		t.Errorf("Signature %s, want %s of\n%s", h.Get("Signature"), want, base)
	}
}

// The secret is shown to nobody, and a Subscription that comes back as it was
// shown keeps it.
func TestSecretIsMaskedAndKept(t *testing.T) {
	m := newMemory()
	e := New(options(t, m, m.update, "receiver.example.org:443"))
	with := func(secret string) *fhirjson.Node {
		n := request(receiver)
		n.Get("channel").Set("extension", fhirjson.Arr(fhirjson.Obj("url", secretExtension, "valueString", secret)))
		return n
	}
	const key = "0123456789abcdef:123456789abcdef"
	who := caller(t, "Practitioner/n1", "user/*.cruds")
	if err := e.Hook(t.Context(), who, with("short"), nil); err == nil {
		t.Error("a short secret is taken")
	}
	first := with(key)
	if err := e.Hook(t.Context(), who, first, nil); err != nil {
		t.Fatal(err)
	}
	shown := first.Clone()
	if Redact(shown); strings.Contains(string(shown.Bytes()), "0123456789") {
		t.Errorf("the secret shows: %s", shown.Bytes())
	}
	back := shown.Clone()
	if err := e.Hook(t.Context(), who, back, first); err != nil || secretOf(back.Get("channel")).Text != key {
		t.Errorf("%v, %s", err, back.Bytes())
	}
	moved := shown.Clone()
	moved.Get("channel").Set("endpoint", fhirjson.Str("https://other.example.org/x"))
	if err := e.Hook(t.Context(), who, moved, first); err == nil {
		t.Error("a masked secret goes to another receiver")
	}
	if err := e.Hook(t.Context(), caller(t, "Practitioner/n2", "user/*.cruds"), shown.Clone(), first); err == nil {
		t.Error("another person takes the secret over")
	}
}

// BenchmarkCatchUp is the time in which a receiver that answers within a
// millisecond has 1,000 missed deliveries of 50 drains.
func BenchmarkCatchUp(b *testing.B) {
	for b.Loop() {
		m := newMemory()
		s := &receiverServer{behave: func(*http.Request, int64) int { time.Sleep(time.Millisecond); return 200 }}
		server := httptest.NewServer(s)
		e := New(options(b, m, m.update, server.Listener.Addr().String()))
		subscribe(b, e, m, "s", request(server.URL))
		for i := range 1000 {
			m.chart(b, name("o", i), name("d", i%50), i)
		}
		e.Start(context.Background())
		eventually(b, "all arrive", func() bool { return len(firsts(s.all())) == 1000 })
		e.Stop()
		server.Close()
	}
}
