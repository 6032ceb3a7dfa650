package ward

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// A drain is in one place at a time, whoever the patient.
func TestOverlappingPlacements(t *testing.T) {
	after := func(hours float64) time.Time { return t0.Add(span(hours)) }
	again := func(patient string, start time.Time) obj {
		return with(placement("d1", patient, start), "id", "use-again")
	}
	without := func(n obj, member string) obj { n.Get("timingPeriod").Delete(member); return n }
	for name, c := range map[string]struct {
		world, changes []obj
		want           string // "" is accepted
	}{
		"in place elsewhere":             {nil, []obj{again("p2", after(5))}, "Device/d1 is in place elsewhere"},
		"in the same patient":            {nil, []obj{again("p1", after(5))}, "in place elsewhere"},
		"before it, without an end":      {nil, []obj{again("p2", after(-5))}, "in place elsewhere"},
		"before it, to beyond its start": {nil, []obj{removed(again("p2", after(-5)), "completed", after(0.5))}, "in place elsewhere"},
		"before it, up to its start":     {nil, []obj{removed(again("p2", after(-5)), "completed", t0)}, ""},
		"nobody knows since when":        {nil, []obj{without(removed(again("p2", after(-5)), "completed", after(1)), "start")}, "in place elsewhere"},
		"entered in error":               {nil, []obj{status(again("p2", after(5)), "entered-in-error")}, ""},
		"only intended":                  {nil, []obj{status(again("p2", after(5)), "intended")}, ""},
		"on hold":                        {nil, []obj{status(again("p2", after(5)), "on-hold")}, "in place elsewhere"},
		"after it was ended":             {[]obj{removed(placement("d1", "p1", t0), "completed", after(5))}, []obj{again("p2", after(5))}, ""},
		"ended and placed in one step":   {nil, []obj{again("p2", after(5)), removed(placement("d1", "p1", t0), "completed", after(5))}, ""},
		"ended too late in that step":    {nil, []obj{again("p2", after(5)), removed(placement("d1", "p1", t0), "completed", after(6))}, "in place elsewhere"},
		"reopened when placed again":     {[]obj{removed(placement("d1", "p1", t0), "completed", after(5)), again("p2", after(6))}, []obj{placement("d1", "p1", t0)}, "in place elsewhere"},
		"corrected without a move":       {nil, []obj{with(placement("d1", "p1", t0), "note", fhirjson.Arr(fhirjson.Obj("text", "left")))}, ""},
		"of another drain":               {[]obj{device("d2")}, []obj{placement("d2", "p2", t0)}, ""},
		"completed without an end":       {nil, []obj{status(placement("d1", "p1", t0), "completed")}, "set timingPeriod.end"},
		"stopped without an end":         {nil, []obj{status(placement("d1", "p1", t0), "stopped")}, "set timingPeriod.end"},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			h.at(8)
			if len(c.world) > 0 {
				h.put(c.world...)
			}
			seq, err := h.db.LastSeq(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if len(c.changes) == 1 {
				if got := refusal(h.Validate(t.Context(), c.changes[0].Clone(), "")); (c.want == "") != (got == "") {
					t.Errorf("$validate says %q", got)
				}
			}
			_, err = h.Commit(t.Context(), puts(c.changes...), nil)
			got := refusal(err)
			if c.want == "" && err != nil || !strings.Contains(got, c.want) {
				t.Fatalf("got %q, want %q", got, c.want)
			}
			if strings.Contains(got, "p2") || strings.Contains(got, "p1") || strings.Contains(got, "use-") {
				t.Errorf("tells of another's record: %s", got)
			}
			if now, _ := h.db.LastSeq(t.Context()); c.want != "" && (now != seq || !fault.Is(err, fault.Rule)) {
				t.Errorf("refused as %v, and yet the store went from %d to %d", err, seq, now)
			}
		})
	}
}

// Times of a placement that would leave out what is charted are refused, with
// how much that is.
func TestOrphanedEntries(t *testing.T) {
	after := func(hours float64) time.Time { return t0.Add(span(hours)) }
	for name, c := range map[string]struct {
		change obj
		more   []obj
		want   string
	}{
		"start moved past two":          {change: placement("d1", "p1", after(2.5)), want: "2 charted entries of Device/d1, from 2026-11-23T09:00:00Z to 2026-11-23T10:00:00Z"},
		"start moved up to the first":   {change: placement("d1", "p1", after(1))},
		"start moved back":              {change: placement("d1", "p1", after(-1))},
		"start no longer known":         {change: with(placement("d1", "p1", t0), "timingPeriod", fhirjson.Obj("end", after(9).Format(time.RFC3339)))},
		"end before the last":           {change: removed(placement("d1", "p1", t0), "stopped", after(3.5)), want: "1 charted entries"},
		"end at the last":               {change: removed(placement("d1", "p1", t0), "completed", after(4))},
		"another patient":               {change: placement("d1", "p2", t0), want: "4 charted entries"},
		"the patient and all entries":   {change: placement("d1", "p2", t0), more: []obj{onDrain(emptying("e1", 1, "1"), "d1", "p2"), onDrain(emptying("e2", 2, "1"), "d1", "p2"), onDrain(emptying("e3", 3, "1"), "d1", "p2"), onDrain(emptying("e4", 4, "1"), "d1", "p2")}},
		"the entries are withdrawn too": {change: placement("d1", "p1", after(2.5)), more: []obj{status(emptying("e1", 1, "1"), "entered-in-error"), status(emptying("e2", 2, "1"), "entered-in-error")}},
		"another drain":                 {change: with(placement("d2", "p1", t0), "id", "use-d1"), want: "4 charted entries of Device/d1"},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			h.at(8)
			h.put(device("d2"), emptying("e1", 1, "1"), emptying("e2", 2, "1"), emptying("e3", 3, "1"), emptying("e4", 4, "1"), status(emptying("e5", 5, "1"), "entered-in-error"))
			_, err := h.Commit(t.Context(), puts(append([]obj{c.change}, c.more...)...), nil)
			if got := refusal(err); c.want == "" && err != nil || !strings.Contains(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

// TestOrphansOfAWithdrawnPlacement: one that is withdrawn while another stays would leave
// its entries out, as a moved start does. Of one that is charted late there are none: an
// entry on a drain that nobody has placed is refused.
func TestOrphansOfAWithdrawnPlacement(t *testing.T) {
	after := func(hours float64) time.Time { return t0.Add(span(hours)) }
	later := func(patient string) obj { return with(placement("d1", patient, after(6)), "id", "use-later") }
	first := removed(placement("d1", "p1", t0), "completed", after(4.5))
	for name, c := range map[string]struct {
		world  []obj
		change []Change
		want   string
	}{
		"in error, the only one":  {nil, puts(status(placement("d1", "p1", t0), "entered-in-error")), ""},
		"in error, another stays": {[]obj{first, later("p2")}, puts(status(first.Clone(), "entered-in-error")), "4 charted entries of Device/d1"},
		"deleted, another stays":  {[]obj{first, later("p2")}, []Change{deletion("DeviceUseStatement", "use-d1")}, "4 charted entries of Device/d1"},
		"deleted with its entries": {[]obj{first, later("p2")}, append([]Change{deletion("DeviceUseStatement", "use-d1")},
			deletion("Observation", "e1"), deletion("Observation", "e2"), deletion("Observation", "e3"), deletion("Observation", "e4")), ""},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			h.at(8)
			h.put(emptying("e1", 1, "1"), emptying("e2", 2, "1"), emptying("e3", 3, "1"), emptying("e4", 4, "1"))
			for _, n := range c.world {
				h.put(n)
			}
			_, err := h.Commit(t.Context(), c.change, nil)
			if got := refusal(err); c.want == "" && err != nil || !strings.Contains(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

// Of several who place one drain at the same time, one succeeds.
func TestRacingPlacements(t *testing.T) {
	h := newHospital(t)
	h.at(8)
	h.put(device("d2"))
	racers := []*Service{h.Service, h.another(h.db), h.another(h.db)} // processes that do not see each other's locks
	for round := range 5 {
		h.put(device(fmt.Sprint("r", round)))
		var mu sync.Mutex
		placed := 0
		var wg sync.WaitGroup
		for i := range 6 {
			wg.Go(func() {
				n := with(placement(fmt.Sprint("r", round), fmt.Sprintf("p%d", 1+i%2), t0.Add(time.Duration(i)*time.Minute)), "id", fmt.Sprintf("use-%d-%d", round, i))
				if i%3 == 2 {
					removed(n, "completed", t0.Add(2*time.Hour))
				}
				_, err := racers[i%3].Commit(context.Background(), puts(n), nil)
				mu.Lock()
				defer mu.Unlock()
				switch {
				case err == nil:
					placed++
				case !fault.Is(err, fault.Rule):
					t.Errorf("refused otherwise: %v", err)
				}
			})
		}
		wg.Wait()
		if ps, err := h.db.Placements(t.Context(), fmt.Sprint("r", round)); placed != 1 || len(ps) != 1 || err != nil {
			t.Errorf("%d placed, %d kept, %v", placed, len(ps), err)
		}
	}
}
