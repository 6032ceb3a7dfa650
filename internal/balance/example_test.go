package balance_test

import (
	"fmt"
	"math/big"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/window"
)

func ExampleTotals() {
	calendar := window.Standard(time.UTC)
	calendar.DayStart = window.ClockTime{Hour: 6}
	placed := time.Date(2026, 3, 1, 22, 30, 0, 0, time.UTC)
	emptied := placed.Add(8 * time.Hour)
	entries := []drain.Entry{{
		ID: "first", Kind: drain.Emptying, At: emptied, Status: "final", Vessel: drain.SpecimenCup,
		Measured: drain.Measure{Known: true, Volume: drain.MLInt(60)},
	}}
	days, err := calendar.Windows(window.Day, placed, emptied)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, t := range balance.Totals(entries, placed, time.Time{}, days, balance.Spread, balance.DefaultSettings(), emptied) {
		fmt.Printf("%s: %v ± %.1f mL, %s of the time covered\n", t.Window.Label, t.Net, t.U, t.Coverage.RatString())
	}
	// Output:
	// 2026-03-01: 56.25 mL ± 5.4 mL, 1 of the time covered
	// 2026-03-02: 3.75 mL ± 0.4 mL, 1 of the time covered
}

func ExamplePublishedSums() {
	third := drain.ML(big.NewRat(10, 3))
	fmt.Println(balance.PublishedSums([]drain.Volume{third, third, third}, 1))
	// Output: [3.3 3.4 3.3]
}

func ExampleChanceBelow() {
	// 28 mL in 24 h, from six readings in a cup of steps of 5 mL, against 30.
	fmt.Printf("%.0f %%\n", 100*balance.ChanceBelow(28, 3.535534, 30))
	// Output: 71 %
}
