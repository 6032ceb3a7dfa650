package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/cenkalti/backoff/v5"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Bounds of one subscription.
const (
	window      = 512     // deliveries above the low mark, waiting or done
	windowBytes = 8 << 20 // of resources that wait
	inFlight    = 4       // requests at a time
	saveEvery   = 100 * time.Millisecond
	saveIdle    = 10 * time.Second // when only changes of no interest went by
	storePause  = time.Second      // before the store is asked again
)

// event is one delivery that is due.
type event struct {
	*change
	keys    []string // what it keeps its order by
	tries   backoff.ExponentialBackOff
	due     time.Time // not before
	since   time.Time // of the first failure
	failed  Reason    // of the last attempt
	sending bool
	hurried bool
}

// answer is an event with what became of its attempt.
type answer struct {
	*event
	outcome
	withheld bool
	err      error // of the store
}

// runner serves one subscription. It is one goroutine and at most inFlight
// short-lived ones for the requests; nothing in it is shared.
type runner struct {
	*served
	sub    *subscription
	ledger *ledger
	log    *slog.Logger

	scanned int64 // the feed is read up to here
	low     int64
	done    map[int64]bool // delivered, above low
	pending []*event       // by Seq
	bytes   int            // of pending
	sending int
	answers chan answer
	failing progress // of the run before: Failing and For only

	dirty  bool // something was delivered since the last save
	moved  bool // low has grown since
	saved  time.Time
	again  time.Time // when the store may be asked again
	lagged time.Time // when the observer was last told
}

// served is what the runners of a term share.
type served struct {
	feed    *feed
	sender  *sender
	store   Store
	may     func(Owner, *fhirjson.Node) bool
	observe Observer
	options Options
	// settle sets the status that ends a run; it returns when that is done.
	settle func(ctx context.Context, sub *subscription, status, text string)
}

func newRunner(s *served, sub *subscription, l *ledger, p progress, log *slog.Logger) *runner {
	r := &runner{
		served: s, sub: sub, ledger: l, log: log.With("subscription", sub.id),
		scanned: p.Low, low: p.Low, done: map[int64]bool{}, answers: make(chan answer, inFlight), failing: p, saved: time.Now(),
	}
	for _, seq := range p.Done {
		r.done[seq] = true
	}
	return r
}

// run serves until ctx ends, the subscription ends or its receiver is given up.
func (r *runner) run(ctx context.Context) {
	requests, abort := context.WithCancel(context.WithoutCancel(ctx))
	defer abort()
	var end <-chan time.Time
	if !r.sub.end.IsZero() {
		t := time.NewTimer(r.sub.end.Sub(r.options.Now()))
		defer t.Stop()
		end = t.C
	}
	wake := time.NewTimer(0)
	defer wake.Stop()
	for {
		more := r.feed.more()
		behind := r.fill(ctx)
		r.advance()
		next := r.launch(requests, time.Now())
		if err := r.save(ctx, false); err != nil {
			if errors.Is(err, errFenced) {
				r.log.Warn("subscription left to another process")
				abort()
				r.drain(ctx, abort, false)
				return
			}
			r.again = time.Now().Add(storePause)
		}
		r.tell()
		if behind {
			next = time.Now()
		}
		wake.Reset(time.Until(r.nextWake(next)))
		if !r.room() || time.Now().Before(r.again) {
			more = nil
		}
		select {
		case <-ctx.Done():
			r.drain(ctx, abort, true)
			return
		case <-end:
			r.drain(ctx, abort, true)
			r.settle(ctx, r.sub, "off", "")
			return
		case a := <-r.answers:
			if r.settled(a) {
				continue
			}
			abort()
			r.drain(ctx, abort, true)
			r.settle(ctx, r.sub, "error", r.farewell(a))
			return
		case <-more:
		case <-wake.C:
		}
	}
}

func (r *runner) room() bool {
	return len(r.pending)+len(r.done) < window && r.bytes < windowBytes
}

// fill reads a stretch of the feed, as far as there is room; true when there
// may be more.
func (r *runner) fill(ctx context.Context) bool {
	for range 4 {
		if !r.room() || time.Now().Before(r.again) || ctx.Err() != nil {
			return false
		}
		changes, err := r.feed.after(ctx, r.scanned)
		if err == nil && len(changes) == 0 {
			return false
		}
		for _, c := range changes {
			if !r.room() {
				return false
			}
			if err = r.take(ctx, c); err != nil {
				break
			}
			r.scanned = c.Seq
		}
		if err != nil {
			if ctx.Err() == nil {
				r.log.Warn("changes not read", "err", err)
			}
			r.again = time.Now().Add(storePause)
			return false
		}
	}
	return true
}

// take adds a change to pending when it matches.
func (r *runner) take(ctx context.Context, c *change) error {
	if c.Type != r.sub.query.Type || r.done[c.Seq] {
		return nil
	}
	n, doc, err := r.feed.read(ctx, c)
	if err != nil || n == nil || !r.sub.query.Match(doc) {
		return err
	}
	e := &event{change: c, keys: keysOf(c, doc), tries: r.options.Retry}
	if c.Seq == r.failing.Failing {
		e.since = time.Now().Add(-r.failing.For)
	}
	r.pending = append(r.pending, e)
	r.bytes += len(c.Body.JSON)
	return nil
}

// keysOf are the drain, or drains, and the resource.
func keysOf(c *change, doc search.Doc) []string {
	keys := []string{c.Key.String()}
	for _, param := range []string{"device", "implicated"} {
		for _, ref := range doc.Refs(param) {
			if !slices.Contains(keys, ref) {
				keys = append(keys, ref)
			}
		}
	}
	return keys
}

// advance moves the low mark up to the oldest delivery that is not done.
func (r *runner) advance() {
	low := r.scanned
	if len(r.pending) > 0 {
		low = r.pending[0].Seq - 1
	}
	if low <= r.low {
		return
	}
	r.low, r.moved = low, true
	for seq := range r.done {
		if seq <= low {
			delete(r.done, seq)
		}
	}
}

// launch starts what may go: the first event of each drain, unless it has to
// wait for another try. It says when the next of those is due.
func (r *runner) launch(ctx context.Context, now time.Time) (next time.Time) {
	held := map[string]bool{}
	for _, e := range r.pending {
		if r.sending >= inFlight {
			return next
		}
		free := !slices.ContainsFunc(e.keys, func(k string) bool { return held[k] })
		for _, k := range e.keys {
			held[k] = true
		}
		switch {
		case !free || e.sending:
		case now.Before(e.due):
			if next.IsZero() || e.due.Before(next) {
				next = e.due
			}
		default:
			e.sending = true
			r.sending++
			go func() { r.answers <- r.attempt(ctx, e) }()
		}
	}
	return next
}

// attempt tests the owner's rights and sends.
func (r *runner) attempt(ctx context.Context, e *event) answer {
	a := answer{event: e}
	n, _, err := r.feed.read(ctx, e.change)
	if err != nil {
		a.err = err
		return a
	}
	if a.withheld = !r.may(r.sub.owner, n); a.withheld {
		return a
	}
	now, err := r.store.Read(ctx, e.Key)
	if err != nil && !fault.Is(err, fault.NotFound) {
		a.err = err
		return a
	}
	if err == nil && now.Number != e.Number && !now.Deleted() {
		current, err := fhirjson.Parse(now.Body.JSON)
		if err != nil {
			a.err = err
			return a
		}
		if a.withheld = !r.may(r.sub.owner, current); a.withheld {
			return a
		}
	}
	a.outcome = r.sender.send(ctx, r.sub, e.Version)
	return a
}

// settled takes an answer in; false when the receiver has to be given up.
func (r *runner) settled(a answer) bool {
	now := time.Now()
	r.sending--
	a.sending = false
	switch {
	case a.err != nil:
		a.due = now.Add(storePause)
		return true
	case a.reason == Stopped:
		return true
	case a.reason == Delivered:
		i, _ := slices.BinarySearchFunc(r.pending, a.Seq, func(e *event, s int64) int { return int(e.Seq - s) })
		r.pending = slices.Delete(r.pending, i, i+1)
		r.bytes -= len(a.Body.JSON)
		r.done[a.Seq] = true
		r.dirty = true
		if a.withheld {
			return true
		}
		r.observe.Delivered(r.sub.id, r.options.Now().Sub(a.At))
		r.hurry(now)
		return true
	}
	r.observe.Failed(r.sub.id, a.reason)
	if a.since.IsZero() {
		a.since = now
	}
	if a.failed != a.reason { // log what changed, not each of a day's tries
		r.log.Warn("delivery failed", "reason", string(a.reason), "status", a.status, "sequence", a.Seq)
	}
	a.failed = a.reason
	r.dirty = true
	a.due = now.Add(min(max(a.tries.NextBackOff(), a.wait), r.options.Retry.MaxInterval))
	return now.Sub(a.since) < r.options.GiveUp
}

// hurry lets drains that found nobody there try at once, for the receiver is
// back. Each event is hurried once: where only its own delivery hangs, its
// pauses go on growing.
func (r *runner) hurry(now time.Time) {
	for _, e := range r.pending {
		if e.failed != "" && !e.failed.answered() && !e.hurried && e.due.After(now) {
			e.due, e.hurried = now, true
		}
	}
}

func (r *runner) progress() progress {
	p := progress{Run: r.sub.owner.Run, Low: r.low, Done: sorted(r.done)}
	var first time.Time
	for _, e := range r.pending {
		if !e.since.IsZero() && (first.IsZero() || e.since.Before(first)) {
			first, p.Failing = e.since, e.Seq
		}
	}
	if p.Failing != 0 {
		p.For = time.Since(first)
	}
	return p
}

// save keeps the progress when it is time to.
func (r *runner) save(ctx context.Context, force bool) error {
	since := time.Since(r.saved)
	if !r.dirty && !r.moved || !force && (time.Now().Before(r.again) || since < saveEvery || !r.dirty && since < saveIdle) {
		return nil
	}
	if err := r.ledger.save(ctx, r.progress()); err != nil {
		if ctx.Err() == nil {
			r.log.Warn("progress not kept", "err", err)
		}
		return err
	}
	r.dirty, r.moved, r.saved = false, false, time.Now()
	return nil
}

// tell reports the lag about once a second.
func (r *runner) tell() {
	now := time.Now()
	if now.Sub(r.lagged) < time.Second && len(r.pending) > 0 {
		return
	}
	r.lagged = now
	var behind time.Duration
	if len(r.pending) > 0 {
		behind = r.options.Now().Sub(r.pending[0].At)
	}
	r.observe.Lag(r.sub.id, behind, len(r.pending))
}

// nextWake is when to look again though nothing happened; next is when a
// failed delivery is due.
func (r *runner) nextWake(next time.Time) time.Time {
	at := time.Now().Add(saveIdle)
	if !next.IsZero() && next.Before(at) {
		at = next
	}
	if r.dirty && r.saved.Add(saveEvery).Before(at) {
		at = r.saved.Add(saveEvery)
	}
	if r.again.After(time.Now()) {
		at = r.again
	}
	if tell := r.lagged.Add(time.Second); len(r.pending) > 0 && tell.Before(at) {
		at = tell
	}
	return at
}

// drain waits a moment for the requests on the way, unless the lease is lost,
// and keeps what came of them.
func (r *runner) drain(ctx context.Context, abort func(), keep bool) {
	if errors.Is(context.Cause(ctx), ErrLost) {
		abort()
	}
	grace := time.AfterFunc(r.options.grace(), abort)
	defer grace.Stop()
	for r.sending > 0 {
		_ = r.settled(<-r.answers) // the next run asks again
	}
	r.observe.Ended(r.sub.id)
	if !keep {
		return
	}
	r.advance()
	late, cancel := context.WithTimeout(context.WithoutCancel(ctx), r.options.grace())
	defer cancel()
	_ = r.save(late, true) // what is not kept is delivered again
}

// farewell is Subscription.error. It names neither the endpoint nor a header.
func (r *runner) farewell(a answer) string {
	status := ""
	if a.status != 0 {
		status = fmt.Sprintf(" (HTTP %d)", a.status)
	}
	return fmt.Sprintf("Delivery failed for %s: %s%s. Correct the receiver and set the status to requested; delivery resumes where it stopped.",
		strings.TrimSuffix(r.options.GiveUp.String(), "0m0s"), a.reason.words(), status)
}

// Store is what the engine needs of store.Store.
type Store interface {
	States
	Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
	LastSeq(ctx context.Context) (int64, error)
	Read(ctx context.Context, key store.Key) (store.Version, error)
	ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	Search(ctx context.Context, q search.Query) (store.Page, error)
	States(ctx context.Context, prefix string) ([]string, error)
}
