package escalate_test

import (
	"fmt"
	"math/big"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/window"
)

func emptied(id int, at time.Time, v drain.Volume) drain.Entry {
	return drain.Entry{ID: fmt.Sprint(id), Kind: drain.Emptying, Status: "final", At: at, Measured: drain.Measure{Known: true, Volume: v}}
}

func rise(s escalate.Subject, now time.Time) (escalate.Finding, bool) {
	rules := escalate.Defaults()
	rules.RiseScatter = drain.Volume{} // the floors alone
	for _, f := range escalate.Evaluate(rules, s, now) {
		if f.Rule == "output-rise" {
			return f, true
		}
	}
	return escalate.Finding{}, false
}

// Whenever somebody goes to a drain that runs at a constant rate, it does not
// rise, at no emptying.
func TestConstantRateIsNoRise(t *testing.T) {
	compared := false
	rapid.Check(t, func(t *rapid.T) {
		perMinute := big.NewRat(rapid.Int64Range(0, 6000).Draw(t, "rate in 0.01 mL/h"), 100*60)
		minutes := rapid.SliceOfNDistinct(rapid.IntRange(1, 96*60), 1, 40, rapid.ID).Draw(t, "emptied at")
		slices.Sort(minutes)
		s := escalate.Subject{Placements: []drain.Placement{{Status: drain.PlacementActive, Start: epoch}}}
		before := 0
		for i, m := range minutes {
			at := epoch.Add(time.Duration(m) * time.Minute)
			volume := drain.ML(perMinute).Mul(big.NewRat(int64(m-before), 1))
			s.Entries = append(s.Entries, emptied(i, at, volume))
			before = m
			compared = compared || m >= 48*60 && volume.Sign() > 0
			if f, ok := rise(s, at); ok {
				t.Fatalf("%s", f.Text)
			}
		}
	})
	if !compared {
		t.Error("two whole days were never compared")
	}
}

// The rule's spans are two windows of package balance, volumes spread.
func TestRiseIsThatOfSpreadTotals(t *testing.T) {
	raised := 0
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfNDistinct(rapid.IntRange(1, 72), 1, 8, rapid.ID).Draw(t, "emptied at, in hours")
		slices.Sort(steps)
		s := escalate.Subject{Placements: []drain.Placement{{Status: drain.PlacementActive, Start: epoch}}}
		var last time.Time
		for i, h := range steps {
			e := emptied(i, epoch.Add(time.Duration(h)*time.Hour), drain.MLInt(rapid.SampledFrom([]int64{0, 5, 10, 20, 40, 60}).Draw(t, "mL")))
			if i < len(steps)-1 && rapid.IntRange(0, 20).Draw(t, "measured") == 0 {
				e.Measured = drain.Measure{Absent: "not-performed"}
			}
			if rapid.IntRange(0, 9).Draw(t, "irrigated") == 0 {
				e.Instilled = drain.MLInt(15)
			}
			s.Entries = append(s.Entries, e)
			last = e.At
		}
		const day = 24 * time.Hour
		spans := []window.Window{{Start: last.Add(-2 * day), End: last.Add(-day)}, {Start: last.Add(-day), End: last}}
		totals := balance.Totals(s.Entries, epoch, time.Time{}, spans, balance.Spread, balance.DefaultSettings(), last)
		earlier, recent := totals[0], totals[1]
		up := recent.Net.Sub(earlier.Net)
		want := earlier.Covered == day && recent.Covered == day &&
			up.Cmp(drain.MLInt(60)) >= 0 && up.Cmp(earlier.Net.Mul(big.NewRat(1, 2))) >= 0

		figures := map[string]string{}
		f, _ := rise(s, last)
		for _, figure := range f.Figures {
			figures[figure.Name] = figure.Value
		}
		if _, got := figures["rise"]; got != want {
			t.Fatalf("the first form holds: %v; %v against %v, covered %v and %v: %s", got, recent.Net, earlier.Net, recent.Covered, earlier.Covered, f.Text)
		}
		if !want {
			return
		}
		raised++
		if figures["output in the last 24 h"] != recent.Net.Text(2) || figures["output in the 24 h before"] != earlier.Net.Text(2) {
			t.Fatalf("%v against %v: %v", recent.Net, earlier.Net, figures)
		}
		for _, id := range slices.Concat(earlier.Readings, recent.Readings) {
			if !slices.Contains(f.Evidence, id) {
				t.Fatalf("%s is no evidence: %v", id, f.Evidence)
			}
		}
	})
	if raised == 0 {
		t.Error("the first form never held")
	}
}
