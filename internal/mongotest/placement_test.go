package mongotest

import (
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// Two processes place one drain in two patients at the same time: one succeeds,
// the other is told, though neither sees the other's locks.
func TestRacingPlacements(t *testing.T) {
	o := open(t, options(Start(t).URL("race")))
	core := func(s store.Store) *ward.Service {
		return ward.New(s, ward.Options{Policy: policy.Default, Clock: time.Now, Logger: slog.New(slog.DiscardHandler), Extract: search.ExtractOptions{Zone: time.UTC}, Recheck: time.Minute})
	}
	processes := []*ward.Service{core(o.Store), core(o.Second(t))}
	put := func(s *ward.Service, format string, args ...any) error {
		n, err := fhirjson.Parse(fmt.Appendf(nil, format, args...))
		if err != nil {
			t.Fatal(err)
		}
		_, err = s.Commit(t.Context(), []ward.Change{{Method: store.Put, Key: store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, Resource: n}}, nil)
		return err
	}
	start := time.Now().Add(-time.Hour).UTC().Format(time.RFC3339)
	for round := range 10 {
		if err := put(processes[0], `{"resourceType":"Device","id":"d%d","status":"active"}`, round); err != nil {
			t.Fatal(err)
		}
		errs := make([]error, len(processes))
		var wg sync.WaitGroup
		for i, s := range processes {
			wg.Go(func() {
				errs[i] = put(s, `{"resourceType":"DeviceUseStatement","id":"u%d-%d","status":"active","subject":{"reference":"Patient/p%d"},"device":{"reference":"Device/d%d"},"timingPeriod":{"start":%q}}`,
					round, i, i, round, start)
			})
		}
		wg.Wait()
		placed := 0
		for _, err := range errs {
			if err == nil {
				placed++
			} else if !fault.Is(err, fault.Rule) {
				t.Errorf("refused otherwise: %v", err)
			}
		}
		if ps, err := o.Placements(t.Context(), fmt.Sprint("d", round)); placed != 1 || len(ps) != 1 || err != nil {
			t.Errorf("%d placed, %d kept, %v", placed, len(ps), err)
		}
	}
}
