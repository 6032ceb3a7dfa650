package plot_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/plot"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

// Any course at all gives a sound document: times out of order or ages apart,
// figures that no drain gives, text that no keyboard has.
func anyCourse(t *rapid.T) plot.Course {
	zones := []*time.Location{nil, time.UTC, berlin, zone("Australia/Lord_Howe"), zone("Pacific/Apia"), zone("Asia/Kathmandu")}
	spans := []int64{0, 3600, 86400, 30 * 86400, 400 * 86400, 5000 * 365 * 86400}
	base := rapid.SampledFrom([]int64{0, 1793000000, 1774742400, -62135596800 + 1, 1325246400}).Draw(t, "base")
	span := rapid.SampledFrom(spans).Draw(t, "span")
	when := rapid.Custom(func(t *rapid.T) time.Time {
		if rapid.IntRange(0, 9).Draw(t, "zero") == 0 {
			return time.Time{}
		}
		return time.Unix(base+rapid.Int64Range(0, span).Draw(t, "s"), 0).UTC()
	})
	figure := rapid.OneOf(rapid.Float64Range(-200, 500), rapid.SampledFrom([]float64{0, 1e-300, 1e300, math.Inf(1), math.Inf(-1), math.NaN()}))
	volume := rapid.Custom(func(t *rapid.T) drain.Volume {
		v, _ := drain.ParseML(rapid.SampledFrom([]string{"0", "-4", "12.5", "80", "99999999999999999999", "1e-40"}).Draw(t, "mL"))
		return v
	})
	text := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", "a<b>&\"'", "\x00\xff\u2028\uFFFF", "left axilla"}))
	look := rapid.SampledFrom([]drain.Appearance{"", drain.Clear, drain.Serous, drain.Serosanguineous, drain.Sanguineous, drain.Purulent, drain.Bilious, drain.Chylous, drain.Feculent, drain.UrineLike, drain.OtherLook, "x"})
	entry := rapid.Custom(func(t *rapid.T) drain.Entry {
		return drain.Entry{
			ID: text.Draw(t, "id"), At: when.Draw(t, "at"),
			Kind:       rapid.SampledFrom([]drain.Kind{drain.Emptying, drain.Check, drain.Site}).Draw(t, "kind"),
			Status:     rapid.SampledFrom([]string{"final", "preliminary", "entered-in-error"}).Draw(t, "status"),
			Measured:   drain.Measure{Known: rapid.Bool().Draw(t, "known"), Volume: volume.Draw(t, "measured")},
			Appearance: look.Draw(t, "look"),
			Suction:    rapid.SampledFrom([]drain.Suction{"", drain.Charged, drain.Lost, drain.Off}).Draw(t, "suction"),
		}
	})
	c := plot.Course{
		Title: text.Draw(t, "title"), Subtitle: text.Draw(t, "subtitle"), Caution: text.Draw(t, "caution"),
		Zone:   rapid.SampledFrom(zones).Draw(t, "zone"),
		Placed: when.Draw(t, "placed"), Removed: when.Draw(t, "removed"), Now: when.Draw(t, "now"), TrendOrigin: when.Draw(t, "origin"),
		Entries: rapid.SliceOfN(entry, 0, 12).Draw(t, "entries"),
		Trend: trend.Result{
			Direction: rapid.SampledFrom([]trend.Direction{"", trend.Falling, trend.NoClearTrend, trend.TooFewReadings}).Draw(t, "direction"),
			N:         rapid.IntRange(0, 20).Draw(t, "n"), Decidable: rapid.Bool().Draw(t, "decidable"), Note: text.Draw(t, "note"),
			Slope: trend.Slope{Pairs: rapid.IntRange(0, 3).Draw(t, "pairs"), Value: figure.Draw(t, "slope"), Intercept: figure.Draw(t, "intercept"), HasInterval: rapid.Bool().Draw(t, "interval"), Low: figure.Draw(t, "low"), High: figure.Draw(t, "high")},
		},
	}
	if rapid.Bool().Draw(t, "worked out") {
		c.Intervals = balance.Intervals(c.Entries, c.Placed, balance.OneEmptying)
	} else {
		for _, e := range c.Entries {
			c.Intervals = append(c.Intervals, balance.Interval{Start: when.Draw(t, "from"), End: when.Draw(t, "to"), Emptied: drain.Emptied{Readings: []drain.Entry{e}, Measured: volume.Draw(t, "net"), Known: e.Measured.Known}})
		}
	}
	for range rapid.IntRange(0, 6).Draw(t, "days") {
		c.Days = append(c.Days, balance.Total{
			Window: window.Window{Start: when.Draw(t, "from"), End: when.Draw(t, "to"), Label: text.Draw(t, "label"), Whole: rapid.Bool().Draw(t, "whole")},
			Net:    volume.Draw(t, "net"), N: rapid.IntRange(0, 2).Draw(t, "n"), U: figure.Draw(t, "u"), HasU: rapid.Bool().Draw(t, "has u"),
			LowerBound: rapid.Bool().Draw(t, "bound"), Preliminary: rapid.Bool().Draw(t, "preliminary"),
		})
	}
	for i := range rapid.IntRange(0, 12).Draw(t, "concerns") {
		c.Concerns = append(c.Concerns, drain.Concern{
			ID: fmt.Sprint(i), Kind: text.Draw(t, "kind"), Since: when.Draw(t, "since"), Until: when.Draw(t, "until"), Acknowledged: drain.Acknowledged{At: when.Draw(t, "acknowledged")},
			Severity: rapid.SampledFrom([]drain.Severity{drain.High, drain.Moderate, drain.Low, "?"}).Draw(t, "severity"), Withdrawn: rapid.Bool().Draw(t, "withdrawn"),
		})
	}
	c.Width = rapid.SampledFrom([]float64{0, 360, 420, 2400}).Draw(t, "width")
	c.Height = rapid.SampledFrom([]float64{0, 340, 595, 2400}).Draw(t, "height")
	return c
}

func anyPicture(t *rapid.T) {
	c := anyCourse(t)
	svg, err := plot.SVG(c)
	if err != nil {
		t.Fatal(err)
	}
	checkDocument(t, svg)
	if c.Width < 600 && c.Height < 600 {
		if _, err := plot.PNG(c, 36); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAnyCourse(t *testing.T) { rapid.Check(t, anyPicture) }

func FuzzCourse(f *testing.F) { f.Fuzz(rapid.MakeFuzz(anyPicture)) }
