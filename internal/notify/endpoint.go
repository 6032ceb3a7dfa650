package notify

import (
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
)

// endpoint is a receiver's URL, shared by all subscriptions that lead there. It
// is shut while nobody answers: then one request at a time asks whether somebody
// is back, with growing pauses, and the first answer lets everything through.
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

// state says whether requests may go; if not, when one may ask, which is zero
// while one is on its way. The channel is closed when that changes.
func (e *endpoint) state() (open bool, ask time.Time, changed <-chan struct{}) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.shut && !e.asking {
		ask = e.until
	}
	return !e.shut, ask, e.changed
}

// ask takes the one request that may go while the endpoint is shut.
func (e *endpoint) ask(now time.Time) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if !e.shut || e.asking || now.Before(e.until) {
		return false
	}
	e.asking = true
	return true
}

// unasked says that the one request came to nothing, not even a failure.
func (e *endpoint) unasked() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.asking {
		e.asking = false
		e.tell()
	}
}

// there says that somebody answered; true when nobody had before.
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

// away says that nobody answered, or that the receiver asks for a pause. Only the
// request that asked makes the next pause longer: the others left before it was shut.
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
