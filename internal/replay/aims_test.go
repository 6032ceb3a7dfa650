package replay

import (
	"testing"

	"tidemark/internal/sim"
)

// The aims, loosely and by counts, on a small ward with a fixed seed that the rules
// were not tuned on: a change of a rule that cries wolf, or misses what it found, shows
// here. EVALUATION.md has the large runs.
func TestAims(t *testing.T) {
	r := usual(t, sim.Options{Seed: 501, Patients: 30, Days: 20, End: end, Untidy: sim.Usual(), Events: 50})
	for _, n := range r.False {
		most := map[string]float64{"high": 6, "low": 15}[string(n.Severity)]
		if (n.Severity == "high" || n.Concern == "charting") && most > 0 && n.Rate > most {
			t.Errorf("needless %s %s: %.1f per 100 drain-days, want at most %.0f", n.Severity, n.Concern, n.Rate, most)
		}
	}
	if len(r.Events) < 8 {
		t.Fatalf("events of %d kinds", len(r.Events))
	}
	for _, f := range r.Events {
		switch f.Event {
		case "bleed-20", "bleed-40", "bleed-95":
			if f.Any.Found != f.Events || f.Any.Median > f.Looked.Median+0.5 {
				t.Errorf("%+v: not all found at the first emptying", f)
			}
		case "suspect-fluid", "suction-lost", "dislodged":
			if f.AtEntry != f.Telling || f.Telling == 0 {
				t.Errorf("%+v: not all announced at the entry that says it", f)
			}
		case "block":
			if f.Any.Within12h*10 < f.Events*9 {
				t.Errorf("%+v: too few within 12 h", f)
			}
		}
	}
}
