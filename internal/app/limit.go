package app

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// limiter allows each client so many requests a second, with bursts of twice
// as many. It forgets clients that have been quiet, so that its memory is
// bounded by those that are not.
func limiter(perSecond float64) func(string) (bool, time.Duration) {
	if perSecond <= 0 {
		return nil
	}
	type client struct {
		l    *rate.Limiter
		last time.Time
	}
	var (
		mu      sync.Mutex
		clients = map[string]*client{}
		swept   = time.Now()
	)
	return func(name string) (bool, time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		now := time.Now()
		if now.Sub(swept) > time.Minute {
			for n, c := range clients {
				if now.Sub(c.last) > time.Minute {
					delete(clients, n)
				}
			}
			swept = now
		}
		c := clients[name]
		if c == nil {
			c = &client{l: rate.NewLimiter(rate.Limit(perSecond), int(2*perSecond)+1)}
			clients[name] = c
		}
		c.last = now
		r := c.l.ReserveN(now, 1)
		if wait := r.DelayFrom(now); wait > 0 {
			r.CancelAt(now)
			return false, wait
		}
		return true, 0
	}
}
