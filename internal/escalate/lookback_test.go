package escalate_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// TestLookBack: who reads only the entries of LookBack finds what who reads the whole
// stay finds. With half of it something would be missed, so that the length is needed.
func TestLookBack(t *testing.T) {
	rules := escalate.Defaults()
	missed := 0
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 1))
		s := escalate.Subject{Drain: drain.Drain{ID: "d", Active: true, Capacity: drain.MLInt(100)},
			Placements: []drain.Placement{{ID: "p", Drain: "d", Status: drain.PlacementActive, Start: epoch}}}
		usual, now := 5+r.IntN(40), epoch
		for i := 0; now.Before(epoch.Add(12 * 24 * time.Hour)); i++ {
			now = now.Add(time.Duration(1+r.IntN(5)) * time.Hour)
			if r.IntN(25) == 0 { // it changes for good: rises, stops, darkens
				usual = r.IntN(60)
			}
			e := drain.Entry{ID: fmt.Sprintf("e%04d", i), Drain: "d", Kind: drain.Emptying, Status: "final", At: now, Vessel: "syringe", Suction: drain.Charged, Appearance: "serous", Patency: "patent"}
			e.Measured.Known, e.Measured.Volume = true, drain.MLInt(int64(usual+r.IntN(6)))
			if r.IntN(12) == 0 {
				e.Appearance = "sanguineous"
			}
			if r.IntN(12) == 0 {
				e.Suction = drain.Lost
			}
			s.Entries = append(s.Entries, e)
		}
		now = now.Add(time.Duration(r.IntN(300)) * time.Minute)
		since := func(back time.Duration) []escalate.Finding {
			some := s
			for len(some.Entries) > 0 && some.Entries[0].At.Before(now.Add(-back)) {
				some.Entries = some.Entries[1:]
			}
			return escalate.Evaluate(rules, some, now)
		}
		whole := escalate.Evaluate(rules, s, now)
		if diff := cmp.Diff(whole, since(rules.LookBack())); diff != "" {
			t.Errorf("seed %d (- the whole stay):\n%s", seed, diff)
		}
		if !cmp.Equal(whole, since(rules.LookBack()/2)) {
			missed++
		}
	}
	if missed == 0 {
		t.Errorf("half of %v would do", rules.LookBack())
	}
	t.Logf("with half of %v, %d of 300 stays are seen otherwise", rules.LookBack(), missed)
}
