package storetest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

var linearTests = []test{
	{name: "linearizable", run: linearizable},
}

// linearizable runs on two stores of one database where the engine shares it.
func linearizable(t *testing.T, s store.Store) {
	stores := []store.Store{s}
	if x, ok := s.(Sharer); ok {
		stores = append(stores, x.Second(t))
	}
	Linearizable(t, stores, nil)
}

// Linearizable lets clients of the stores, which hold the same data, read and
// write few resources at once, and has a checker search for one order of all
// that explains every answer and agrees with the clock. disturb, which may be
// nil, is called now and then meanwhile.
func Linearizable(t *testing.T, stores []store.Store, disturb func(step int)) {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	h := observe(t, stores, seed, disturb)
	doubts, refusals, reads, writes := 0, 0, 0, 0
	for _, o := range h {
		switch out := o.Output.(outcome); {
		case out.doubt:
			doubts++
		case o.Input.(request).kind <= look:
			reads++
		case out.kind != done:
			refusals++
		default:
			writes++
		}
	}
	t.Logf("seed %d: %d writes, %d refused, %d in doubt; %d reads", seed, writes, refusals, doubts, reads)
	if writes == 0 || refusals == 0 || reads == 0 {
		t.Error("the history tries too little")
	}
	if porcupine.CheckOperations(register, h) {
		return
	}
	file := filepath.Join(t.ArtifactDir(), "history.html") // kept with go test -artifacts
	_, info := porcupine.CheckOperationsVerbose(register, h, 0)
	if err := porcupine.VisualizePath(register, info, file); err != nil {
		t.Log(err)
	}
	t.Errorf("no order of the operations explains what was answered; seed %d, picture in %s", seed, file)
}

// kind is what a client asks of a resource.
type kind int

const (
	read kind = iota // Read
	look             // Search by _id
	put              // Commit of a Put
	gone             // Commit of a Delete
)

type request struct {
	kind   kind
	id     string
	expect store.Expect
	text   string // of a put, unique
}

// done is the outcome of what was not refused.
const done = fault.Kind(-1)

type outcome struct {
	kind    fault.Kind // of the refusal, or done
	version int64
	deleted bool
	text    string
	doubt   bool // nobody knows whether it was carried out
}

// resource is what a store is held to for one key: the simplest that promises
// what store.Store does.
type resource struct {
	version int64 // 0: never there
	deleted bool
	text    string
}

func (r resource) apply(q request) (resource, outcome) {
	there := r.version > 0 && !r.deleted
	as := outcome{done, r.version, r.deleted, r.text, false}
	no := func(k fault.Kind) (resource, outcome) { return r, outcome{kind: k} }
	switch {
	case q.kind == read && r.version == 0:
		return no(fault.NotFound)
	case q.kind == look && !there:
		return no(fault.NotFound) // no match
	case q.kind == read, q.kind == look:
		return r, as
	case q.expect == store.Absent && r.version > 0:
		return no(fault.Conflict)
	case r.version == 0 && (q.expect == store.Exists || q.kind == gone && q.expect <= 0):
		return no(fault.NotFound)
	case q.expect == store.Exists && r.deleted:
		return no(fault.Gone)
	case q.expect > 0 && int64(q.expect) != r.version:
		return no(fault.Precondition)
	case q.kind == gone && r.deleted:
		return r, as
	}
	r = resource{r.version + 1, q.kind == gone, q.text}
	return r, outcome{done, r.version, r.deleted, r.text, false}
}

// register is a resource as the checker has it. What is in doubt never ends,
// as the checker wants it, so that one that was not carried out stands behind
// all others, where nobody sees it.
var register = porcupine.Model{
	Partition: func(history []porcupine.Operation) (parts [][]porcupine.Operation) {
		of := map[string]int{}
		for _, o := range history {
			id := o.Input.(request).id
			if _, ok := of[id]; !ok {
				of[id] = len(parts)
				parts = append(parts, nil)
			}
			parts[of[id]] = append(parts[of[id]], o)
		}
		return parts
	},
	Init: func() any { return resource{} },
	Step: func(state, input, output any) (bool, any) {
		next, want := state.(resource).apply(input.(request))
		got := output.(outcome)
		return got.doubt || got == want, next
	},
	DescribeOperation: func(input, output any) string {
		q, o := input.(request), output.(outcome)
		return fmt.Sprintf("%s %s (expect %d) %q: %s %d %q", [...]string{"read", "search", "put", "delete"}[q.kind], q.id, q.expect, q.text, told(o), o.version, o.text)
	},
	DescribeState: func(state any) string { return fmt.Sprintf("%+v", state) },
}

func told(o outcome) string {
	switch {
	case o.doubt:
		return "in doubt"
	case o.kind == done && o.deleted:
		return "deleted"
	case o.kind == done:
		return "done"
	}
	return fmt.Sprintf("refused (%d)", o.kind)
}

// observe runs the clients and notes what they asked and were told.
func observe(t *testing.T, stores []store.Store, seed uint64, disturb func(int)) []porcupine.Operation {
	t.Helper()
	const clients, steps, ids = 6, 45, 3 // a client's resource changes now and then, so that two or three meet
	began := time.Now()
	now := func() int64 { return int64(time.Since(began)) }
	var mu sync.Mutex
	var history []porcupine.Operation
	var wg sync.WaitGroup
	for n := range clients {
		wg.Go(func() {
			c := client{store: stores[n%len(stores)], name: n, rand: rand.New(rand.NewPCG(seed, uint64(n))), known: map[string]int64{}}
			for i := range steps {
				if disturb != nil && n == 0 && i%9 == 8 {
					disturb(i / 9)
				}
				q := c.draw(i, ids)
				o := porcupine.Operation{ClientId: n, Input: q, Call: now()}
				out, counts, err := c.ask(t, q)
				o.Output, o.Return = out, now()
				if err != nil {
					t.Error(err)
					return
				}
				if out.doubt {
					o.Return = math.MaxInt64
				}
				if counts {
					mu.Lock()
					history = append(history, o)
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	return history
}

// client is one of those who work at once.
type client struct {
	store store.Store
	name  int
	rand  *rand.Rand
	known map[string]int64 // the version that it last saw of a resource
}

func (c *client) draw(step, ids int) request {
	q := request{kind: kind(c.rand.IntN(4)), id: fmt.Sprint("l", c.rand.IntN(ids)), text: fmt.Sprintf("%d-%d", c.name, step)}
	if q.kind == gone && c.rand.IntN(3) > 0 { // what is gone makes a poor history
		q.kind = put
	}
	switch q.kind {
	case put:
		q.expect = []store.Expect{store.Any, store.Absent, store.Exists, store.Expect(c.known[q.id]), store.Expect(c.known[q.id]), store.Expect(c.known[q.id])}[c.rand.IntN(6)]
	case gone:
		q.text = ""
		q.expect = []store.Expect{store.Any, store.Exists, store.Expect(c.known[q.id])}[c.rand.IntN(3)]
	default:
		q.text = ""
	}
	return q
}

// ask carries a request out. counts is false for what surely had no effect and
// told nothing. An error is an answer that the contract does not know.
func (c *client) ask(t *testing.T, q request) (out outcome, counts bool, err error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	if c.rand.IntN(8) == 0 { // a caller who goes away
		ctx, cancel = context.WithTimeout(ctx, time.Duration(c.rand.IntN(3000))*time.Microsecond)
		defer cancel()
	}
	key := store.Key{Type: "Patient", ID: q.id}
	var v store.Version
	switch q.kind {
	case read:
		v, err = c.store.Read(ctx, key)
	case look:
		var p store.Page
		by := query(t, key.Type, "_id="+key.ID)
		by.Count = 2
		p, err = c.store.Search(ctx, by)
		switch {
		case err == nil && len(p.Matches) == 0:
			return outcome{kind: fault.NotFound}, true, nil
		case err == nil && len(p.Matches) > 1:
			return out, false, fmt.Errorf("a search for %s finds it twice", key)
		case err == nil:
			v = p.Matches[0]
		}
	default:
		w := remove(key.Type, key.ID)
		if q.kind == put {
			w = patient(t, q.id, q.text)
		}
		w.Expect = q.expect
		var r []store.Result
		if r, err = c.store.Commit(ctx, []store.Write{w}, nil); err == nil {
			v = r[0].Version
		}
	}
	var f *fault.Error
	writes := q.kind == put || q.kind == gone
	switch {
	case err == nil:
		c.known[q.id] = v.Number
		return outcome{done, v.Number, v.Deleted(), textOf(v), false}, true, nil
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return outcome{doubt: true}, writes, nil
	case !errors.As(err, &f):
		return out, false, err
	case f.Kind == fault.Unavailable: // nothing was written, unless it says so
		return outcome{doubt: true}, writes && strings.Contains(f.Error(), "in doubt"), nil
	case f.Kind == fault.Internal:
		return out, false, err
	}
	return outcome{kind: f.Kind}, true, nil
}

// textOf is what patient wrote.
func textOf(v store.Version) string {
	_, rest, _ := strings.Cut(string(v.Body.JSON), `"family":"`)
	text, _, _ := strings.Cut(rest, `"`)
	return text
}
