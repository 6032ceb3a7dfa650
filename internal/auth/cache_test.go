package auth

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func numbered(n int) digest { return sha256.Sum256(fmt.Append(nil, n)) }

// The cache never holds more than its size, never gives what is over, and never
// forgets what was asked for within the last half of its size.
func TestCache(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.IntRange(2, 12).Draw(t, "size")
		c := newCache(size)
		now := start
		put := map[int]time.Time{} // until when
		var recent []int
		for range rapid.IntRange(1, 80).Draw(t, "steps") {
			n := rapid.IntRange(0, 20).Draw(t, "n")
			switch rapid.IntRange(0, 4).Draw(t, "step") {
			case 0:
				now = now.Add(7 * time.Second)
			case 1, 2:
				life := time.Duration(rapid.IntRange(-5, 100).Draw(t, "life")) * time.Second
				if old, ok := put[n]; ok && now.Before(old) {
					break // the verifier puts only what it did not find
				}
				c.put(numbered(n), &Principal{Subject: fmt.Sprint(n), Expires: now.Add(life)}, now)
				if life > 0 {
					put[n] = now.Add(min(life, remembered))
					recent = append(recent, n)
				}
			default:
				p, ok := c.get(numbered(n), now)
				if ok && (p.Subject != fmt.Sprint(n) || !now.Before(put[n])) {
					t.Fatalf("gave %v for %d, good until %s, now %s", p, n, put[n], now)
				}
				last := recent[max(0, len(recent)-size/2):]
				if !ok && now.Before(put[n]) && slices.Contains(last, n) {
					t.Fatalf("forgot %d, one of the last %v", n, last)
				}
				if ok {
					recent = append(recent, n)
				}
			}
			if got := len(c.young) + len(c.old); got > size {
				t.Fatalf("holds %d, size %d", got, size)
			}
		}
	})
}

func TestCacheBoundUnderLoad(t *testing.T) {
	c := newCache(100)
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for n := range 500 {
				c.put(numbered(g*500+n), &Principal{Expires: start.Add(time.Hour)}, start)
				c.get(numbered(n), start)
			}
		})
	}
	wg.Wait()
	if got := len(c.young) + len(c.old); got > 100 {
		t.Errorf("holds %d", got)
	}
}
