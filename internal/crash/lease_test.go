package crash

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tidemark/internal/search"
	"tidemark/internal/store/mongo"
)

// duties are the pieces of work that one process of several does.
var duties = []string{"lease/notify", "lease/bulk", "lease/sweep"}

// TestLeases has three programs serve one store. The one that holds a lease is
// killed, or stopped for so long that another takes over and then woken; in
// every cycle a drain becomes overdue, an export is under way and a receiver is
// told of every entry. Nothing may be lost, told out of order or raised twice.
func TestLeases(t *testing.T) {
	if shared == "" {
		t.Skip("a store that several processes share is needed: run module mongotest, or set TIDEMARK_CRASH_STORE")
	}
	cycles := 2
	if text := os.Getenv("TIDEMARK_CRASH_CYCLES"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			t.Fatalf("TIDEMARK_CRASH_CYCLES=%q is not a number of cycles", text)
		}
		cycles = n
	}
	r := newReceiver(t)
	g := newGroup(t, 3, r.host())
	w := newWard(2, uint64(time.Now().UnixNano()), time.Now())
	w.pace = 100 * time.Millisecond
	first := g.members[0]
	for _, k := range w.keepers {
		k.register(t, g.dial(first))
	}
	sub := r.subscribe(t, g.dial(first))
	acked, kills, pauses, exports := 0, 0, 0, 0
	var overdue []string
	for cycle := range cycles {
		duty := duties[cycle/2%len(duties)]
		victim := g.holder(t, duty)
		other := g.others(victim)[0]
		c := g.dial(other)
		late := w.soonOverdue(t, c, cycle)
		standing := w.standing()
		overdue = append(overdue, late)
		served := victim
		pause := cycle%2 == 1
		if pause {
			served = other // a stopped one would keep its clients waiting
		}
		stop, done := make(chan struct{}), make(chan int)
		go func() { done <- w.work(t, served.base, g.token, stop) }()
		time.Sleep(2 * time.Second) // of work
		job := c.must(t, 202, "GET", "/$export?_type=Patient,Device,Observation", nil, "Prefer", "respond-async").header.Get("Content-Location")
		time.Sleep(time.Duration(cycle%5) * 150 * time.Millisecond) // into it
		held := g.duties(victim)
		if pause {
			g.stop(t, victim)
			pauses++
		} else {
			victim.kill()
			g.remove(victim)
			kills++
		}
		for _, d := range held {
			g.awaitOther(t, d, victim)
		}
		if pause {
			g.wake(t, victim)
			for _, d := range held {
				g.awaitLost(t, d, victim)
			}
			time.Sleep(time.Second) // in which it might do harm
		}
		close(stop)
		acked += <-done
		if t.Failed() {
			return
		}
		if !pause {
			g.add(t)
		}
		w.verify(t, c, false)
		r.await(t, w)
		awaitOverdue(t, c, late)
		still := w.standing()
		exports += g.checkExport(t, c, job, slices.DeleteFunc(standing, func(id string) bool { return !slices.Contains(still, id) }))
		r.check(t)
	}
	c := g.dial(g.members[0])
	for _, d := range overdue {
		awaitOverdue(t, c, d)
	}
	w.verify(t, c, true)
	w.verifyFeed(t, c)
	g.checkProgress(t, sub)
	t.Logf("%d changes acknowledged over %d kills and %d pauses; %d deliveries, %d of them repeats; %d resources in %d exports", acked, kills, pauses, r.total, r.repeats, exports, cycles)
	if acked < cycles {
		t.Error("the test tried nothing")
	}
}

// group are programs that serve one store.
type group struct {
	dir, token string
	hook       string // host and port that Subscriptions may name
	members    []*process
}

func newGroup(t *testing.T, n int, hook string) *group {
	t.Helper()
	g := &group{dir: t.TempDir(), hook: hook} // of exports' files and the key: all need the same
	for range n {
		g.add(t)
	}
	g.token = token(t, g.dir)
	return g
}

func (g *group) add(t *testing.T) {
	t.Helper()
	p := start(t, binary, serveArgs(g.dir, "--webhook-allow", g.hook)...)
	if p.base == "" {
		t.Fatalf("the program does not serve:\n%s", p.said())
	}
	g.members = append(g.members, p)
}

func (g *group) remove(p *process) {
	g.members = slices.DeleteFunc(g.members, func(m *process) bool { return m == p })
}

func (g *group) others(p *process) []*process {
	return slices.DeleteFunc(slices.Clone(g.members), func(m *process) bool { return m == p })
}

func (g *group) dial(p *process) *client { return dial(p.base, g.token) }

var taken = regexp.MustCompile(`msg="lease taken" lease=(\S+) fence=(\d+)`)

// term is the newest term of a duty that a process says it began; 0 for none.
func (p *process) term(duty string) (fence int) {
	for _, m := range taken.FindAllStringSubmatch(p.said(), -1) {
		if n, _ := strconv.Atoi(m[2]); m[1] == duty { // digits by the pattern
			fence = max(fence, n)
		}
	}
	return fence
}

// newest is who began the newest term of a duty, among those that are there.
func (g *group) newest(duty string) (p *process, fence int) {
	for _, m := range g.members {
		if n := m.term(duty); n > fence {
			p, fence = m, n
		}
	}
	return p, fence
}

func (g *group) holder(t *testing.T, duty string) *process {
	t.Helper()
	var p *process
	await(t, "somebody holds "+duty, func() bool { p, _ = g.newest(duty); return p != nil })
	return p
}

func (g *group) duties(p *process) []string {
	return slices.DeleteFunc(slices.Clone(duties), func(d string) bool { m, _ := g.newest(d); return m != p })
}

// awaitOther waits until another has begun a later term than the victim's.
func (g *group) awaitOther(t *testing.T, duty string, victim *process) {
	t.Helper()
	await(t, "another takes "+duty, func() bool {
		for _, m := range g.others(victim) {
			if m.term(duty) > victim.term(duty) {
				return true
			}
		}
		return false
	})
}

func (g *group) awaitLost(t *testing.T, duty string, p *process) {
	t.Helper()
	await(t, "the woken process sees that it lost "+duty, func() bool {
		return strings.Contains(p.said(), fmt.Sprintf(`msg="lease lost" lease=%s fence=%d`, duty, p.term(duty)))
	})
}

func (g *group) stop(t *testing.T, p *process) {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
}

func (g *group) wake(t *testing.T, p *process) {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
}

// await waits for what must come, however slow the machine is; a few minutes
// mean that it does not.
func await(t *testing.T, what string, f func() bool) {
	t.Helper()
	for began := time.Now(); !f(); time.Sleep(50 * time.Millisecond) {
		if time.Since(began) > 3*time.Minute {
			t.Fatalf("it never happens that %s", what)
		}
	}
}

// soonOverdue registers a drain that is overdue in some seconds, because nobody has
// emptied it since it was placed: only a sweep will see it.
func (w *ward) soonOverdue(t *testing.T, c *client, cycle int) (drain string) {
	t.Helper()
	const limit = 4*time.Hour + time.Hour // emptying.interval and emptying.grace of the example policy
	k := &keeper{name: fmt.Sprint("late", cycle), from: time.Now().UTC().Truncate(time.Second).Add(8*time.Second - limit)}
	k.register(t, c)
	return k.drain()
}

// awaitOverdue waits for the finding, of which there must be one.
func awaitOverdue(t *testing.T, c *client, drain string) {
	t.Helper()
	n := 0
	await(t, drain+" is found overdue", func() bool {
		n = 0
		c.all(t, "/DetectedIssue?implicated=Device/"+drain+"&_count=200", func(b bundle) {
			for _, x := range b.Entry {
				if len(x.Resource.Code.Coding) > 0 && x.Resource.Code.Coding[0].Code == "charting" {
					n++
				}
			}
		})
		return n > 0
	})
	if n != 1 {
		t.Fatalf("%s has %d findings that it is overdue", drain, n)
	}
}

// standing are the entries that are known to be there.
func (w *ward) standing() (keys []string) {
	for _, k := range w.keepers {
		for _, e := range k.entries {
			if e.is.version > 0 && !e.is.deleted && e.next == nil {
				keys = append(keys, "Observation/"+e.id)
			}
		}
	}
	return keys
}

// checkExport waits for an export and reads it: whole, and each resource once.
// It must have what was there before it began and still is.
func (g *group) checkExport(t *testing.T, c *client, job string, entries []string) (resources int) {
	t.Helper()
	_, path, _ := strings.Cut(job, "/fhir")
	var a answer
	await(t, "the export ends", func() bool { a = c.get(t, path); return a.status != 202 })
	if a.status != 200 {
		t.Fatalf("the export ends with %d: %s", a.status, a.clip())
	}
	var manifest struct {
		Output []struct {
			Type, URL string
			Count     int
		}
	}
	a.decode(t, &manifest)
	seen := map[string]bool{}
	for _, f := range manifest.Output {
		_, path, _ := strings.Cut(f.URL, "/fhir")
		body := c.must(t, 200, "GET", path, nil).body
		if zipped, err := gzip.NewReader(bytes.NewReader(body)); err == nil {
			if body, err = io.ReadAll(zipped); err != nil {
				t.Fatal(err)
			}
		}
		n := 0
		for line := range bytes.Lines(body) {
			var r resource
			if err := json.Unmarshal(line, &r); err != nil {
				t.Fatalf("%v in %s", err, f.URL)
			}
			if key := r.ResourceType + "/" + r.ID; seen[key] {
				t.Fatalf("%s is exported twice", key)
			} else {
				seen[key] = true
			}
			n++
		}
		if n != f.Count {
			t.Fatalf("%s has %d lines, the manifest says %d", f.URL, n, f.Count)
		}
	}
	for _, k := range append(entries, "Patient/p-k0", "Patient/p-k1", "Device/d-k0", "Device/d-k1") {
		if !seen[k] {
			t.Fatalf("%s is not in the export: %s", k, a.clip())
		}
	}
	// Whoever is asked says the same, and goes on saying so.
	for _, m := range g.members {
		b := g.dial(m).get(t, path)
		if b.status != 200 || !bytes.Equal(outputs(a), outputs(b)) {
			t.Fatalf("one process says %s, another %d %s", a.clip(), b.status, b.clip())
		}
	}
	return len(seen)
}

// outputs are the names and counts of a manifest, whose URLs are the asked process's own.
func outputs(a answer) []byte {
	return regexp.MustCompile(`http://[^/]*`).ReplaceAll(a.body, nil)
}

// get is must for any status.
func (c *client) get(t *testing.T, path string) answer {
	t.Helper()
	a, err := c.do("GET", path, nil)
	if err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
	return a
}

// checkProgress reads what is kept of the deliveries: it must be of the newest
// term, whatever a woken process wanted to write.
func (g *group) checkProgress(t *testing.T, sub string) {
	t.Helper()
	st, err := mongo.Open(t.Context(), mongo.Options{URL: storeOf(g.dir), Clock: time.Now, Logger: slog.New(slog.DiscardHandler),
		Extract: func(context.Context, []byte) (search.Doc, error) { return search.Doc{}, nil }})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	var progress, lease struct{ Fence int }
	for name, v := range map[string]any{"notify/" + sub: &progress, "lease/notify": &lease} {
		value, rev, err := st.State(context.Background(), name)
		if err != nil || rev == 0 {
			t.Fatalf("%s: %d %v", name, rev, err)
		}
		if err := json.Unmarshal(value, v); err != nil {
			t.Fatal(err)
		}
	}
	if progress.Fence != lease.Fence {
		t.Errorf("the progress is of term %d, the lease of term %d", progress.Fence, lease.Fence)
	}
}

// receiver is told of entries. It refuses one request of eleven.
type receiver struct {
	*httptest.Server
	mu      sync.Mutex
	drains  map[string]string // of an entry, by its id
	newest  map[string]int64  // sequence that a drain has come to
	seen    map[int64]bool
	got     map[string]bool // "id/version", "id/gone"
	wrong   []string
	asked   int
	total   int
	repeats int
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{drains: map[string]string{}, newest: map[string]int64{}, seen: map[int64]bool{}, got: map[string]bool{}}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.asked++; err != nil || r.asked%11 == 0 {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		r.take(q, body)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) host() string { return strings.TrimPrefix(r.URL, "http://") }

func (r *receiver) take(q *http.Request, body []byte) {
	seq, err := strconv.ParseInt(q.Header.Get("Tidemark-Sequence"), 10, 64)
	_, id, ok := strings.Cut(q.URL.Path, "/Observation/")
	if err != nil || !ok {
		r.wrong = append(r.wrong, q.Method+" "+q.URL.Path+" with sequence "+q.Header.Get("Tidemark-Sequence"))
		return
	}
	what := id + "/gone"
	if q.Method != http.MethodDelete {
		var o struct {
			Device struct{ Reference string }
			Meta   struct{ VersionID string }
		}
		if err := json.Unmarshal(body, &o); err != nil {
			r.wrong = append(r.wrong, err.Error())
			return
		}
		what, r.drains[id] = id+"/"+o.Meta.VersionID, o.Device.Reference
	}
	r.total++
	if r.seen[seq] {
		r.repeats++
		return
	}
	drain := r.drains[id]
	if seq < r.newest[drain] {
		r.wrong = append(r.wrong, fmt.Sprintf("%s of %s has sequence %d and comes first behind %d", what, drain, seq, r.newest[drain]))
	}
	r.seen[seq], r.got[what], r.newest[drain] = true, true, max(seq, r.newest[drain])
}

// subscribe gives the id of the Subscription.
func (r *receiver) subscribe(t *testing.T, c *client) string {
	t.Helper()
	var s resource
	c.must(t, 201, "POST", "/Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": "Observation?code=9203-1",
		"channel": obj{"type": "rest-hook", "endpoint": r.URL + "/in", "payload": "application/fhir+json"}}, "Prefer", "return=representation").decode(t, &s)
	return s.ID
}

// await waits until every version of every entry was told.
func (r *receiver) await(t *testing.T, w *ward) {
	t.Helper()
	await(t, "every change is told", func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		for _, k := range w.keepers {
			for _, e := range k.entries {
				for n := 1; n <= e.is.version; n++ {
					what := fmt.Sprintf("%s/%d", e.id, n)
					if n == e.is.version && e.is.deleted {
						what = e.id + "/gone"
					}
					if !r.got[what] {
						return false
					}
				}
			}
		}
		return true
	})
}

// check fails the test with what was told in a wrong order.
func (r *receiver) check(t *testing.T) {
	t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, text := range r.wrong {
		t.Error(text)
	}
}
