package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/cenkalti/backoff/v5"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
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

// event is one delivery to be made.
type event struct {
	*change
	keys    []string // what it keeps its order by
	tries   backoff.ExponentialBackOff
	due     time.Time // not before
	since   time.Time // of the first failure
	failed  Reason    // of the last attempt
	status  int       // and the HTTP status of its answer
	tried   time.Time // when it began
	sending bool
	asking  bool      // it is the one request to an endpoint that is shut
	hurried time.Time // when another's success last brought it forward
	number  int64     // of the deliveries of this run of the subscription
	total   int64     // of a topic's events, when the attempt began
	told    string    // status of the Subscription then
}

// answer is an event with the result of its attempt.
type answer struct {
	*event
	outcome
	withheld bool
	err      error  // of the store
	control  string // handshake or heartbeat; event is nil then
}

// runner serves one subscription. It is one goroutine and at most inFlight
// short-lived ones for the requests; nothing in it is shared.
type runner struct {
	*served
	sub      *subscription
	endpoint *endpoint
	ledger   *ledger
	log      *slog.Logger
	version  atomic.Int64 // of the Subscription; only ours differ while the runner lives

	scanned int64 // the feed is read up to here
	low     int64
	count   int64          // of the deliveries up to scanned
	done    map[int64]bool // delivered, above low
	pending []*event       // by Seq
	ahead   int            // deliveries behind scanned, up to looked: counted only
	looked  int64
	bytes   int // of pending
	sending int
	answers chan answer
	failing progress // of the run before: Failing and For only

	dirty  bool // something was delivered since the last save
	moved  bool // low has grown since
	saved  time.Time
	again  time.Time // when the store may be asked again
	taken  time.Time // when the receiver last accepted something
	lagged time.Time // when the observer was last told

	topical // with a topic

	status, text string    // of the Subscription, as far as this runner knows
	failed       string    // the part of text that tells of a failure
	asides       string    // the part of text that stays
	written      time.Time // when they were last written
}

// served is what the runners of a term share.
type served struct {
	feed      *feed
	sender    *sender
	endpoints *endpoints
	store     Store
	may       func(Owner, *fhirjson.Node) bool
	observe   Observer
	options   Options
	// settle sets the status that ends a run, and returns when that is done.
	settle func(ctx context.Context, id string, version int64, status, text string)
	// note sets the status of a run that goes on.
	note func(ctx context.Context, id string, version int64, status, text string) error
}

func newRunner(s *served, sub *subscription, l *ledger, p progress, log *slog.Logger) *runner {
	r := &runner{
		served: s, sub: sub, ledger: l, endpoint: s.endpoints.get(sub.endpoint.String()), count: p.Count, status: sub.status, text: sub.text, log: log.With("subscription", sub.id),
		scanned: p.Low, low: p.Low, done: map[int64]bool{}, answers: make(chan answer, inFlight), failing: p, saved: time.Now(),
	}
	for _, seq := range p.Done {
		r.done[seq] = true
	}
	r.failed = sub.text
	if i := strings.Index(sub.text, asideWord); i >= 0 {
		r.failed, r.asides = strings.TrimSpace(sub.text[:i]), sub.text[i:]
	}
	r.version.Store(sub.version)
	return r
}

// run serves until ctx ends, the subscription ends or the receiver is given up.
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
		behind := r.fill(ctx) || r.look(ctx)
		r.advance()
		_, _, changed := r.endpoint.state()
		next := r.control(requests, time.Now())
		if r.ready() {
			if at := r.launch(requests, time.Now()); next.IsZero() || !at.IsZero() && at.Before(next) {
				next = at
			}
		}
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
		r.say(ctx)
		if behind {
			next = time.Now()
		}
		wake.Reset(time.Until(r.nextWake(next)))
		if time.Now().Before(r.again) {
			more = nil
		}
		select {
		case <-ctx.Done():
			r.drain(ctx, abort, true)
			return
		case <-end:
			r.drain(ctx, abort, true)
			r.settle(ctx, r.sub.id, r.version.Load(), "off", "")
			return
		case a := <-r.answers:
			if r.settled(a) {
				continue
			}
			abort()
			r.drain(ctx, abort, true)
			r.observe.GivenUp(r.sub.id)
			r.settle(ctx, r.sub.id, r.version.Load(), "off", r.farewell(a))
			return
		case <-changed:
			if open, _, _ := r.endpoint.state(); open {
				r.hurry(time.Now()) // another subscription found the receiver back
			}
		case <-more:
		case <-wake.C:
		}
	}
}

func (r *runner) room() bool {
	return len(r.pending)+len(r.done) < window && r.bytes < windowBytes
}

// fill reads part of the feed, as far as there is room; true if there may be more.
func (r *runner) fill(ctx context.Context) bool {
	for range 4 {
		if !r.room() || time.Now().Before(r.again) || ctx.Err() != nil {
			return false
		}
		changes, err := r.feed.after(ctx, r.scanned)
		if err == nil && len(changes) == 0 {
			return false
		}
		if err == nil && r.sub.topic != nil {
			switch err = r.takeAll(ctx, changes); {
			case errors.Is(err, errRetry):
				continue
			case errors.Is(err, errFull):
				return false
			}
			changes = nil
		}
		for _, c := range changes {
			if !r.room() {
				return false
			}
			err = fault.Contain("evaluate a change", func() error { return r.take(ctx, c) })
			if errors.Is(err, fault.ErrPanic) {
				r.log.Error("a defect occurred while a change was evaluated", "sequence", c.Seq, "cause", fault.Of(err).Cause)
				r.count++
				r.aside(c, Defect, 0)
				err = nil
			}
			if err != nil {
				break
			}
			if r.scanned = c.Seq; r.scanned >= r.looked {
				r.ahead = 0
			}
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
	if r.done[c.Seq] {
		r.count++
		return nil
	}
	doc, ok, err := r.matches(ctx, c)
	if err != nil || !ok {
		return err
	}
	if c.Seq <= r.looked {
		r.ahead = max(0, r.ahead-1)
	}
	r.count++
	e := &event{change: c, keys: keysOf(c, doc), tries: r.options.Retry, number: r.count}
	if c.Seq == r.failing.Failing {
		e.since = time.Now().Add(-r.failing.For)
	}
	r.pending = append(r.pending, e)
	r.bytes += len(c.Body.JSON)
	return nil
}

// matches evaluates a change by the criteria.
func (r *runner) matches(ctx context.Context, c *change) (search.Doc, bool, error) {
	if c.Type != r.sub.query.Type {
		return search.Doc{}, false, nil
	}
	n, doc, err := r.feed.read(ctx, c)
	if err != nil || n == nil || !r.sub.query.Match(doc) {
		return doc, false, err
	}
	if r.sub.topic != nil {
		if ok, err := r.sub.topic.triggers(ctx, r.store, c.Version, n, doc); err != nil || !ok {
			return doc, false, err
		}
	} else if c.Type == "DetectedIssue" && c.Number > 1 {
		if tells, err := r.announces(ctx, c, n); err != nil || !tells {
			return doc, false, err
		}
	}
	ok, err := r.within(ctx, c, doc)
	return doc, ok, err
}

// within reports whether a drain of the change is now at the places that the
// criteria name.
func (r *runner) within(ctx context.Context, c *change, doc search.Doc) (bool, error) {
	if len(r.sub.places) == 0 {
		return true, nil
	}
	for _, id := range drainsOf(c.Key, doc) {
		chain, err := r.options.Where(ctx, id)
		if err != nil {
			return false, err
		}
		if !slices.ContainsFunc(r.sub.places, func(any []string) bool {
			return !slices.ContainsFunc(any, func(place string) bool { return slices.Contains(chain, place) })
		}) {
			return true, nil
		}
	}
	return false, nil
}

// look counts what waits beyond the window, a stretch of the feed at a time, and
// keeps nothing of it; true when there may be more.
func (r *runner) look(ctx context.Context) bool {
	if r.room() || time.Now().Before(r.again) || ctx.Err() != nil {
		return false
	}
	if r.looked < r.scanned {
		r.looked, r.ahead = r.scanned, 0
	}
	changes, err := r.feed.after(ctx, r.looked)
	for _, c := range changes {
		if err != nil {
			break
		}
		if !r.done[c.Seq] {
			var ok bool
			err = fault.Contain("count a change", func() (err error) { _, ok, err = r.matches(ctx, c); return err })
			if errors.Is(err, fault.ErrPanic) {
				err = nil // told when it is taken
			}
			if ok && err == nil {
				r.ahead++
			}
		}
		if err == nil {
			r.looked = c.Seq
		}
	}
	if err != nil {
		r.again = time.Now().Add(storePause)
		return false
	}
	return len(changes) > 0
}

// announces reports whether a version of a concern is announced. New evidence and a
// milder severity can be read, but call nobody.
func (r *runner) announces(ctx context.Context, c *change, n *fhirjson.Node) (bool, error) {
	v, err := r.store.ReadVersion(ctx, c.Key, c.Number-1)
	if err != nil {
		return fault.Is(err, fault.NotFound), ignore(err, fault.NotFound)
	}
	if v.Deleted() {
		return true, nil
	}
	before, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return false, fault.Wrap(err, "read "+c.Key.String())
	}
	return fhirmap.Announces(before, n), nil
}

func ignore(err error, kind fault.Kind) error {
	if fault.Is(err, kind) {
		return nil
	}
	return err
}

// keysOf are the drain, or drains, and the resource.
func keysOf(c *change, doc search.Doc) []string {
	keys := []string{c.Key.String()}
	for _, id := range drainsOf(c.Key, doc) {
		if ref := "Device/" + id; !slices.Contains(keys, ref) {
			keys = append(keys, ref)
		}
	}
	return keys
}

// drainsOf are the ids of the drains that a resource is about.
func drainsOf(key store.Key, doc search.Doc) []string {
	if key.Type == "Device" {
		return []string{key.ID}
	}
	var ids []string
	for _, param := range []string{"device", "implicated"} {
		for _, ref := range doc.Refs(param) {
			if id, ok := strings.CutPrefix(ref, "Device/"); ok && !slices.Contains(ids, id) {
				ids = append(ids, id)
			}
		}
	}
	return ids
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

// launch starts what may go: the first event of each drain, unless it has to wait for
// its next attempt. It returns when the next of those is due. While the endpoint is
// shut, one event is the probe: the one not tried for longest, so that an event which
// alone gets no answer is not tried again and again.
func (r *runner) launch(ctx context.Context, now time.Time) (next time.Time) {
	open, ask, _ := r.endpoint.state()
	if !open && (ask.IsZero() || now.Before(ask)) {
		return ask
	}
	held := map[string]bool{}
	var oldest *event
	for _, e := range r.pending {
		if r.sending >= inFlight {
			break
		}
		free := !slices.ContainsFunc(e.keys, func(k string) bool { return held[k] })
		for _, k := range e.keys {
			held[k] = true
		}
		switch {
		case !free || e.sending:
		case !open:
			if oldest == nil || e.tried.Before(oldest.tried) {
				oldest = e
			}
		case now.Before(e.due):
			if next.IsZero() || e.due.Before(next) {
				next = e.due
			}
		default:
			r.start(ctx, e, now)
		}
	}
	if oldest != nil && r.endpoint.ask(now) {
		oldest.asking = true
		r.start(ctx, oldest, now)
	}
	return next
}

// start sends an event in a goroutine of its own.
func (r *runner) start(ctx context.Context, e *event, now time.Time) {
	e.sending, e.tried, e.total, e.told = true, now, r.total(), r.status
	r.sending++
	go func() {
		var a answer
		err := fault.Contain("deliver a change", func() error { a = r.attempt(ctx, e); return nil })
		if err != nil {
			r.log.Error("a defect occurred while a change was delivered", "sequence", e.Seq, "cause", fault.Of(err).Cause)
			a = answer{event: e, outcome: outcome{reason: Defect}}
		}
		r.answers <- a
	}()
}

// attempt tests the owner's rights and sends.
func (r *runner) attempt(ctx context.Context, e *event) answer {
	a := answer{event: e}
	if r.sub.topic != nil {
		a.outcome, a.err = r.notify(ctx, e, e.told)
		return a
	}
	n, doc, err := r.feed.read(ctx, e.change)
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
	if a.withheld = err == nil && now.Erased; a.withheld {
		return a // what waits here is all that is left of it
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
	var beside []store.Version
	if r.sub.payload == withContext && !e.Deleted() {
		if beside, a.err = r.beside(ctx, e.Key, doc); a.err != nil {
			return a
		}
	}
	a.outcome = r.sender.send(ctx, r.sub, delivery{Version: e.Version, number: e.number, beside: beside})
	return a
}

// beside are the patient, the drain, and the bed and ward where it is now, as far as
// the owner may read them: what the person who is called needs.
func (r *runner) beside(ctx context.Context, key store.Key, doc search.Doc) ([]store.Version, error) {
	var keys []store.Key
	for _, param := range []string{"patient", "subject"} {
		for _, ref := range doc.Refs(param) {
			if id, ok := strings.CutPrefix(ref, "Patient/"); ok {
				keys = append(keys, store.Key{Type: "Patient", ID: id})
			}
		}
	}
	for _, id := range drainsOf(key, doc) {
		keys = append(keys, store.Key{Type: "Device", ID: id})
		chain, err := r.options.Where(ctx, id)
		if err != nil {
			return nil, err
		}
		for _, place := range chain {
			keys = append(keys, store.Key{Type: "Location", ID: place})
		}
	}
	var out []store.Version
	for i, k := range keys {
		if k == key || slices.Contains(keys[:i], k) {
			continue
		}
		v, err := r.store.Read(ctx, k)
		if fault.Is(err, fault.NotFound) || err == nil && v.Deleted() {
			continue
		}
		if err != nil {
			return nil, err
		}
		n, err := fhirjson.Parse(v.Body.JSON)
		if err != nil {
			return nil, fault.Wrap(err, "read "+k.String())
		}
		if r.may(r.sub.owner, n) {
			out = append(out, v)
		}
	}
	return out, nil
}

// settled handles an answer; false if the receiver has to be given up.
func (r *runner) settled(a answer) bool {
	now := time.Now()
	r.sending--
	if a.control != "" {
		return r.controlled(a, now)
	}
	a.sending = false
	asked := a.asking
	if a.asking = false; asked {
		defer r.endpoint.unasked()
	}
	switch {
	case a.err != nil:
		a.due = now.Add(storePause)
		return true
	case a.reason == Stopped:
		return true
	case a.reason == Delivered:
		r.finished(a.event)
		if a.withheld {
			return true
		}
		r.taken = now
		r.observe.Delivered(r.sub.id, r.options.Now().Sub(a.At))
		r.endpoint.there()
		r.hurry(now)
		return true
	}
	r.observe.Failed(r.sub.id, a.reason)
	if a.since.IsZero() {
		a.since = now
	}
	if a.failed != a.reason { // log what changed, not each of a day's tries
		r.log.Warn("delivery failed", "reason", string(a.reason), "status", a.outcome.status, "sequence", a.Seq)
	}
	a.failed, a.event.status = a.reason, a.outcome.status
	r.dirty = true
	expired := now.Sub(a.since) >= r.options.GiveUp
	if a.reason == Defect || (expired || !r.room() && a.final()) && a.reason.answered() && r.taken.After(a.since) {
		r.finished(a.event)
		r.aside(a.change, a.reason, a.outcome.status)
		return true
	}
	a.due = now.Add(min(max(a.tries.NextBackOff(), a.wait), r.options.Retry.MaxInterval))
	if a.away() {
		r.endpoint.away(now, asked, a.wait)
	} else if r.endpoint.there() {
		r.hurry(now)
	}
	first, _ := r.oldestFailure()
	return now.Sub(first.since) < r.options.GiveUp
}

// oldestFailure is the event that has been failing for longest.
func (r *runner) oldestFailure() (oldest *event, ok bool) {
	for _, e := range r.pending {
		if !e.since.IsZero() && (oldest == nil || e.since.Before(oldest.since)) {
			oldest = e
		}
	}
	return oldest, oldest != nil
}

// finished removes an event from those waiting.
func (r *runner) finished(e *event) {
	i, _ := slices.BinarySearchFunc(r.pending, e.Seq, func(e *event, s int64) int { return int(e.Seq - s) })
	r.pending = slices.Delete(r.pending, i, i+1)
	r.bytes -= len(e.Body.JSON)
	r.done[e.Seq] = true
	r.dirty = true
}

// aside gives up one change, so that it does not hold up all others: one that the
// receiver keeps refusing while it accepts others, once the window behind it is full or
// it has failed for GiveUp, or one on which the service itself fails.
func (r *runner) aside(c *change, why Reason, status int) {
	r.done[c.Seq] = true
	r.dirty = true
	r.log.Error("a delivery is set aside and not tried again: the receiver does not have it", "reason", string(why), "type", c.Type, "sequence", c.Seq)
	r.observe.SetAside(r.sub.id, why)
	r.asides = fmt.Sprintf("%s the receiver does not have %s version %d (Tidemark-Sequence %d): %s%s. Read it from the service, and inform the staff concerned.",
		asideWord, c.Key, c.Number, c.Seq, why.words(), httpStatus(status))
}

// asideWord begins the part of Subscription.error that tells of a delivery that
// was set aside. It stays until the subscription is requested anew.
const asideWord = "Set aside and not tried again:"

// hurry makes failed events due at once, since the receiver is back. An event is
// brought forward at most ten times within the longest pause, so that one whose own
// delivery hangs is not tried after each success of another.
func (r *runner) hurry(now time.Time) {
	for _, e := range r.pending {
		if e.failed != "" && e.due.After(now) && now.Sub(e.hurried) >= r.options.Retry.MaxInterval/10 {
			e.due, e.hurried = now, now
		}
	}
}

func (r *runner) progress() progress {
	p := progress{Run: r.sub.owner.Run, Low: r.low, Done: sorted(r.done), Count: r.count - int64(len(r.done))}
	if len(r.pending) > 0 {
		p.Count = r.pending[0].number - 1
	}
	if e, ok := r.oldestFailure(); ok {
		p.Failing, p.For = e.Seq, time.Since(e.since)
	}
	p.Shaken = r.shaken
	if r.sub.topic != nil && !r.shaken && !r.shakeSince.IsZero() {
		p.Failing, p.For = handshakeSeq, time.Since(r.shakeSince)
	}
	return p
}

// say keeps Subscription.status and error in line with what happens: error while
// deliveries fail and are tried again, active otherwise. A short failure is not
// told, and a change of words alone waits: each is a version.
func (r *runner) say(ctx context.Context) {
	now := time.Now()
	status, text := "active", ""
	e, failing := r.oldestFailure()
	switch {
	case r.sub.topic != nil && !r.shaken:
		if r.shakeText == "" {
			return
		}
		r.failed = r.shakeText
		status, text = "error", r.failed
	case failing && now.Sub(e.since) >= r.options.Tell:
		if !e.tried.IsZero() { // else not tried by this process yet
			r.failed = fmt.Sprintf("Deliveries have failed since %s: %s%s. Waiting ones are retried in order, with pauses of up to %s, and given up after %s.",
				fhirdate.Format(r.options.Now().Add(-now.Sub(e.since)).Truncate(time.Second)), e.failed.words(), httpStatus(e.status), words(r.options.Retry.MaxInterval), words(r.options.GiveUp))
		}
		status, text = "error", r.failed
	case r.status == "error" && (failing || r.taken.IsZero() && len(r.pending) > 0):
		status, text = "error", r.failed // nothing is known yet that differs
	}
	if text == "" && status == "error" {
		return
	}
	if r.asides != "" {
		text = strings.TrimSpace(text + " " + r.asides)
	}
	if status == r.status && (text == r.text || now.Sub(r.written) < time.Minute) || now.Sub(r.written) < time.Second {
		return
	}
	r.written = now
	if err := r.note(ctx, r.sub.id, r.version.Load(), status, text); err == nil {
		r.status, r.text = status, text
	}
}

// save stores the progress when it is time to.
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
	r.observe.Lag(r.sub.id, behind, len(r.pending)+r.ahead)
}

// nextWake is when to look again even if nothing happens; next is when a failed
// delivery is due.
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
	if r.sub.topic != nil && r.shaken && r.status != "active" {
		at = earlier(at, time.Now().Add(time.Second))
	}
	if tell := r.lagged.Add(time.Second); len(r.pending) > 0 && tell.Before(at) {
		at = tell
	}
	return at
}

// drain waits a moment for the requests under way, unless the lease is lost, and
// stores their results.
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
	text := fmt.Sprintf("Delivery failed for %s: %s%s. Correct the receiver and set the status to requested; delivery resumes where it stopped.",
		words(r.options.GiveUp), a.reason.words(), httpStatus(a.outcome.status))
	return strings.TrimSpace(text + " " + r.asides)
}

func httpStatus(status int) string {
	if status == 0 {
		return ""
	}
	return fmt.Sprintf(" (HTTP %d)", status)
}

// words is a duration without zeros at its end, as in 24h or 5m.
func words(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
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
