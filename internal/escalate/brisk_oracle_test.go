package escalate_test

import (
	"fmt"
	"math/big"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// The rule looks at few spans only; here every span on a grid is looked at, twenty
// minutes by twenty minutes, with the volume of each emptying shared out evenly.
func TestBriskOutputAgainstEverySpan(t *testing.T) {
	const step = 20 * time.Minute // readings that are closer together are of one emptying
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfNDistinct(rapid.IntRange(1, 12*3), 1, 8, rapid.ID).Draw(t, "emptied at")
		slices.Sort(steps)
		s := escalate.Subject{Placements: []drain.Placement{{Status: drain.PlacementActive, Start: epoch}}}
		ran := make([]*big.Rat, steps[len(steps)-1]+1) // by each step
		ran[0] = new(big.Rat)
		before := 0
		for i, at := range steps {
			ml := rapid.Int64Range(0, 60).Draw(t, "mL")
			s.Entries = append(s.Entries, drain.Entry{
				ID: fmt.Sprint(i), Kind: drain.Emptying, Status: "final", At: epoch.Add(time.Duration(at) * step),
				Measured: drain.Measure{Known: true, Volume: drain.MLInt(ml)},
			})
			for k := before + 1; k <= at; k++ {
				ran[k] = new(big.Rat).Add(ran[k-1], big.NewRat(ml, int64(at-before)))
			}
			before = at
		}
		want := false
		for end := range ran {
			for _, limit := range []struct {
				ml    int64
				steps int
			}{{100, 6}, {200, 24}} {
				from := max(end-limit.steps, 0)
				want = want || new(big.Rat).Sub(ran[end], ran[from]).Cmp(big.NewRat(limit.ml, 1)) >= 0
			}
		}
		now := epoch.Add(time.Duration(before) * step)
		got := slices.ContainsFunc(escalate.Evaluate(escalate.Defaults(), s, now), func(f escalate.Finding) bool { return f.Rule == "brisk-output" })
		if got != want {
			t.Fatalf("brisk-output %v, every span says %v", got, want)
		}
	})
}
