package escalate_test

import (
	"fmt"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// A drain of ten days, emptied and looked at every four hours.
func tenDays() (escalate.Subject, time.Time) {
	s := escalate.Subject{Placements: []drain.Placement{{Status: drain.PlacementActive, Start: epoch}}}
	at := epoch
	for i := range 60 {
		at = at.Add(4 * time.Hour)
		s.Entries = append(s.Entries, drain.Entry{
			ID: fmt.Sprint(i), Kind: drain.Emptying, Status: "final", At: at, Suction: drain.Charged, Vessel: drain.MedicineCup,
			Appearance: drain.Serosanguineous, Measured: drain.Measure{Known: true, Volume: drain.MLInt(int64(20 - i/6))},
		})
	}
	return s, at.Add(time.Hour)
}

func BenchmarkEvaluate(b *testing.B) {
	s, now := tenDays()
	rules := escalate.Defaults()
	for b.Loop() {
		escalate.Evaluate(rules, s, now)
	}
}

func BenchmarkNextChange(b *testing.B) {
	s, now := tenDays()
	rules := escalate.Defaults()
	for b.Loop() {
		escalate.NextChange(rules, s, now)
	}
}
