package notify

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/cenkalti/backoff/v5"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// memory is the slice of a store that the engine needs.
type memory struct {
	mu       sync.Mutex
	versions []store.Version
	states   map[string]state
	rev      int64
}

type state struct {
	value []byte
	rev   int64
}

func newMemory() *memory { return &memory{states: map[string]state{}} }

func (m *memory) State(_ context.Context, name string) ([]byte, int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.states[name]
	return s.value, s.rev, nil
}

func (m *memory) SetState(_ context.Context, name string, value []byte, rev int64) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.states[name].rev != rev {
		return 0, fault.New(fault.Precondition, "conflict", "changed meanwhile")
	}
	if value == nil {
		delete(m.states, name)
		return 0, nil
	}
	m.rev++
	m.states[name] = state{slices.Clone(value), m.rev}
	return m.rev, nil
}

func (m *memory) States(_ context.Context, prefix string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for name := range m.states {
		if strings.HasPrefix(name, prefix) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out, nil
}

func (m *memory) Changes(_ context.Context, after int64, limit int) ([]store.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if after >= int64(len(m.versions)) {
		return nil, nil
	}
	return slices.Clone(m.versions[after:min(int(after)+limit, len(m.versions))]), nil
}

func (m *memory) LastSeq(context.Context) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return int64(len(m.versions)), nil
}

func (m *memory) current(key store.Key) (store.Version, bool) {
	for _, v := range slices.Backward(m.versions) {
		if v.Key == key {
			return v, true
		}
	}
	return store.Version{}, false
}

func (m *memory) Read(_ context.Context, key store.Key) (store.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if v, ok := m.current(key); ok {
		return v, nil
	}
	return store.Version{}, fault.New(fault.NotFound, "not-found", "none")
}

func (m *memory) ReadVersion(_ context.Context, key store.Key, number int64) (store.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, v := range m.versions {
		if v.Key == key && v.Number == number {
			return v, nil
		}
	}
	return store.Version{}, fault.New(fault.NotFound, "not-found", "none")
}

func (m *memory) Search(_ context.Context, q search.Query) (store.Page, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []store.Version
	for i, v := range m.versions {
		if now, _ := m.current(v.Key); v.Type == q.Type && now.Seq == int64(i+1) && !v.Deleted() {
			out = append(out, v)
		}
	}
	return store.Page{Matches: out}, nil
}

// put commits a resource; nil deletes.
func (m *memory) put(key store.Key, n *fhirjson.Node, expect int64) (store.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	before, _ := m.current(key)
	if expect > 0 && before.Number != expect {
		return store.Version{}, fault.New(fault.Precondition, "conflict", "changed meanwhile")
	}
	v := store.Version{Key: key, Number: before.Number + 1, Seq: int64(len(m.versions) + 1), At: time.Now().UTC(), Method: store.Put}
	if n == nil {
		v.Method = store.Delete
	} else {
		n = n.Clone()
		n.Set("id", fhirjson.Str(key.ID))
		n.Delete("meta")
		n.SetAt(0, "meta", fhirjson.Obj())
		v.Body = store.Body{JSON: n.Bytes(), Meta: len(`{"meta":{`)}
	}
	m.versions = append(m.versions, v)
	return v, nil
}

func (m *memory) update(_ context.Context, n *fhirjson.Node, version int64) error {
	_, err := m.put(store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, n, version)
	return err
}

// severed is a store as a process sees it that may be cut off from it.
type severed struct {
	*memory
	mu  sync.Mutex
	cut bool
}

func (s *severed) sever(cut bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = cut
}

func (s *severed) err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cut {
		return fault.New(fault.Unavailable, "transient", "the store is away")
	}
	return nil
}

func (s *severed) State(ctx context.Context, name string) ([]byte, int64, error) {
	if err := s.err(); err != nil {
		return nil, 0, err
	}
	return s.memory.State(ctx, name)
}

func (s *severed) SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error) {
	if err := s.err(); err != nil {
		return 0, err
	}
	return s.memory.SetState(ctx, name, value, rev)
}

func (s *severed) Changes(ctx context.Context, after int64, limit int) ([]store.Version, error) {
	if err := s.err(); err != nil {
		return nil, err
	}
	return s.memory.Changes(ctx, after, limit)
}

func (s *severed) Read(ctx context.Context, key store.Key) (store.Version, error) {
	if err := s.err(); err != nil {
		return store.Version{}, err
	}
	return s.memory.Read(ctx, key)
}

// reading is an Observation of a drain.
func reading(id, drain string, ml int) *fhirjson.Node {
	return fhirjson.Obj("resourceType", "Observation", "id", id, "status", "final",
		"code", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://loinc.org", "code", "9203-1"))),
		"device", fhirjson.Obj("reference", "Device/"+drain),
		"valueQuantity", fhirjson.Obj("value", fhirjson.Num(strconv.Itoa(ml)), "system", "http://unitsofmeasure.org", "code", "mL"))
}

func (m *memory) read(tb testing.TB, typ, id string) *fhirjson.Node {
	tb.Helper()
	v, err := m.Read(context.Background(), store.Key{Type: typ, ID: id})
	if err != nil {
		tb.Fatal(err)
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

func (m *memory) chart(tb testing.TB, id, drain string, ml int) store.Version {
	tb.Helper()
	v, err := m.put(store.Key{Type: "Observation", ID: id}, reading(id, drain, ml), 0)
	if err != nil {
		tb.Fatal(err)
	}
	return v
}

const secret = "Bearer s3cr3t-of-the-receiver"

func request(endpoint string) *fhirjson.Node {
	return fhirjson.Obj("resourceType", "Subscription", "status", "requested", "reason", "test",
		"criteria", "Observation?code=http://loinc.org|9203-1",
		"channel", fhirjson.Obj("type", "rest-hook", "endpoint", endpoint, "payload", "application/fhir+json",
			"header", fhirjson.Arr(fhirjson.Str("Authorization: "+secret))))
}

func caller(tb testing.TB, subject, scope string) *auth.Principal {
	tb.Helper()
	scopes, unknown := auth.ParseScopes(scope)
	if len(unknown) > 0 {
		tb.Fatal(unknown)
	}
	return &auth.Principal{Issuer: "https://issuer.example.org", Subject: subject, Client: "ward-system", Scopes: scopes}
}

// subscribe writes a Subscription as api does: through the hook.
func subscribe(tb testing.TB, e *Engine, m *memory, id string, n *fhirjson.Node) {
	tb.Helper()
	var before *fhirjson.Node
	if v, err := m.Read(context.Background(), store.Key{Type: "Subscription", ID: id}); err == nil && !v.Deleted() {
		before = m.read(tb, "Subscription", id)
	}
	n = n.Clone()
	if err := e.Hook(context.Background(), caller(tb, "Practitioner/n1", "user/*.cruds"), n, before); err != nil {
		tb.Fatal(err)
	}
	if _, err := m.put(store.Key{Type: "Subscription", ID: id}, n, 0); err != nil {
		tb.Fatal(err)
	}
	e.Wake()
}

// lines is a log that a test may read.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// observed counts.
type observed struct {
	mu        sync.Mutex
	delivered int
	failed    map[Reason]int
	after     []time.Duration
	most      int // that waited
	ended     []string
	asides    atomic.Int64
	givenUp   atomic.Int64
}

func (o *observed) Delivered(_ string, after time.Duration) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.delivered++
	o.after = append(o.after, after)
}

func (o *observed) Failed(_ string, r Reason) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.failed == nil {
		o.failed = map[Reason]int{}
	}
	o.failed[r]++
}

func (o *observed) Lag(_ string, _ time.Duration, waiting int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.most = max(o.most, waiting)
}

func (o *observed) SetAside(string, Reason) { o.asides.Add(1) }
func (o *observed) GivenUp(string)          { o.givenUp.Add(1) }

func (o *observed) Ended(id string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.ended = append(o.ended, id)
}

func (o *observed) waited() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.most
}

func (o *observed) count(r Reason) int {
	o.mu.Lock()
	defer o.mu.Unlock()
	if r == Delivered {
		return o.delivered
	}
	return o.failed[r]
}

// options are those of a test with real receivers: short pauses.
func options(tb testing.TB, m Store, update func(context.Context, *fhirjson.Node, int64) error, targets ...string) Options {
	tb.Helper()
	t, err := ParseTargets(targets)
	if err != nil {
		tb.Fatal(err)
	}
	return Options{
		Store: m, Update: update, May: func(Owner, *fhirjson.Node) bool { return true }, Targets: t,
		Where: func(_ context.Context, drain string) ([]string, error) {
			return []string{"bed-" + drain, "ward-a"}, nil
		},
		BaseURL: "https://tidemark.example.org/fhir", Parse: func() search.ParseOptions { return search.ParseOptions{} },
		Logger: slog.New(slog.DiscardHandler), Now: time.Now, TTL: 400 * time.Millisecond, Poll: 20 * time.Millisecond,
		Retry: backoff.ExponentialBackOff{InitialInterval: 5 * time.Millisecond, RandomizationFactor: 0.5, Multiplier: 2, MaxInterval: 50 * time.Millisecond},
	}
}

// transport answers without a network.
type transport func(*http.Request) (int, error)

func (f transport) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Body != nil {
		defer r.Body.Close()
	}
	status, err := f(r)
	if err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: status, Header: http.Header{}, Body: io.NopCloser(strings.NewReader("")), Request: r}, nil
}

// eventually waits for a condition; a test that never gets there fails.
func eventually(tb testing.TB, what string, f func() bool) {
	tb.Helper()
	for end := time.Now().Add(3 * time.Minute); !f(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			tb.Fatal("never: " + what)
		}
	}
}

func name(prefix string, i int) string { return fmt.Sprintf("%s%d", prefix, i) }

var _ Store = store.Store(nil) // the engine runs on either store
