package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/google/uuid"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Observer is told what happens, for metrics. Its methods are called from
// several goroutines and must not block.
type Observer interface {
	// Delivered: a receiver accepted, so long after the commit.
	Delivered(subscription string, after time.Duration)
	Failed(subscription string, reason Reason)
	// Lag is the age of the oldest waiting delivery, and how many wait.
	Lag(subscription string, behind time.Duration, waiting int)
	// SetAside: one delivery is given up, while the others go on.
	SetAside(subscription string, reason Reason)
	// GivenUp: the subscription was switched off, since its receiver failed for
	// too long.
	GivenUp(subscription string)
	// Ended: nothing more is delivered by this process for the subscription,
	// which may be gone.
	Ended(subscription string)
}

// Options are what New needs. Durations that are zero take the default.
type Options struct {
	Store Store
	// Update stores n, a Subscription, in place of the given version;
	// Precondition when that is no longer the current one. It does not pass
	// through Hook.
	Update func(ctx context.Context, n *fhirjson.Node, version int64) error
	// May reports whether the owner may read and search the resource.
	May func(owner Owner, n *fhirjson.Node) bool
	// Where is the place of a drain now and all that it is part of, innermost
	// first, as ids of Locations.
	Where   func(ctx context.Context, drain string) ([]string, error)
	Targets Targets
	BaseURL string                     // of our /fhir
	Parse   func() search.ParseOptions // for criteria
	Extract search.ExtractOptions
	Logger  *slog.Logger
	Now     func() time.Time
	Observe Observer    // nil: nobody
	TLS     *tls.Config // for receivers; nil: the system's roots

	Holder  string                     // unique name of this process; "": a random one
	Lone    bool                       // no other process serves the store
	TTL     time.Duration              // of the lease; 8 s, which replaces a dead process within 12 s
	Poll    time.Duration              // how often to look for changes of other processes; 200 ms
	Timeout time.Duration              // of one request; 10 s
	Tell    time.Duration              // failing for so long is told in Subscription.error; 10 s
	GiveUp  time.Duration              // failing for so long ends in status off; 24 h
	Retry   backoff.ExponentialBackOff // pauses; zero: 0.5 s, doubling, half of it random, up to 5 min

	transport http.RoundTripper // tests only
}

// grace is how long requests under way may take at a stop. The lease is still valid
// then: its last renewal is at most a quarter of the TTL old.
func (o Options) grace() time.Duration { return min(2*time.Second, o.TTL/4) }

// Engine serves all Subscriptions. Only the process that holds the lease
// delivers; Hook works in each.
type Engine struct {
	options Options
	rules   rules
	sender  *sender
	log     *slog.Logger
	wake    chan struct{}

	mu   sync.Mutex
	stop context.CancelFunc
	idle chan struct{} // closed when Start's work is over
}

// New returns an engine that does not run yet.
func New(o Options) *Engine {
	set := func(d *time.Duration, to time.Duration) {
		if *d == 0 {
			*d = to
		}
	}
	set(&o.TTL, 8*time.Second)
	set(&o.Poll, 200*time.Millisecond)
	set(&o.Timeout, 10*time.Second)
	set(&o.Tell, 10*time.Second)
	set(&o.GiveUp, 24*time.Hour)
	if o.Retry.InitialInterval == 0 {
		o.Retry = backoff.ExponentialBackOff{InitialInterval: 500 * time.Millisecond, RandomizationFactor: 0.5, Multiplier: 2, MaxInterval: 5 * time.Minute}
	}
	if o.Holder == "" {
		o.Holder = uuid.NewString()
	}
	if o.Observe == nil {
		o.Observe = nobody{}
	}
	if o.TLS == nil {
		o.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	return &Engine{
		options: o, rules: rules{targets: o.Targets, parse: o.Parse, timeout: o.Timeout}, sender: newSender(o.Targets, o),
		log: o.Logger, wake: make(chan struct{}, 1),
	}
}

func (e *Engine) now() time.Time { return e.options.Now() }

// Start serves, once the lease is held, until ctx ends or Stop.
func (e *Engine) Start(ctx context.Context) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.idle != nil {
		return
	}
	ctx, e.stop = context.WithCancel(ctx)
	e.idle = make(chan struct{})
	go func() {
		defer close(e.idle)
		lease := NewLease(e.options.Store, "lease/notify", e.options.Holder, e.options.TTL, e.log)
		if e.options.Lone {
			lease = Lone(e.options.Store, "lease/notify", e.log)
		}
		lease.Hold(ctx, func(ctx context.Context, fence int64) {
			err := fault.Contain("serve the subscriptions", func() error { e.serve(ctx, fence); return nil })
			if err != nil {
				e.log.Error("a defect occurred; deliveries begin again", "cause", fault.Of(err).Cause)
				pause(ctx, storePause)
			}
		})
	}()
}

// Stop lets requests under way finish for a moment, stores the progress and releases
// the lease.
func (e *Engine) Stop() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.idle != nil {
		e.stop()
		<-e.idle
		e.idle = nil
		e.sender.client.CloseIdleConnections()
	}
}

// Wake reports a commit, so that it is delivered without waiting for the next poll. It
// never blocks.
func (e *Engine) Wake() {
	select {
	case e.wake <- struct{}{}:
	default:
	}
}

// serve is one term: follow the Subscriptions and keep a runner for each that
// is active.
func (e *Engine) serve(ctx context.Context, fence int64) {
	t := &terms{Engine: e, fence: fence, running: map[string]*running{}}
	defer t.stopAll()
	var head int64
	if !e.persist(ctx, "read the change feed", func() (err error) {
		head, err = e.options.Store.LastSeq(ctx)
		return err
	}) {
		return
	}
	f := newFeed(e.options.Store, e.options.Extract, head)
	t.shared = &served{
		feed: f, sender: e.sender, store: e.options.Store, may: e.options.May,
		endpoints: &endpoints{pauses: e.options.Retry, of: map[string]*endpoint{}},
		observe:   e.options.Observe, options: e.options, settle: t.settle, note: t.note,
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { f.run(ctx, e.wake, e.options.Poll, changed(e.log, "change feed not read")) })
	if !e.persist(ctx, "list the subscriptions", func() error { return t.loadAll(ctx) }) {
		return
	}
	for at := head; ctx.Err() == nil; {
		more := f.more()
		changes, err := f.after(ctx, at)
		for _, c := range changes {
			if c.Type == "Subscription" {
				t.apply(ctx, c.Version)
			}
			at = c.Seq
		}
		switch {
		case err != nil:
			pause(ctx, storePause)
		case len(changes) == 0:
			select {
			case <-ctx.Done():
			case <-more:
			}
		}
	}
}

// persist retries until it succeeds; false if ctx ended first.
func (e *Engine) persist(ctx context.Context, doing string, f func() error) bool {
	failed := changed(e.log, "could not "+doing)
	for {
		err := f()
		if err == nil {
			return true
		}
		failed(err)
		if !pause(ctx, storePause) {
			return false
		}
	}
}

// changed logs an error if it differs from the one before.
func changed(log *slog.Logger, text string) func(error) {
	last := ""
	return func(err error) {
		now := ""
		if err != nil && !errors.Is(err, context.Canceled) {
			now = err.Error()
		}
		if now != last && now != "" {
			log.Warn(text, "err", now)
		}
		last = now
	}
}

// terms is the state of one term.
type terms struct {
	*Engine
	fence   int64
	shared  *served
	running map[string]*running
}

type running struct {
	*runner
	cancel context.CancelFunc
	done   chan struct{}
	what   string // the Subscription without what the service sets
}

// lasting is a Subscription without what the service itself sets.
func lasting(n *fhirjson.Node) string {
	n = n.Clone()
	for _, name := range []string{"status", "error", "_error", "meta"} {
		n.Delete(name)
	}
	return string(n.Bytes())
}

func (t *terms) loadAll(ctx context.Context) error {
	known := map[string]bool{}
	q := search.Query{Type: "Subscription", Count: store.MaxPage}
	for {
		page, err := t.options.Store.Search(ctx, q)
		if err != nil {
			return err
		}
		for _, v := range page.Matches {
			known[v.ID] = true
			if t.running[v.ID] == nil {
				t.apply(ctx, v)
			}
		}
		if q.Cursor = page.Next; q.Cursor == "" {
			break
		}
	}
	names, err := t.options.Store.States(ctx, progressPrefix)
	if err != nil {
		return err
	}
	for _, name := range names {
		if id := name[len(progressPrefix):]; !known[id] {
			// Deleted while nobody served. One created since the search has a
			// version in the feed that is yet to come, and no progress to lose.
			t.forget(ctx, id)
		}
	}
	return ctx.Err()
}

// apply starts, stops or keeps the runner of a subscription by its new version.
func (t *terms) apply(ctx context.Context, v store.Version) {
	if v.Deleted() {
		t.stopOne(v.ID)
		t.forget(ctx, v.ID)
		return
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		t.stopOne(v.ID)
		t.log.Error("subscription not readable", "subscription", v.ID, "err", err)
		return
	}
	status := n.Str("status")
	if r := t.running[v.ID]; r != nil && r.what == lasting(n) && (status == "active" || status == "error") {
		r.version.Store(v.Number) // a status that its runner set
		return
	}
	t.stopOne(v.ID)
	if status == "off" {
		if n.Get("error") == nil {
			t.forget(ctx, v.ID)
		} // else it was given up: the progress is kept for the day it is requested again
		return
	}
	now := t.now()
	sub, err := t.rules.load(n, v, endless(n, now))
	switch {
	case err == nil && !sub.end.IsZero() && !sub.end.After(now):
		t.set(ctx, n, v.Number, "off", "")
		return
	case err != nil:
		if text := "The service cannot serve this subscription: " + err.Error(); status != "error" || n.Str("error") != text {
			t.set(ctx, n, v.Number, "error", text)
		}
		return
	}
	var l *ledger
	var p progress
	fenced := false
	if !t.persist(ctx, "open the progress of a subscription", func() (err error) {
		l, p, err = openLedger(ctx, t.options.Store, &sub, t.fence, v.Seq, status == "requested")
		fenced = errors.Is(err, errFenced)
		if fenced {
			return nil
		}
		return err
	}) || fenced {
		return
	}
	if status == "requested" && sub.topic == nil {
		// The runner starts with the version that this makes. That of a topic sets
		// it itself, after the handshake.
		t.set(ctx, n, v.Number, "active", "")
		return
	}
	var events *eventLog
	if sub.topic != nil {
		if !t.persist(ctx, "open the events of a subscription", func() (err error) {
			events, err = openLog(ctx, t.options.Store, sub.id, sub.owner.Run, t.fence)
			if fenced = errors.Is(err, errFenced); fenced {
				return nil
			}
			return err
		}) || fenced {
			return
		}
	}
	one, cancel := context.WithCancel(ctx)
	r := &running{runner: newRunner(t.shared, &sub, l, p, t.log).with(events, p), cancel: cancel, done: make(chan struct{}), what: lasting(n)}
	t.running[v.ID] = r
	go func() {
		defer close(r.done)
		err := fault.Contain("serve a subscription", func() error { r.run(one); return nil })
		if err != nil {
			t.log.Error("a defect occurred; the subscription ends", "subscription", sub.id, "cause", fault.Of(err).Cause)
			t.settle(one, sub.id, r.version.Load(), "off", "An internal error occurred while the service served this subscription; its log says where. Set the status to requested to try again.")
		}
	}()
}

// endless returns the time by which a stored end is checked: an end that has passed is
// no fault of the subscription.
func endless(n *fhirjson.Node, now time.Time) time.Time {
	if n.Get("end") == nil {
		return now
	}
	return time.Time{}
}

// set writes a status of the service. A newer version wins: it is in the feed.
func (t *terms) set(ctx context.Context, n *fhirjson.Node, version int64, status, text string) {
	n = withStatus(n, status, text)
	t.persist(ctx, "set the status of a subscription", func() error {
		err := t.options.Update(ctx, n.Clone(), version)
		var f *fault.Error
		switch {
		case !errors.As(err, &f) || f.Kind == fault.Unavailable:
			return err
		case f.Kind != fault.Precondition && f.Kind != fault.Gone && f.Kind != fault.NotFound:
			// Trying again would hold up every other subscription.
			t.log.Error("status of a subscription not set", "subscription", n.Str("id"), "status", status, "err", err)
		}
		return nil
	})
	t.Wake()
}

// settle is set for a runner, which has no tree.
func (t *terms) settle(ctx context.Context, id string, version int64, status, text string) {
	var n *fhirjson.Node
	ok := t.persist(ctx, "read a subscription", func() (err error) {
		n, err = t.read(ctx, id, version)
		return err
	})
	if ok {
		t.log.Info("subscription ended", "subscription", id, "status", status)
		t.set(ctx, n, version, status, text)
	}
}

// note is settle for a run that continues. It does not retry: the runner writes the
// status again later if it still holds.
func (t *terms) note(ctx context.Context, id string, version int64, status, text string) error {
	n, err := t.read(ctx, id, version)
	if err != nil {
		return err
	}
	err = t.options.Update(ctx, withStatus(n, status, text), version)
	t.Wake()
	return err
}

func (t *terms) read(ctx context.Context, id string, version int64) (*fhirjson.Node, error) {
	v, err := t.options.Store.ReadVersion(ctx, store.Key{Type: "Subscription", ID: id}, version)
	if err != nil {
		return nil, err
	}
	return fhirjson.Parse(v.JSON())
}

func withStatus(n *fhirjson.Node, status, text string) *fhirjson.Node {
	n = n.Clone()
	n.Set("status", fhirjson.Str(status))
	n.Delete("error")
	if text != "" {
		n.Set("error", fhirjson.Str(text))
	}
	return n
}

func (t *terms) forget(ctx context.Context, id string) {
	t.persist(ctx, "forget the progress of a subscription", func() error {
		l := &ledger{states: t.options.Store, name: progressPrefix + id, fence: t.fence}
		p, err := l.read(ctx)
		if err != nil || l.rev != 0 && p.Fence > t.fence {
			return err
		}
		if err = dropLog(ctx, t.options.Store, id); err != nil || l.rev == 0 {
			return err
		}
		if err = l.drop(ctx); errors.Is(err, errFenced) {
			return nil
		}
		return err
	})
}

func (t *terms) stopOne(id string) {
	if r := t.running[id]; r != nil {
		r.cancel()
		<-r.done
		delete(t.running, id)
	}
}

// stopAll ends all runners. Their contexts ended with the term's.
func (t *terms) stopAll() {
	for _, r := range t.running {
		r.cancel()
	}
	for _, r := range t.running {
		<-r.done
	}
}

type nobody struct{}

func (nobody) Delivered(string, time.Duration) {}
func (nobody) Failed(string, Reason)           {}
func (nobody) Lag(string, time.Duration, int)  {}
func (nobody) SetAside(string, Reason)         {}
func (nobody) GivenUp(string)                  {}
func (nobody) Ended(string)                    {}
