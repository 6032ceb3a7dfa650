package ward

import (
	"context"
	"errors"
	"log/slog"
	"testing"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
)

// broken panics over one drain.
type broken struct {
	Store
	drain string
}

func (b broken) Placements(ctx context.Context, id string) ([]drain.Placement, error) {
	if id == b.drain {
		panic("on purpose")
	}
	return b.Store.Placements(ctx, id)
}

// TestSweepOverADefect: a drain at which the service itself fails does not end
// the sweep, and leaves no lock behind.
func TestSweepOverADefect(t *testing.T) {
	h := newHospital(t)
	h.log = slog.New(slog.DiscardHandler)
	h.at(1)
	h.put(check("c", 1, part("suction-state", "charged")))
	h.store = broken{h.store, "d1"}
	for range 2 {
		before := fault.Panics.Load()
		n, err := h.Sweep(context.Background(), true)
		if n == 0 || !errors.Is(err, fault.ErrPanic) || fault.Panics.Load() == before {
			t.Fatalf("%d looked at, %v", n, err)
		}
	}
}
