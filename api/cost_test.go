package api

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// One client's heavy requests take turns among themselves, so that they delay
// another's by one; nobody waits for longer than is said.
func TestTurns(t *testing.T) {
	turns := newTurns(1, 50*time.Millisecond)
	ctx := context.Background()
	back, err := turns.take(ctx, "greedy")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := turns.take(ctx, "greedy"); !fault.Is(err, fault.TooMany) || fault.Of(err).RetryAfter <= 0 {
		t.Errorf("a second one of the same client: %v", err)
	}
	if _, err := turns.take(ctx, "other"); !fault.Is(err, fault.Unavailable) || fault.Of(err).RetryAfter <= 0 {
		t.Errorf("another client's meanwhile: %v", err)
	}
	back()
	// Ten of one client and one of another: the other's comes second at the latest.
	turns.wait = time.Minute
	var mu sync.Mutex
	var order []string
	var wg sync.WaitGroup
	first, err := turns.take(ctx, "greedy")
	if err != nil {
		t.Fatal(err)
	}
	ask := func(client string) {
		wg.Go(func() {
			back, err := turns.take(ctx, client)
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			order = append(order, client)
			mu.Unlock()
			back()
		})
	}
	waiting := func(n int) {
		for {
			turns.mu.Lock()
			now := turns.waiting
			turns.mu.Unlock()
			if now == n {
				return
			}
			time.Sleep(time.Millisecond)
		}
	}
	for range 10 {
		ask("greedy")
	}
	waiting(10)
	ask("other")
	waiting(11)
	first()
	wg.Wait()
	if at := strings.Index(strings.Join(order, " "), "other"); at > len("greedy ") {
		t.Errorf("the other client waited for all: %v", order)
	}
	if len(turns.clients) != 0 || turns.waiting != 0 {
		t.Errorf("%d clients and %d waiting are left over", len(turns.clients), turns.waiting)
	}
	// At the end nobody waits, and what is under way hears of it.
	last, err := turns.take(ctx, "greedy")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error)
	go func() { _, err := turns.take(ctx, "other"); done <- err }()
	waiting(1)
	turns.stop(stopping())
	if err := <-done; !fault.Is(err, fault.Unavailable) {
		t.Errorf("waiting at the end: %v", err)
	}
	last()
}

// What charting and the bedside ask for is light.
func TestHeavy(t *testing.T) {
	s := &Server{operations: map[string][]Operation{}}
	for _, op := range builtin() {
		s.operations[op.Name] = append(s.operations[op.Name], op)
	}
	for request, heavy := range map[string]bool{
		"GET Observation/1":            false,
		"GET Observation/1/_history":   false,
		"GET Observation/_history":     true,
		"GET _history":                 true,
		"POST Observation":             false,
		"PUT Observation/1":            false,
		"POST ":                        false,
		"GET Patient/1/Observation":    false,
		"GET Device/1/$drain-output":   false,
		"GET Device/1/$chart":          true,
		"GET Patient/1/$fluid-balance": false,
		"GET Location/1/$emptying-due": true,
		"GET Observation/$stats":       true,
		"GET Patient/1/$everything":    true,
		"GET Observation?device=Device/1&_sort=-date&_count=20":                   false,
		"GET Observation?patient=1&date=ge2026-01-01&_include=Observation:device": false,
		"GET Observation?identifier=s|1":                                          false,
		"GET Observation?patient=1&_count=1000":                                   true,
		"GET Observation?patient=1&_sort=status":                                  true,
		"GET Observation?patient=1&value-string:contains=a":                       true,
		"GET Observation?patient.name=a":                                          true,
		"GET Patient?_has:Observation:patient:code=1":                             true,
		"GET Observation?code=9203-1":                                             true,
		"GET Observation":                                                         true,
		"GET Patient?name=a":                                                      true,
		"PUT Observation?identifier=s|1":                                          false,
		"DELETE Observation?status=final":                                         true,
		"GET Observation?device=" + strings.Repeat("a,", 100):                     true,
		"GET metadata": false,
	} {
		verb, url, _ := strings.Cut(request, " ")
		path, query, _ := strings.Cut(url, "?")
		in := &Interaction{Verb: verb}
		if err := in.setPath(path); err != nil {
			t.Fatal(err)
		}
		in.Query, _ = search.ParsePairs(query)
		if got := s.heavy(in); got != heavy {
			t.Errorf("%s: heavy %v, want %v", request, got, heavy)
		}
	}
	in := &Interaction{Verb: "POST", Type: "Observation", IfNoneExist: "value-string:contains=a"}
	if !s.heavy(in) {
		t.Error("a conditional create that searches widely is light")
	}
}

// Refusals of one address are noted one by one up to a number, and then
// counted; none is lost, and texts are cut.
func TestRefusals(t *testing.T) {
	var noted []store.AuditRecord
	r := newRefusals(func(rec store.AuditRecord) { noted = append(noted, rec) })
	single, waits := 0, 0
	const sent = refusedBurst + 500
	for i := range sent {
		note, err := r.refused(store.AuditRecord{Address: "192.0.2.1", Entity: fmt.Sprint(i), Detail: "401 Unauthorized"})
		if note {
			single++
		}
		if err != nil {
			waits++
		}
	}
	if note, err := r.refused(store.AuditRecord{Address: "192.0.2.2"}); !note || err != nil {
		t.Error("another address suffers")
	}
	if single < refusalBurst || single > refusalBurst+20 || waits < 300 {
		t.Errorf("%d noted one by one, %d told to wait", single, waits)
	}
	r.close()
	if len(noted) != 1 || !strings.Contains(noted[0].Detail, fmt.Sprint(sent-single)) {
		t.Errorf("the others are noted as %+v", noted)
	}
	for i := range 2 * maxRefusing {
		r.closed = false
		_, _ = r.refused(store.AuditRecord{Address: fmt.Sprint(i)})
	}
	if len(r.by) > maxRefusing+1 {
		t.Errorf("%d addresses are kept", len(r.by))
	}
	r.close()
	long := short(store.AuditRecord{Query: strings.Repeat("q", 1<<20), Entity: strings.Repeat("e", 1<<20)})
	if len(long.Query) > auditText+40 || len(long.Entity) > auditShort+40 {
		t.Errorf("%d and %d bytes are kept of a caller's text", len(long.Query), len(long.Entity))
	}
}

// A patch is bounded by its work: as many operations as a small resource takes
// are too many for a large one.
func TestPatchWork(t *testing.T) {
	if err := patchOperations(1000, 2000, 60_000); err != nil {
		t.Error(err)
	}
	if err := patchOperations(1000, 1<<20, 50_000); !fault.Is(err, fault.Rule) {
		t.Errorf("a thousand operations on a megabyte: %v", err)
	}
	if err := patchOperations(maxPatch+1, 100, 100); !fault.Is(err, fault.TooLarge) {
		t.Error(err)
	}
}

// At the end heavy work is told to stop, with 503; light work is not.
func TestDrain(t *testing.T) {
	s := &Server{turns: newTurns(2, time.Second), requestTime: time.Minute}
	heavyCtx, heavy := s.open(context.Background())
	defer heavy.close()
	lightCtx, light := s.open(context.Background())
	defer light.close()
	who := &auth.Principal{Subject: "Practitioner/t"}
	if err := s.admit(heavyCtx, &Interaction{Verb: "GET", Type: "Observation", Who: who}); err != nil || !heavy.took || !budget.IsBeside(heavyCtx) {
		t.Fatal(err)
	}
	if err := s.admit(lightCtx, &Interaction{Verb: "GET", Type: "Observation", ID: "1", Who: who}); err != nil || light.took || budget.IsBeside(lightCtx) {
		t.Fatal(err)
	}
	s.Drain()
	<-heavyCtx.Done()
	if err := ended(heavyCtx, heavyCtx.Err()); !fault.Is(err, fault.Unavailable) {
		t.Errorf("heavy work ends with %v", err)
	}
	if lightCtx.Err() != nil {
		t.Error("light work was ended")
	}
	if err := s.admit(lightCtx, &Interaction{Verb: "GET", Type: "Observation", Who: who}); !fault.Is(err, fault.Unavailable) {
		t.Errorf("heavy work at the end: %v", err)
	}
}

// TestLargeBodies: one client's large bodies are worked on one after another; a small one,
// and another client's, do not wait for them. Slow senders hold no turn.
func TestLargeBodies(t *testing.T) {
	s := &Server{turns: newTurns(1, 50*time.Millisecond), bodies: newBodies(), requestTime: time.Minute}
	send := func(client string, size int) (done func(), err error) {
		ctx, a := s.open(context.Background())
		in := &Interaction{Verb: "POST", Who: &auth.Principal{Subject: client}}
		r := s.bodies.reader(strings.NewReader(strings.Repeat("x", size)), func() error { return s.admitLarge(ctx, in) })
		_, err = io.Copy(io.Discard, r)
		return func() { r.release(); a.close() }, err
	}
	first, err := send("greedy", largeBody+1)
	if err != nil {
		t.Fatal(err)
	}
	done, err := send("greedy", largeBody+1)
	if !fault.Is(err, fault.TooMany) || fault.Of(err).RetryAfter <= 0 {
		t.Errorf("a second large body of one client: %v", err)
	}
	done()
	for client, size := range map[string]int{"greedy": largeBody, "other": largeBody + 1} {
		if done, err = send(client, size); err != nil {
			t.Errorf("%d bytes of %s: %v", size, client, err)
		}
		done()
	}
	if back, err := s.turns.take(context.Background(), "analyst"); err != nil {
		t.Errorf("a body that is still being read holds a turn: %v", err)
	} else {
		back()
	}
	first()
	if done, err = send("greedy", largeBody+1); err != nil {
		t.Errorf("after the first: %v", err)
	}
	done()
	if len(s.turns.clients) != 0 {
		t.Errorf("clients left: %v", s.turns.clients)
	}
}
