package notify

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/cenkalti/backoff/v5"

	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

// What a notification is beside an event (backport, SubscriptionStatus.type).
const (
	handshake = "handshake"
	heartbeat = "heartbeat"
	onEvent   = "event-notification"
)

// handshakeSeq stands for the handshake in progress.Failing.
const handshakeSeq = -1

// errFull says that there is no room for the next change.
var errFull = errors.New("the window is full")

// topical is what a runner has more when its Subscription names a topic.
type topical struct {
	events *eventLog

	shaken     bool // the handshake was accepted
	shaking    bool // a handshake or heartbeat is on its way
	shakeDue   time.Time
	shakeSince time.Time // of the first failure
	shakeText  string
	shakeTries backoff.ExponentialBackOff
	beat       time.Time // when the next heartbeat is due
}

// with gives a runner its events; nil without a topic.
func (r *runner) with(events *eventLog, p progress) *runner {
	if events == nil {
		return r
	}
	r.events, r.shakeTries = events, r.options.Retry
	r.shaken = p.Shaken || r.status == "active"
	if p.Failing == handshakeSeq {
		r.shakeSince = time.Now().Add(-p.For)
		if !r.shaken && r.status == "error" {
			r.shakeText = r.sub.text
		}
	}
	r.beat = time.Now().Add(r.sub.heartbeat)
	return r
}

func (r *runner) total() int64 {
	if r.events == nil {
		return 0
	}
	return r.events.total
}

// ready reports whether events may go: not before the handshake was accepted and
// the Subscription says active.
func (r *runner) ready() bool {
	return r.sub.topic == nil || r.shaken && r.status != "requested"
}

func earlier(a, b time.Time) time.Time {
	if b.IsZero() || !a.IsZero() && a.Before(b) {
		return a
	}
	return b
}

// control sends the handshake, or a heartbeat, when it is due; it says when the
// next is.
func (r *runner) control(ctx context.Context, now time.Time) (next time.Time) {
	if r.sub.topic == nil || r.shaking {
		return time.Time{}
	}
	kind := handshake
	switch {
	case !r.shaken && now.Before(r.shakeDue):
		return r.shakeDue
	case !r.shaken:
	case r.sub.heartbeat == 0 || !r.ready():
		return time.Time{}
	case now.Before(r.beat):
		return r.beat
	default:
		kind = heartbeat
		r.beat = now.Add(r.sub.heartbeat)
		if open, _, _ := r.endpoint.state(); !open {
			return r.beat // an event asks whether somebody is back
		}
	}
	r.shaking = true
	r.sending++
	status, total := r.status, r.total()
	go func() {
		a := answer{control: kind, outcome: outcome{reason: Defect}}
		err := fault.Contain("send a "+kind, func() error {
			t := r.teller()
			at := r.options.Now()
			n, err := t.bundle(r.sub.id, t.status(r.sub.id, r.shown(), status, kind, total, r.sub.content, "", nil), at, r.sub.content, nil)
			if err == nil {
				a.outcome = r.sender.send(ctx, r.sub, delivery{notice: n.Bytes()})
			}
			return err
		})
		if err != nil {
			r.log.Error("a defect occurred while a "+kind+" was sent", "cause", fault.Of(err).Cause)
		}
		r.answers <- a
	}()
	return time.Time{}
}

func (r *runner) teller() teller { return teller{r.store, r.options.Extract, r.sender.base} }

func (r *runner) shown() string { return shownTopic(r.sub.topic.url(), r.sub.content) }

// controlled takes in what became of a handshake or heartbeat; false when the
// receiver has to be given up.
func (r *runner) controlled(a answer, now time.Time) bool {
	r.shaking = false
	switch {
	case a.reason == Stopped:
		return true
	case a.control == heartbeat && a.reason == Delivered:
		r.taken = now
		return true
	case a.control == heartbeat:
		// That it does not come is what it tells. The next one is the next try.
		r.observe.Failed(r.sub.id, a.reason)
		r.log.Warn("heartbeat failed", "reason", string(a.reason), "status", a.outcome.status)
		return true
	case a.reason == Delivered:
		r.shaken, r.dirty, r.taken = true, true, now
		r.shakeSince, r.shakeText, r.failed = time.Time{}, "", ""
		r.beat = now.Add(r.sub.heartbeat)
		r.written = time.Time{} // active at once
		r.endpoint.there()
		return true
	}
	r.observe.Failed(r.sub.id, a.reason)
	if r.shakeSince.IsZero() {
		r.shakeSince = now
	}
	r.dirty = true
	r.shakeDue = now.Add(min(max(r.shakeTries.NextBackOff(), a.wait), r.options.Retry.MaxInterval))
	r.shakeText = fmt.Sprintf("The handshake has not been accepted since %s: %s%s. It is tried again, with pauses of up to %s, and given up after %s; events wait.",
		fhirdate.Format(r.options.Now().Add(-now.Sub(r.shakeSince)).Truncate(time.Second)), a.reason.words(), httpStatus(a.outcome.status), words(r.options.Retry.MaxInterval), words(r.options.GiveUp))
	r.log.Warn("handshake failed", "reason", string(a.reason), "status", a.outcome.status)
	return now.Sub(r.shakeSince) < r.options.GiveUp
}

// takeAll takes changes of a topic as far as there is room: those that match get
// their numbers in the log before they wait. errFull says that some are left.
func (r *runner) takeAll(ctx context.Context, changes []*change) error {
	type hit struct {
		*change
		doc    search.Doc
		broken error // a defect
	}
	var hits []hit
	var fresh []int64
	upto, bytes, left := r.scanned, r.bytes, error(nil)
	for _, c := range changes {
		if len(r.pending)+len(r.done)+len(hits) >= window || bytes >= windowBytes {
			left = errFull
			break
		}
		h, logged := hit{change: c}, c.Seq <= r.events.last
		switch {
		case r.done[c.Seq]:
		case logged:
			if _, ok := r.events.number(c.Seq); !ok {
				break
			}
			_, doc, err := r.feed.read(ctx, c)
			if err != nil {
				return err
			}
			h.doc = doc
			hits = append(hits, h)
			bytes += len(c.Body.JSON)
		default:
			var ok bool
			err := fault.Contain("evaluate a change", func() (err error) {
				if h.doc, ok, err = r.matches(ctx, c); err != nil || !ok {
					return err
				}
				ok, err = r.readable(ctx, c)
				return err
			})
			if errors.Is(err, fault.ErrPanic) {
				h.broken, ok, err = err, true, nil
			}
			if err != nil {
				return err
			}
			if ok {
				hits, fresh = append(hits, h), append(fresh, c.Seq)
				bytes += len(c.Body.JSON)
			}
		}
		upto = c.Seq
	}
	if err := r.events.append(ctx, fresh); err != nil {
		return err
	}
	for _, h := range hits {
		number, ok := r.events.number(h.Seq)
		if !ok {
			return fault.New(fault.Internal, "exception", "A change was logged without a number.")
		}
		if h.Seq <= r.looked {
			r.ahead = max(0, r.ahead-1)
		}
		r.count = number
		if h.broken != nil {
			r.log.Error("a defect occurred while a change was evaluated", "sequence", h.Seq, "cause", fault.Of(h.broken).Cause)
			r.aside(h.change, Defect, 0)
			continue
		}
		e := &event{change: h.change, keys: keysOf(h.change, h.doc), tries: r.options.Retry, number: number}
		if h.Seq == r.failing.Failing {
			e.since = time.Now().Add(-r.failing.For)
		}
		r.pending = append(r.pending, e)
		r.bytes += len(h.Body.JSON)
	}
	if r.scanned = upto; r.scanned >= r.looked {
		r.ahead = 0
	}
	return left
}

// readable reports whether the owner may read a change when it is numbered. One that
// he may not read gets no number, so that there is no gap where it was.
func (r *runner) readable(ctx context.Context, c *change) (bool, error) {
	n, _, err := r.feed.read(ctx, c)
	return err == nil && n != nil && r.may(r.sub.owner, n), err
}

// notify sends an event. One that the owner may not read any more goes with its
// number alone.
func (r *runner) notify(ctx context.Context, e *event, status string) (outcome, error) {
	t := r.teller()
	one, err := t.event(ctx, e.Version, e.number, r.sub.content, func(n *fhirjson.Node) bool { return r.may(r.sub.owner, n) })
	if err != nil {
		return outcome{}, err
	}
	events := []told{one}
	n, err := t.bundle(r.sub.id, t.status(r.sub.id, r.shown(), status, onEvent, e.total, r.sub.content, "", events), e.At, r.sub.content, events)
	if err != nil {
		return outcome{}, err
	}
	return r.sender.send(ctx, r.sub, delivery{Version: e.Version, number: e.number, notice: n.Bytes()}), nil
}
