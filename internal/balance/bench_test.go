package balance

import (
	"fmt"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// A month of a drain emptied every four hours, by hours of the clock.
func BenchmarkTotals(b *testing.B) {
	start := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)
	var entries []drain.Entry
	for i := range 180 {
		entries = append(entries, drain.Entry{
			ID: fmt.Sprint(i), Kind: drain.Emptying, At: start.Add(time.Duration(i+1) * 4 * time.Hour),
			Vessel: drain.SpecimenCup, Measured: drain.Measure{Known: true, Volume: drain.MLInt(int64(20 + i%7))},
		})
	}
	end := start.Add(720 * time.Hour)
	for _, period := range []window.Period{window.Hour, window.Day, window.Total} {
		ws, err := window.Standard(time.UTC).Windows(period, start, end)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(period.String(), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Totals(entries, start, time.Time{}, ws, Spread, DefaultSettings(), end)
			}
		})
	}
}
