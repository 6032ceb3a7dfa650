// Package trend owns the statistics of one drain's course: the Theil–Sen slope
// with its interval, the Mann–Kendall test, the verdict drawn from both, and the
// course of the fluid's appearance. It knows neither drains nor clocks: the
// caller gives rates (mL/h, at hours from an origin of its choice) and decides
// which of them belong to the course.
//
// It is given rates, not volumes, where the intervals between emptyings differ,
// and never running totals, which always rise. The test says "falls steadily"
// and no more: successive rates of a drain are not independent of one another.
//
// This is the one place where measured quantities become floating point. Values
// must be finite. Every result depends on the set of points alone, not on the
// order in which they arrived.
//
// Sources: Mann 1945 (Econometrica 13:245–259); Kendall, Rank Correlation
// Methods (1976); Theil 1950; Sen 1968 (JASA 63:1379–1389); Gilbert, Statistical
// Methods for Environmental Pollution Monitoring (1987), ch. 16.
package trend

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"slices"
)

// Point is one value of a course: at hour X, the rate Y in mL/h (or any other
// pair of scales).
type Point struct{ X, Y float64 }

// sorted gives the points by X, then Y, in a slice of their own.
func sorted(pts []Point) []Point {
	return slices.SortedFunc(slices.Values(pts), func(a, b Point) int {
		return cmp.Or(cmp.Compare(a.X, b.X), cmp.Compare(a.Y, b.Y))
	})
}

func ys(pts []Point) []float64 {
	y := make([]float64, len(pts))
	for i, p := range pts {
		y[i] = p.Y
	}
	return y
}

// Direction is the verdict on a course.
type Direction string

// The verdicts.
const (
	Falling        Direction = "falling"
	Rising         Direction = "rising"
	NoClearTrend   Direction = "no clear trend"
	TooFewReadings Direction = "too few readings"
)

// Result is the verdict on a course, with all that it rests on.
type Result struct {
	Direction Direction
	N         int
	MK        MannKendall
	Slope     Slope
	// Decidable is false where no order whatever of these readings could have
	// reached significance. Show the Note then instead of p, which would read as
	// evidence against a trend.
	Decidable bool
	Note      string
}

// Analyse tests the course for a steady fall or rise: "falling" or "rising" when
// the two-sided Mann–Kendall p is below alpha, "too few readings" below minN
// points (and below 2, whatever minN is), else "no clear trend". The slope comes
// with its interval at confidence 1 − alpha.
func Analyse(pts []Point, minN int, alpha float64) Result {
	pts = sorted(pts)
	mk := Kendall(pts)
	r := Result{
		Direction: NoClearTrend,
		N:         len(pts),
		MK:        mk,
		Slope:     TheilSen(pts, 1-alpha),
		Decidable: true,
	}
	if minN = max(minN, 2); r.N < minN {
		r.Direction, r.Decidable = TooFewReadings, false
		r.Note = fmt.Sprintf("%s; a trend needs at least %d", readings(r.N), minN)
		return r
	}
	switch {
	case r.Slope.Pairs == 0:
		r.Decidable = false
		r.Note = fmt.Sprintf("%s, no two at different times", readings(r.N))
	case mk.VarS == 0:
		r.Decidable = false
		r.Note = fmt.Sprintf("%s, all equal", readings(r.N))
	case mk.Exact && ratFloat(leastP(ys(pts))) >= alpha:
		r.Decidable = false
		r.Note = undecidable(ys(pts), alpha)
	case mk.P < alpha && mk.S < 0:
		r.Direction = Falling
	case mk.P < alpha && mk.S > 0:
		r.Direction = Rising
	}
	return r
}

// AtLeast calls a trend one only where the slope's interval leaves out zero and the
// slope is at least so steep, either way: a fall that is certain may be too slow to
// matter.
func (r Result) AtLeast(least float64) Result {
	if r.Direction != Falling && r.Direction != Rising {
		return r
	}
	switch s := r.Slope; {
	case !s.HasInterval || s.Low <= 0 && s.High >= 0:
		r.Note = "the interval of the slope includes zero"
	case math.Abs(s.Value) < least:
		r.Note = "the slope is too small to matter"
	default:
		return r
	}
	r.Direction = NoClearTrend
	return r
}

// undecidable words why these readings, in whatever order, cannot show a trend
// at alpha.
func undecidable(y []float64, alpha float64) string {
	which := "with " + readings(len(y))
	if len(tieGroups(y)) < len(y) {
		which += " of which some are equal"
	}
	least := leastP(y)
	note := fmt.Sprintf("%s a two-sided test cannot reach p < %g (the least possible is %s)", which, alpha, formatP(least))
	if oneSided := new(big.Rat).Quo(least, big.NewRat(2, 1)); ratFloat(oneSided) < alpha {
		return note + "; only a one-sided test could (" + formatP(oneSided) + ")"
	}
	return note + ", nor can a one-sided test"
}

func readings(n int) string {
	if n == 1 {
		return "1 reading"
	}
	return fmt.Sprintf("%d readings", n)
}

func formatP(p *big.Rat) string { return fmt.Sprintf("%s = %.3g", p.RatString(), ratFloat(p)) }

func ratFloat(r *big.Rat) float64 {
	f, _ := r.Float64()
	return f
}
