package escalate_test

import (
	"fmt"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

func ExampleEvaluate() {
	placed := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	emptied := func(id string, hours int, ml int64) drain.Entry {
		return drain.Entry{
			ID: id, Kind: drain.Emptying, Status: "final",
			At:       placed.Add(time.Duration(hours) * time.Hour),
			Measured: drain.Measure{Known: true, Volume: drain.MLInt(ml)},
		}
	}
	s := escalate.Subject{
		Drain:      drain.Drain{Active: true},
		Placements: []drain.Placement{{Status: drain.PlacementActive, Start: placed}},
		Entries:    []drain.Entry{emptied("a", 12, 40), emptied("b", 24, 40), emptied("c", 33, 45), emptied("d", 51, 180)},
		Zone:       time.UTC,
	}
	for _, f := range escalate.Evaluate(escalate.Defaults(), s, placed.Add(52*time.Hour))[:1] {
		fmt.Println(f.Rule, f.Severity, f.Evidence)
		fmt.Println(f.Headline)
		fmt.Println(f.Text)
	}
	// Output:
	// output-rise high [a b c d]
	// Output up: 210 mL in the last day, 85 mL the day before
	// Output was 210 mL in the 24 h up to 11:00 and 85 mL in the 24 h before: 125 mL more (147 %). Threshold: 50 % and 60 mL more.
}

func ExampleNextChange() {
	placed := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := escalate.Subject{Drain: drain.Drain{Active: true}, Placements: []drain.Placement{{Status: drain.PlacementActive, Start: placed}}}
	next, _ := escalate.NextChange(escalate.Defaults(), s, placed)
	fmt.Println(next.Sub(placed).Truncate(time.Minute), "after placement it may be overdue")
	// Output: 5h0m0s after placement it may be overdue
}
