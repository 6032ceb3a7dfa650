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
		Placements: []drain.Placement{{Status: drain.PlacementActive, Start: placed}},
		Entries:    []drain.Entry{emptied("a", 12, 40), emptied("b", 24, 40), emptied("c", 36, 55), emptied("d", 48, 65)},
		Zone:       time.UTC,
	}
	for _, f := range escalate.Evaluate(escalate.Defaults(), s, placed.Add(50*time.Hour)) {
		fmt.Println(f.Rule, f.Severity, f.Evidence)
		fmt.Println(f.Text)
	}
	// Output:
	// output-rise high [a b c d]
	// Output in the 24 h up to 2026-03-03 08:00 +00:00 was 120 mL (55 mL at 2026-03-02 20:00 +00:00, 65 mL at 2026-03-03 08:00 +00:00) against 80 mL (40 mL at 2026-03-01 20:00 +00:00, 40 mL at 2026-03-02 08:00 +00:00) in the 24 h before: up 40 mL (50 %). The ward's rule calls at a rise of at least 25 % and 20 mL. This service informs, it does not diagnose: local protocol and the licensed clinician decide; when in doubt, go to the bedside.
}

func ExampleNextChange() {
	placed := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := escalate.Subject{Placements: []drain.Placement{{Status: drain.PlacementActive, Start: placed}}}
	next, _ := escalate.NextChange(escalate.Defaults(), s, placed)
	fmt.Println(next.Sub(placed).Truncate(time.Minute), "after placement it may be overdue")
	// Output: 4h15m0s after placement it may be overdue
}
