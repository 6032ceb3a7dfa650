package auth

import (
	"crypto/sha256"
	"sync"
	"time"
)

// remembered is how long a verified token is accepted without checking its
// signature again; short, so that a withdrawn key stops working soon. Ours.
const remembered = time.Minute

// cacheSize bounds the number of remembered tokens.
const cacheSize = 10_000

type digest = [sha256.Size]byte

type entry struct {
	principal *Principal
	until     time.Time
}

// cache remembers verified tokens by digest. It keeps two generations of at
// most half its size: what is asked for moves to the young one, and when that is
// full the old one is dropped. So the tokens in use stay, and nothing is scanned.
type cache struct {
	mu         sync.Mutex
	half       int
	young, old map[digest]entry
}

func newCache(size int) *cache {
	half := max(size/2, 1)
	return &cache{half: half, young: map[digest]entry{}}
}

func (c *cache) get(d digest, now time.Time) (*Principal, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, ok := c.young[d]
	if !ok {
		if e, ok = c.old[d]; !ok {
			return nil, false
		}
		delete(c.old, d)
		c.store(d, e)
	}
	if !now.Before(e.until) {
		delete(c.young, d)
		return nil, false
	}
	return e.principal, true
}

// put remembers the principal until the token expires, at most for the time
// remembered.
func (c *cache) put(d digest, p *Principal, now time.Time) {
	until := now.Add(remembered)
	if p.Expires.Before(until) {
		until = p.Expires
	}
	if !now.Before(until) {
		return // within the skew after its expiry: verified each time
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.store(d, entry{p, until})
}

func (c *cache) store(d digest, e entry) {
	if _, ok := c.young[d]; !ok && len(c.young) >= c.half {
		c.old, c.young = c.young, make(map[digest]entry, c.half/8)
	}
	c.young[d] = e
}
