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
		Entries:    []drain.Entry{emptied("a", 12, 40), emptied("b", 24, 40), emptied("c", 33, 45), emptied("d", 51, 90)},
		Zone:       time.UTC,
	}
	for _, f := range escalate.Evaluate(escalate.Defaults(), s, placed.Add(52*time.Hour)) {
		fmt.Println(f.Rule, f.Severity, f.Evidence)
		fmt.Println(f.Text)
	}
	// Output:
	// output-rise high [a b c d]
	// Output in the 24 h up to 2026-03-03 11:00 +00:00 was 120 mL (30 mL as the share of 6 h in 9 h of the 45 mL emptied at 2026-03-02 17:00 +00:00 and 90 mL emptied at 2026-03-03 11:00 +00:00) against 85 mL in the 24 h before (30 mL as the share of 9 h in 12 h of the 40 mL emptied at 2026-03-01 20:00 +00:00, 40 mL emptied at 2026-03-02 08:00 +00:00 and 15 mL as the share of 3 h in 9 h of the 45 mL emptied at 17:00): up 35 mL (41.18 %). Each volume is spread evenly over its interval, the time since the emptying or placement before it. The ward's rule calls at a rise of at least 25 % and 20 mL. This service informs, it does not diagnose: local protocol and the licensed clinician decide; when in doubt, go to the bedside.
}

func ExampleNextChange() {
	placed := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	s := escalate.Subject{Placements: []drain.Placement{{Status: drain.PlacementActive, Start: placed}}}
	next, _ := escalate.NextChange(escalate.Defaults(), s, placed)
	fmt.Println(next.Sub(placed).Truncate(time.Minute), "after placement it may be overdue")
	// Output: 4h15m0s after placement it may be overdue
}
