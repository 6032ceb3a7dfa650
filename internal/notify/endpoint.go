package notify

import (
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
)

// endpoint is a receiver's URL, shared by all subscriptions with it. It is shut while
// nobody answers: then one request at a time probes it, with growing pauses, and the
// first answer opens it for all.
type endpoint struct {
	mu      sync.Mutex
	first   backoff.ExponentialBackOff
	pauses  backoff.ExponentialBackOff
	shut    bool
	until   time.Time // when to ask again
	asking  bool
	changed chan struct{} // closed when any of this changes
}

func newEndpoint(pauses backoff.ExponentialBackOff) *endpoint {
	return &endpoint{first: pauses, pauses: pauses, changed: make(chan struct{})}
}

// state reports whether requests may go; if not, when the next probe may, which is zero
// while one is under way. The channel is closed when that changes.
func (e *endpoint) state() (open bool, ask time.Time, changed <-chan struct{}) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.shut && !e.asking {
		ask = e.until
	}
	return !e.shut, ask, e.changed
}

// ask takes the one probe that may go while the endpoint is shut.
func (e *endpoint) ask(now time.Time) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if !e.shut || e.asking || now.Before(e.until) {
		return false
	}
	e.asking = true
	return true
}

// unasked reports that the probe ended without a result, not even a failure.
func (e *endpoint) unasked() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.asking {
		e.asking = false
		e.tell()
	}
}

// there reports that somebody answered; it returns true if nobody did before.
func (e *endpoint) there() bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if !e.shut {
		return false
	}
	e.shut, e.asking, e.pauses = false, false, e.first
	e.tell()
	return true
}

// away reports that nobody answered, or that the receiver asks for a pause. Only the
// probe makes the next pause longer: the other requests left before it was shut.
func (e *endpoint) away(now time.Time, asked bool, wait time.Duration) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.shut && !asked {
		return
	}
	e.shut, e.asking = true, false
	e.until = now.Add(min(max(e.pauses.NextBackOff(), wait), e.first.MaxInterval))
	e.tell()
}

func (e *endpoint) tell() {
	close(e.changed)
	e.changed = make(chan struct{})
}

// endpoints are those of one term.
type endpoints struct {
	mu     sync.Mutex
	pauses backoff.ExponentialBackOff
	of     map[string]*endpoint
}

func (s *endpoints) get(url string) *endpoint {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.of[url] == nil {
		s.of[url] = newEndpoint(s.pauses)
	}
	return s.of[url]
}
