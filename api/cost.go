package api

import (
	"context"
	"errors"
	"net/http"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

// What a request may cost is decided here: its account of rows, values and bytes
// (package budget), its time, and, for a heavy request, a turn. A request is heavy if
// it reads more than a resource, a drain or a patient. Heavy requests have store
// connections of their own and run on all but one of the processors, one at a time for
// each client. A light request, such as charting, never waits for a heavy one; large
// bodies wait for those of the same client. The figures are OURS.
const (
	requestTime = 30 * time.Second // one interaction
	bundleTimes = 10               // of that, a batch or transaction
	heavyWait   = 10 * time.Second // for a turn
	heavyQueue  = 256              // requests that may wait for one
	wideReads   = 20               // reads of one Bundle; more of them are heavy
	narrowCount = 200              // of a page, for a search to be light
	narrowParts = 20               // values and includes
	largeBody   = 512 << 10        // bytes; a transaction of some 250 entries is smaller
)

// turns gives heavy requests their turns.
type turns struct {
	all  *semaphore.Weighted
	wait time.Duration

	mu      sync.Mutex
	waiting int
	clients map[string]*share
	stop    context.CancelCauseFunc
	stopped context.Context
}

// share is one client's: only one of its heavy requests at a time has a turn or waits
// for one, and only one of its large bodies at a time is held, so that a client delays
// others by one request at most.
type share struct {
	one, body *semaphore.Weighted
	users     int
}

func newTurns(at int, wait time.Duration) *turns {
	if at <= 0 {
		at = max(1, runtime.GOMAXPROCS(0)-1)
	}
	if wait <= 0 {
		wait = heavyWait
	}
	t := &turns{all: semaphore.NewWeighted(int64(at)), wait: wait, clients: map[string]*share{}}
	t.stopped, t.stop = context.WithCancelCause(context.Background())
	return t
}

// share joins a client's, until leave.
func (t *turns) share(client string) (c *share, leave func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	c = t.clients[client]
	if c == nil {
		c = &share{one: semaphore.NewWeighted(1), body: semaphore.NewWeighted(1)}
		t.clients[client] = c
	}
	c.users++
	return c, func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if c.users--; c.users == 0 {
			delete(t.clients, client)
		}
	}
}

// take waits for a turn of a client.
func (t *turns) take(ctx context.Context, client string) (giveBack func(), err error) {
	t.mu.Lock()
	if t.waiting >= heavyQueue {
		t.mu.Unlock()
		return nil, busy()
	}
	t.waiting++
	t.mu.Unlock()
	c, leave := t.share(client)
	if err = t.acquire(ctx, c.one); err == nil {
		if err = t.acquire(ctx, t.all); err != nil {
			c.one.Release(1)
			if t.stopped.Err() == nil {
				err = busy()
			}
		}
	}
	t.mu.Lock()
	t.waiting--
	t.mu.Unlock()
	if err != nil {
		leave()
		return nil, err
	}
	return func() {
		t.all.Release(1)
		c.one.Release(1)
		leave()
	}, nil
}

// takeBody waits until the client has no other large body that is being worked on.
func (t *turns) takeBody(ctx context.Context, client string) (giveBack func(), err error) {
	c, leave := t.share(client)
	if err := t.acquire(ctx, c.body); err != nil {
		leave()
		return nil, err
	}
	return func() { c.body.Release(1); leave() }, nil
}

// acquire waits for what a client may have once, but not for ever.
func (t *turns) acquire(ctx context.Context, s *semaphore.Weighted) error {
	ctx, cancel := context.WithTimeout(ctx, t.wait)
	defer cancel()
	defer context.AfterFunc(t.stopped, cancel)()
	if s.Acquire(ctx, 1) == nil {
		return nil
	}
	if t.stopped.Err() != nil {
		return stopping()
	}
	f := fault.New(fault.TooMany, "throttled", "This client has a request of this sort under way already, which took too long to wait for; ask for one at a time.")
	f.RetryAfter = t.wait
	return f
}

func busy() *fault.Error {
	f := fault.New(fault.Unavailable, "throttled", "Too many searches, tables and ward-wide answers are asked for at once; charting and reads by id go on. Try again later, or narrow the request.")
	f.RetryAfter = heavyWait
	return f
}

func stopping() *fault.Error {
	f := fault.New(fault.Unavailable, "transient", "The service is being stopped; send it again when it is back.")
	f.RetryAfter = 5 * time.Second
	return f
}

// Drain ends heavy requests with 503 and admits no more: the service is about to stop.
func (s *Server) Drain() { s.turns.stop(stopping()) }

// account is what a request has spent and what it holds.
type account struct {
	*budget.Budget
	end  context.CancelCauseFunc
	free []func() // at the end
	took bool     // a turn
}

type accountKey struct{}

// open opens the account of a request.
func (s *Server) open(ctx context.Context) (context.Context, *account) {
	a := &account{}
	ctx, a.end = context.WithCancelCause(ctx)
	ctx, a.Budget = budget.With(ctx, s.most)
	return context.WithValue(ctx, accountKey{}, a), a
}

func (a *account) close() {
	for _, f := range slices.Backward(a.free) {
		f()
	}
	a.end(nil)
}

// ended returns the reason if the account, not the client, ended the work.
func ended(ctx context.Context, err error) error {
	var f *fault.Error
	if err != nil && interrupted(err, context.Canceled) && errors.As(context.Cause(ctx), &f) {
		return f
	}
	return err
}

// admit waits for a turn where the interaction is heavy and its request has none yet.
func (s *Server) admit(ctx context.Context, in *Interaction) error {
	a, _ := ctx.Value(accountKey{}).(*account)
	if a == nil || a.took || in.Who == nil || !s.heavy(in) {
		return nil
	}
	return s.turn(ctx, a, in)
}

// admitReads is admit for a Bundle with many reads.
func (s *Server) admitReads(ctx context.Context, in *Interaction, entries []*fhirjson.Node) error {
	n := 0
	for _, e := range entries {
		if v := e.Get("request").Str("method"); v == http.MethodGet || v == http.MethodHead {
			n++
		}
	}
	a, _ := ctx.Value(accountKey{}).(*account)
	if n <= wideReads || a == nil || a.took {
		return nil
	}
	return s.turn(ctx, a, in)
}

// admitLarge waits until the client has no other large body that is being worked on.
func (s *Server) admitLarge(ctx context.Context, in *Interaction) error {
	a, _ := ctx.Value(accountKey{}).(*account)
	if a == nil || in.Who == nil {
		return nil
	}
	giveBack, err := s.turns.takeBody(ctx, clientOf(in.Who))
	if err == nil {
		a.free = append(a.free, giveBack)
	}
	return err
}

func (s *Server) turn(ctx context.Context, a *account, in *Interaction) error {
	giveBack, err := s.turns.take(ctx, clientOf(in.Who))
	if err != nil {
		return err
	}
	a.took = true
	budget.Beside(ctx)
	stop := context.AfterFunc(s.turns.stopped, func() { a.end(context.Cause(s.turns.stopped)) })
	a.free = append(a.free, giveBack, func() { stop() })
	return nil
}

func clientOf(who *auth.Principal) string { return who.Subject + "|" + who.Client }

// heavy reports whether an interaction may read more than a resource, a drain or a
// patient.
func (s *Server) heavy(in *Interaction) bool {
	reads := in.Verb == http.MethodGet || in.Verb == http.MethodHead || in.Form
	switch {
	case in.Special == "metadata":
		return false
	case strings.HasPrefix(in.Special, "$"):
		// Operations on a place cover all its drains; these others read many Observations or draw.
		return in.Type == "Location" || slices.Contains([]string{"$lastn", "$stats", "$everything", "$chart"}, in.Special)
	case in.Special == "_history":
		return in.ID == ""
	case in.Special == "_search":
		return wide(in.Type, in.Query)
	case in.Special != "": // of a compartment
		return wide(in.Special, append(slices.Clip(in.Query), search.Pair{Name: "_id", Value: in.ID}))
	case in.ID != "":
		return false
	case reads:
		return in.Type != "metadata" && wide(in.Type, in.Query)
	case in.Verb == http.MethodPost && in.IfNoneExist != "":
		pairs, err := in.noneExist()
		return err == nil && wide(in.Type, pairs)
	case in.Verb == http.MethodPost:
		return false // a Bundle is what its entries are
	}
	return wide(in.Type, in.Query) // conditional
}

// wide reports whether a search may read more than what belongs to a resource, a drain
// or a patient: no parameter names one exactly, or others take work for each match.
func wide(typ string, pairs []search.Pair) bool {
	narrow := false
	parts := 0
	for _, p := range pairs {
		name, modifier, modified := strings.Cut(p.Name, ":")
		parts += 1 + strings.Count(p.Value, ",")
		switch {
		case strings.Contains(p.Name, ".") || name == "_has":
			return true
		case name == "_include" || name == "_revinclude":
			parts++
		case name == "_sort":
			key := strings.TrimPrefix(p.Value, "-")
			if key != "" && key != "_id" && key != "_lastUpdated" && key != search.PrimaryDate(typ) {
				return true
			}
		case name == "_count":
			if n, err := strconv.Atoi(p.Value); err != nil || n > narrowCount {
				return true
			}
		case strings.HasPrefix(name, "_") && name != "_id":
		case modified && !(modifier != "" && 'A' <= modifier[0] && modifier[0] <= 'Z'):
			return true
		default:
			param, ok := search.Lookup(typ, name)
			narrow = narrow || ok && (name == "_id" || name == "identifier" || param.Kind == search.Reference)
		}
	}
	return !narrow || parts > narrowParts
}
