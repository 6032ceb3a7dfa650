package storetest

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
)

// TestLinearizableCanFail gives the checker stores with one fault each.
func TestLinearizableCanFail(t *testing.T) {
	for name, c := range map[string]struct {
		with func(store.Store) store.Store
		want bool
	}{
		"none":               {func(s store.Store) store.Store { return s }, true},
		"a stale reader":     {func(s store.Store) store.Store { return &stale{Store: s} }, false},
		"a lost If-Match":    {func(s store.Store) store.Store { return careless{s} }, false},
		"a yes not kept":     {func(s store.Store) store.Store { return &forgetful{Store: s} }, false},
		"a no that was kept": {func(s store.Store) store.Store { return &denying{Store: s} }, false},
		"doubts, told so":    {func(s store.Store) store.Store { return &denying{Store: s, says: " It is in doubt."} }, true},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := sqlite.Open(context.Background(), sqlite.Options{Dir: t.TempDir(), Extract: Extract, Clock: time.Now, Logger: slog.New(slog.DiscardHandler)})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if got := porcupine.CheckOperations(register, observe(t, []store.Store{c.with(s)}, 7, nil)); got != c.want {
				t.Errorf("the checker says %v", got)
			}
		})
	}
}

// stale reads what was there before the newest version, now and then.
type stale struct{ store.Store }

func (s *stale) Read(ctx context.Context, k store.Key) (store.Version, error) {
	v, err := s.Store.Read(ctx, k)
	if err == nil && v.Number > 1 && rand.IntN(4) == 0 {
		return s.Store.ReadVersion(ctx, k, v.Number-1)
	}
	return v, err
}

// careless does not look at the version that a write expects.
type careless struct{ store.Store }

func (s careless) Commit(ctx context.Context, ws []store.Write, a []store.AuditRecord) ([]store.Result, error) {
	if ws[0].Expect > 0 {
		ws[0].Expect = store.Any
	}
	return s.Store.Commit(ctx, ws, a)
}

// forgetful acknowledges some writes that it does not make.
type forgetful struct {
	store.Store
	counter
}

func (s *forgetful) Commit(ctx context.Context, ws []store.Write, a []store.AuditRecord) ([]store.Result, error) {
	if s.nth(10) {
		if v, err := s.Read(ctx, ws[0].Key); err == nil && !v.Deleted() {
			v.Number++
			v.Body = ws[0].Body
			return []store.Result{{Version: v}}, nil
		}
	}
	return s.Store.Commit(ctx, ws, a)
}

// denying makes some writes and says that the engine is away.
type denying struct {
	store.Store
	counter
	says string
}

func (s *denying) Commit(ctx context.Context, ws []store.Write, a []store.AuditRecord) ([]store.Result, error) {
	r, err := s.Store.Commit(ctx, ws, a)
	if err == nil && s.nth(10) {
		return nil, fault.New(fault.Unavailable, "transient", "The engine is away.%s", s.says)
	}
	return r, err
}

type counter struct {
	mu sync.Mutex
	n  int
}

func (c *counter) nth(n int) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.n++
	return c.n%n == 0
}
