package crash

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"
)

// TestPace charts 200 drains at a steady rate, each every ten minutes of its own
// time, so that every drain's record grows by an entry at each turn. It lasts a
// few seconds, or as long as TIDEMARK_SOAK_PACE says, such as 20m, with
// TIDEMARK_SOAK_RATE requests a second (50). A request counts from the moment at
// which it was due, so that one that waits for the one before it is not taken for
// fast. Latencies are printed by thirds, not evaluated; all entries have to be there.
func TestPace(t *testing.T) {
	embeddedOnly(t)
	length, rate := 3*time.Second, 50
	if text := os.Getenv("TIDEMARK_SOAK_PACE"); text != "" {
		var err error
		if length, err = time.ParseDuration(text); err != nil {
			t.Fatalf("TIDEMARK_SOAK_PACE=%q is not a duration", text)
		}
	}
	if text := os.Getenv("TIDEMARK_SOAK_RATE"); text != "" {
		var err error
		if rate, err = strconv.Atoi(text); err != nil || rate < 1 {
			t.Fatalf("TIDEMARK_SOAK_RATE=%q is not a number of requests a second", text)
		}
	}
	const drains, fronts, step = 200, 20, 10 * time.Minute
	requests := int(length.Seconds() * float64(rate))
	each := requests/drains + 1 // entries of a drain
	dir := t.TempDir()
	c := dial(serve(t, dir).base, token(t, dir))
	w := newWard(drains, 7, time.Now())
	for _, k := range w.keepers {
		k.from = time.Now().Add(-time.Duration(each+1) * step).UTC().Truncate(time.Second)
		k.register(t, c)
	}
	took := make([]time.Duration, requests)
	var wg sync.WaitGroup
	began := time.Now()
	for front := range fronts {
		wg.Go(func() {
			c := dial(c.base, c.token)
			for i := front; i < requests; i += fronts {
				due := began.Add(time.Duration(i) * time.Second / time.Duration(rate))
				time.Sleep(time.Until(due))
				k, turn := w.keepers[i%drains], i/drains
				e := &entry{name: fmt.Sprintf("%s-%d", k.name, turn), at: k.from.Add(time.Duration(turn+1) * step)}
				a, err := c.do("POST", "/Observation", k.body(e, state{value: 1 + turn%4}))
				took[i] = time.Since(due)
				if err != nil || a.status != 201 {
					t.Errorf("%s: %d %v %s", e.name, a.status, err, a.clip())
					return
				}
			}
		})
	}
	wg.Wait()
	var p99 []time.Duration
	for third := range 3 {
		part := slices.Sorted(slices.Values(took[requests*third/3 : requests*(third+1)/3]))
		at := func(percent int) time.Duration {
			return part[(len(part)-1)*percent/100].Round(100 * time.Microsecond)
		}
		p99 = append(p99, at(99))
		t.Logf("third %d: n %d  p50 %v  p99 %v  max %v", third+1, len(part), at(50), at(99), at(100))
	}
	t.Logf("%d POSTs in %v to %d drains; p99 of the last third is %.2f times the first's", requests, time.Since(began).Round(time.Second), drains, float64(p99[2])/float64(p99[0]))
	for i, k := range w.keepers {
		want := (requests - i + drains - 1) / drains
		var b bundle
		c.must(t, 200, "GET", "/Observation?_summary=count&device=Device/"+k.drain(), nil).decode(t, &b)
		if b.Total == nil || *b.Total != want {
			t.Errorf("%s has not the %d entries that were acknowledged: %v", k.drain(), want, b.Total)
		}
	}
}
