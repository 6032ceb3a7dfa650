package ward

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// A drain has so many entries a day, also in one step; a correction is none more.
func TestEntriesOfADay(t *testing.T) {
	h := newHospital(t)
	h.readings = 5
	h.at(20)
	for i := range 4 {
		h.put(check(fmt.Sprint("c", i), 1+float64(i)/10))
	}
	h.put(check("c0", 1.05)) // the time put right
	var two []obj
	for i := range 2 {
		two = append(two, check(fmt.Sprint("d", i), 2+float64(i)/10))
	}
	_, err := h.Commit(context.Background(), puts(two...), nil)
	if !fault.Is(err, fault.Rule) || !strings.Contains(err.Error(), "5 entries") {
		t.Errorf("a sixth in one step: %v", err)
	}
	h.put(two[0])
	if _, err := h.Commit(context.Background(), puts(two[1]), nil); !fault.Is(err, fault.Rule) {
		t.Errorf("a sixth: %v", err)
	}
	h.put(status(check("c1", 1.1), "entered-in-error"))
	h.at(48)
	h.put(check("next", 30)) // of another day
}

// A resource over the limit is refused, also one that a patch has made so.
func TestResourceLimit(t *testing.T) {
	h := newHospital(t)
	h.resource = 4000
	_, err := h.Commit(context.Background(), puts(with(patient("p3"), "name", fhirjson.Arr(fhirjson.Obj("family", strings.Repeat("a", 5000))))), nil)
	if !fault.Is(err, fault.TooLarge) || !strings.Contains(err.Error(), "4000") {
		t.Errorf("%v", err)
	}
	h.put(patient("p3"))
}

// slow lets the clock pass while it reads one drain.
type slow struct {
	Store
	h     *hospital
	drain string
	reads map[string]int
}

func (s slow) Placements(ctx context.Context, id string) ([]drain.Placement, error) {
	s.reads[id]++
	if id == s.drain {
		s.h.mu.Lock()
		s.h.now = s.h.now.Add(10 * time.Second)
		s.h.mu.Unlock()
	}
	return s.Store.Placements(ctx, id)
}

// A drain that takes long does not hold the sweep again and again.
func TestSlowDrainRests(t *testing.T) {
	h := newHospital(t)
	h.log = slog.New(slog.DiscardHandler)
	h.put(device("d2"), placement("d2", "p2", t0))
	h.at(1)
	s := slow{h.store, h, "d1", map[string]int{}}
	h.store = s
	for range 10 {
		h.sweep(true)
	}
	if s.reads["d1"] != 1 || s.reads["d2"] != 10 {
		t.Errorf("in ten sweeps the slow drain was looked at %d times, another %d times", s.reads["d1"], s.reads["d2"])
	}
	h.mu.Lock()
	h.now = h.now.Add(restMost)
	h.mu.Unlock()
	h.sweep(true)
	if s.reads["d1"] != 2 {
		t.Error("the slow drain was never looked at again")
	}
}
