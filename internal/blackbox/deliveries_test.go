package blackbox

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// mailbox is a receiver that writes down what happens, in order. It may be
// unruly: refuse, hang, take without an answer, answer out of order; it can be
// restarted, and it can hold all requests until it is released.
type mailbox struct {
	t      *testing.T
	addr   string
	unruly bool
	hold   chan struct{} // nil, or closed to release

	listening sync.Mutex // held while it is down, or must not go down
	srv       *http.Server

	mu       sync.Mutex
	rng      *rand.Rand
	open     map[net.Conn]bool
	busy     sync.WaitGroup
	log      []mail
	accepted map[string]bool // versions
	taken    int             // acceptances, repeats among them
	answered chan struct{}   // closed at the next answer
}

// mail is one event: an arrival, an acceptance, or a mark, which says that the
// service or the receiver began anew: all that the one before sent is above it.
// After a stop the service began anew in good order.
type mail struct {
	kind    string // arrive, accept, mark, stop
	seq     int64
	version string // Observation/id/_history/n
	drain   string
	lost    bool // the answer to this acceptance is not sent
}

func newMailbox(t *testing.T, seed uint64) *mailbox {
	m := &mailbox{t: t, open: map[net.Conn]bool{}, accepted: map[string]bool{}, rng: rand.New(rand.NewPCG(seed, 1)), answered: make(chan struct{})}
	m.listen("127.0.0.1:0")
	t.Cleanup(func() { m.srv.Close() })
	return m
}

func (m *mailbox) listen(addr string) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		m.t.Error(err)
		return
	}
	m.addr = l.Addr().String()
	m.srv = &http.Server{Handler: m, ConnState: func(c net.Conn, s http.ConnState) {
		m.mu.Lock()
		defer m.mu.Unlock()
		if m.open[c] = s != http.StateClosed && s != http.StateHijacked; !m.open[c] {
			delete(m.open, c)
		}
	}, ErrorLog: nil}
	go m.srv.Serve(l)
}

// restart goes down and comes up again where it was.
func (m *mailbox) restart() {
	m.listening.Lock()
	defer m.listening.Unlock()
	m.srv.Close()
	m.busy.Wait()
	m.note(mail{kind: "mark"})
	m.listen(m.addr)
}

// settle waits until nothing of a service that is dead can arrive any more: a
// connection of our own stands behind all of its, and is answered.
func (m *mailbox) settle(kind string) {
	m.listening.Lock()
	defer m.listening.Unlock()
	res, err := plainHTTP().Get("http://" + m.addr + "/probe")
	if err != nil {
		m.t.Error(err)
		return
	}
	res.Body.Close()
	await(m.t, "the connections of the dead service end", func() bool {
		m.mu.Lock()
		defer m.mu.Unlock()
		return len(m.open) == 0 // the probe asked for its own to be closed
	})
	m.note(mail{kind: kind})
}

func (m *mailbox) note(e mail) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.log = append(m.log, e)
	if e.kind == "accept" {
		m.accepted[e.version] = true
		m.taken++
	}
}

func (m *mailbox) count() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.taken
}

// distinct is how many versions were accepted.
func (m *mailbox) distinct() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.accepted)
}

func (m *mailbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	m.busy.Add(1)
	defer m.busy.Done()
	if r.URL.Path == "/probe" {
		w.Header().Set("Connection", "close")
		return
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return // cut off on the way: nothing has arrived
	}
	tree, err := parse(body)
	if err != nil {
		m.t.Errorf("a delivery that is no JSON: %v", err)
		return
	}
	e := mail{kind: "arrive", drain: text(tree, "device.reference"), version: strings.TrimPrefix(r.URL.Path, "/in/") + "/" + text(tree, "meta.versionId")}
	if e.seq, err = strconv.ParseInt(r.Header.Get("Tidemark-Sequence"), 10, 64); err != nil || r.Method != "PUT" {
		m.t.Errorf("%s with Tidemark-Sequence %q", r.Method, r.Header.Get("Tidemark-Sequence"))
	}
	m.note(e)
	e.kind = "accept"
	if m.hold != nil {
		select {
		case <-m.hold:
		case <-r.Context().Done():
			return
		}
	}
	dice := 99
	if m.unruly {
		m.mu.Lock()
		dice = m.rng.IntN(60)
		m.mu.Unlock()
	}
	switch {
	case dice < 2:
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	case dice < 3:
		w.Header().Set("Retry-After", "1")
		w.WriteHeader(http.StatusTooManyRequests)
		return
	case dice < 4:
		w.WriteHeader(http.StatusNotFound)
		return
	case dice < 6: // hangs, and is gone without an answer
		select {
		case <-r.Context().Done():
		case <-time.After(200 * time.Millisecond):
		}
		panic(http.ErrAbortHandler)
	case dice < 8: // takes it, and its answer is lost
		e.lost = true
		m.note(e)
		panic(http.ErrAbortHandler)
	case dice < 16: // answers after one that came later, where one comes
		m.note(e)
		m.mu.Lock()
		other := m.answered
		m.mu.Unlock()
		select {
		case <-other:
		case <-r.Context().Done():
		case <-time.After(50 * time.Millisecond):
		}
		return
	}
	m.note(e)
	m.mu.Lock()
	close(m.answered)
	m.answered = make(chan struct{})
	m.mu.Unlock()
}

// check looks at what happened: want are all versions that there were.
func (m *mailbox) check(name string, want map[string]bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	drains := map[int64]string{}
	of := map[string][]int64{} // drain → sequences
	sequence := map[string]int64{}
	for _, e := range m.log {
		if e.kind == "mark" || e.kind == "stop" {
			continue
		}
		if s, ok := sequence[e.version]; ok && s != e.seq {
			m.t.Errorf("%s: %s came with the sequences %d and %d", name, e.version, s, e.seq)
		}
		sequence[e.version] = e.seq
		if drains[e.seq] == "" {
			drains[e.seq] = e.drain
			of[e.drain] = append(of[e.drain], e.seq)
		}
	}
	done := map[int64]bool{}      // accepted
	forgotten := map[int64]bool{} // accepted, and the service may not know
	versions := map[string]bool{}
	latest := map[string]int64{} // of each drain, accepted
	repeats := 0
	for i, e := range m.log {
		switch e.kind {
		case "mark":
			for s := range done {
				forgotten[s] = true
			}
		case "stop":
			// What came after it on its drain proves that the yes was heard, and in
			// good order it is kept.
			for s := range done {
				forgotten[s] = s == latest[drains[s]]
			}
		case "arrive":
			for _, s := range of[e.drain] {
				if s < e.seq && !done[s] {
					m.t.Errorf("%s: event %d: sequence %d of %s arrives before %d was accepted", name, i, e.seq, e.drain, s)
				}
			}
			if done[e.seq] {
				repeats++
				if !forgotten[e.seq] {
					m.t.Errorf("%s: event %d: sequence %d is repeated, and neither was its answer lost nor did anybody begin anew", name, i, e.seq)
				}
			}
		case "accept":
			done[e.seq] = true
			latest[e.drain] = max(latest[e.drain], e.seq)
			versions[e.version] = true
			forgotten[e.seq] = e.lost
		}
	}
	for v := range want {
		if !versions[v] {
			m.t.Errorf("%s: %s was never delivered", name, v)
		}
	}
	for v := range versions {
		if !want[v] {
			m.t.Errorf("%s: %s was delivered, and is not there", name, v)
		}
	}
	m.t.Logf("%s: %d versions accepted of %d, %d repeats", name, len(versions), len(want), repeats)
}

// await waits for a condition.
func await(t *testing.T, what string, f func() bool) {
	t.Helper()
	for deadline := time.Now().Add(3 * time.Minute); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("in vain for three minutes: %s", what)
		}
	}
}

// TestDeliveriesOverKills: entries of several drains are posted and corrected
// while the service is killed time and again, with three receivers: a plain one,
// an unruly one that restarts too, and one that hangs until the plain one has
// everything. TIDEMARK_CRASH_DELIVERIES sets the number of kills.
func TestDeliveriesOverKills(t *testing.T) {
	kills := 8
	if s := os.Getenv("TIDEMARK_CRASH_DELIVERIES"); s != "" {
		var err error
		if kills, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	plain, unruly, hanging := newMailbox(t, seed+1), newMailbox(t, seed+2), newMailbox(t, seed+3)
	unruly.unruly = true
	hanging.hold = make(chan struct{})
	released := sync.OnceFunc(func() { close(hanging.hold) })
	t.Cleanup(released)
	boxes := []*mailbox{plain, unruly, hanging}

	dir, listen := t.TempDir(), freePort(t)
	flags := []string{"--listen", listen, "--webhook-allow", plain.addr + "," + unruly.addr + "," + hanging.addr}
	s := serveIn(t, dir, flags...)
	c := s.client()
	beds := make([]bed, 6)
	for i := range beds {
		beds[i] = c.bed(fmt.Sprintf("over-%d", i), ago(20*24*time.Hour))
	}
	for _, m := range boxes {
		c.do("POST", "Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": "Observation?code=9203-1",
			"channel": obj{"type": "rest-hook", "endpoint": "http://" + m.addr + "/in", "payload": "application/fhir+json"}}).want(201)
	}

	// Writers: each goes on until the kills are over, and repeats what was not
	// acknowledged. They keep near the receivers, so that each of the service's
	// lives delivers while it takes.
	var stop atomic.Bool
	var posted atomic.Int64
	var mu sync.Mutex
	acknowledged := map[string]bool{}
	var writers sync.WaitGroup
	for i, b := range beds {
		writers.Go(func() {
			c := c.in(t)
			send := func(method, path string, body obj, header ...string) *answer {
				for !t.Failed() {
					if a, err := c.try(method, path, body, header...); err == nil {
						return a
					}
					time.Sleep(20 * time.Millisecond) // the service is away
				}
				return nil
			}
			for n := 0; !stop.Load() && !t.Failed(); n++ {
				for posted.Load() > int64(min(plain.distinct()+60, unruly.distinct()+150)) && !stop.Load() && !t.Failed() {
					time.Sleep(5 * time.Millisecond)
				}
				name := fmt.Sprintf("over-%d-%d", i, n)
				e := emptying(b, ago(19*24*time.Hour).Add(time.Duration(n)*time.Minute), fmt.Sprint(1+n%40), "mL")
				e["identifier"] = list{obj{"system": testSys + "/over", "value": name}}
				a := send("POST", "Observation", e, "If-None-Exist", "identifier="+testSys+"/over|"+name)
				if a == nil || !a.check(200, 201) {
					return
				}
				if n%4 == 3 {
					e["id"], e["status"] = a.id(), "corrected"
					if a = send("PUT", "Observation/"+a.id(), e); a == nil || !a.check(200) {
						return
					}
				}
				mu.Lock()
				acknowledged["Observation/"+a.id()+"/"+a.version()] = true
				mu.Unlock()
				posted.Add(1)
			}
		})
	}

	// The unruly receiver restarts every now and then.
	var restarts sync.WaitGroup
	restarts.Go(func() {
		rng := rand.New(rand.NewPCG(seed, 9))
		for next := 20; !stop.Load() && !t.Failed(); {
			if unruly.count() >= next {
				unruly.restart()
				next = unruly.count() + 10 + rng.IntN(40)
			}
			time.Sleep(5 * time.Millisecond)
		}
	})

	for k := range kills {
		at := plain.distinct() + 1 + rng.IntN(40)
		await(t, "the plain receiver gets on", func() bool { return plain.distinct() >= at || t.Failed() })
		if t.Failed() {
			break
		}
		s.kill()
		for _, m := range boxes {
			m.settle("mark")
		}
		t.Logf("kill %d: accepted %d, %d, %d", k+1, plain.count(), unruly.count(), hanging.count())
		s = serveIn(t, dir, flags...)
	}
	stop.Store(true)
	writers.Wait()
	restarts.Wait()
	if t.Failed() {
		return
	}

	// One more on each drain: whoever has it has had everything before.
	c = s.client()
	for _, b := range beds {
		c.do("POST", "Observation", emptying(b, ago(time.Hour), "7", "mL")).want(201)
	}
	// What there was, by the history.
	want := map[string]bool{}
	for path := "Observation/_history?_count=500"; path != ""; {
		a := c.do("GET", path, nil).want(200)
		for _, e := range a.list("entry") {
			want["Observation/"+text(e, "resource.id")+"/"+text(e, "resource.meta.versionId")] = true
		}
		path = a.link("next")
	}
	for v := range acknowledged {
		if !want[v] {
			t.Errorf("%s was acknowledged and is not in the history", v)
		}
	}
	await(t, "the plain receiver gets everything", func() bool { return plain.distinct() >= len(want) })
	await(t, "the unruly receiver gets everything", func() bool { return unruly.distinct() >= len(want) })
	// All of that while the third had not taken anything yet.
	if n := hanging.count(); n != 0 {
		t.Errorf("the hanging receiver has accepted %d", n)
	}
	hanging.mu.Lock()
	if len(hanging.log) <= kills {
		t.Error("nothing was sent to the hanging receiver")
	}
	hanging.mu.Unlock()
	// An orderly stop forgets nothing: while the third is served by the next life,
	// the others hear nothing again.
	s.stop()
	for _, m := range boxes {
		m.settle("stop")
	}
	serveIn(t, dir, flags...)
	released()
	await(t, "the hanging receiver gets everything once it is released", func() bool { return hanging.distinct() >= len(want) })
	plain.check("plain", want)
	unruly.check("unruly", want)
	hanging.check("hanging", want)
}
