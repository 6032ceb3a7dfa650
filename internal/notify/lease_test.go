package notify

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

func TestLease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const ttl = 8 * time.Second
		m := newMemory()
		var mu sync.Mutex
		holders, fences := 0, []int64{}
		type member struct {
			*severed
			stop  context.CancelFunc
			cause error
		}
		join := func(name string) *member {
			ctx, stop := context.WithCancel(t.Context())
			b := &member{severed: &severed{memory: m}, stop: stop}
			go NewLease(b, "lease/test", name, ttl, slog.New(slog.DiscardHandler)).Hold(ctx, func(ctx context.Context, fence int64) {
				mu.Lock()
				if holders++; holders > 1 {
					t.Error("two hold it")
				}
				fences = append(fences, fence)
				mu.Unlock()
				<-ctx.Done()
				mu.Lock()
				holders--
				b.cause = context.Cause(ctx)
				mu.Unlock()
			})
			return b
		}
		terms := func(want int) {
			t.Helper()
			mu.Lock()
			defer mu.Unlock()
			if len(fences) != want || holders != 1 {
				t.Fatalf("terms %v, held by %d, want %d terms", fences, holders, want)
			}
		}
		a := join("a")
		idle(time.Second)
		b := join("b")
		idle(10 * time.Minute)
		terms(1) // renewed all the time

		a.sever(true) // cut off: it must stop before b begins, which the work checks
		idle(15 * time.Second)
		terms(2)
		if !errors.Is(a.cause, ErrLost) {
			t.Error("a ended with", a.cause)
		}
		a.sever(false)
		idle(10 * time.Minute)
		terms(2)

		b.stop() // given back
		idle(ttl/4 + time.Second)
		terms(3)

		// A short trouble of the store costs nobody the lease.
		a.sever(true)
		idle(ttl / 3)
		a.sever(false)
		idle(time.Minute)
		terms(3)
		a.stop()
		synctest.Wait()
		for i, f := range fences {
			if f != int64(i+1) {
				t.Errorf("fences %v do not grow", fences)
			}
		}
	})
}

// stuck answers nothing while it is told to.
type stuck struct {
	States
	held atomic.Bool
}

func (s *stuck) SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error) {
	if s.held.Load() {
		<-ctx.Done()
		return 0, ctx.Err()
	}
	return s.States.SetState(ctx, name, value, rev)
}

// TestLone: where there is no other process, work goes on however long the store
// takes; the fence grows over terms.
func TestLone(t *testing.T) {
	s := &stuck{States: newMemory()}
	last := int64(0)
	for range 3 {
		ctx, cancel := context.WithCancel(context.Background())
		Lone(s, "lease/x", slog.New(slog.DiscardHandler)).Hold(ctx, func(ctx context.Context, fence int64) {
			if fence <= last {
				t.Errorf("fence %d after %d", fence, last)
			}
			last = fence
			s.held.Store(true)
			select {
			case <-ctx.Done():
				t.Error("the work was cut off")
			case <-time.After(1500 * time.Millisecond): // longer than a term of its own would be renewed
			}
			s.held.Store(false)
			cancel()
		})
	}
}
