package trend

import (
	"math"
	"slices"
)

// Slope is a Theil–Sen line, y = Intercept + Value·x, with a confidence interval
// for its slope.
type Slope struct {
	// Value is the median of the slopes of all pairs of points at different X. It
	// is undefined, and 0 here, where there is no such pair: Pairs is then 0.
	Value float64
	// Intercept is median(y) − Value·median(x) (Conover's).
	Intercept float64
	// Low and High bound the slope at the Confidence, by the ranks of Gilbert 1987
	// (ch. 16) with interpolation between neighbours. With few points the ranks
	// fall outside the list of slopes; there is no interval then, rather than the
	// two extreme slopes passing for one.
	Low, High   float64
	HasInterval bool
	N           int // points
	Pairs       int // pairs with a slope
	Confidence  float64
}

// TheilSen fits the line. The interval needs a confidence between 0 and 1. Time
// and memory grow with n²: 8 bytes for each of the n(n−1)/2 slopes, 16 MB at
// n = 2000. All of them are used, whatever n is.
func TheilSen(pts []Point, confidence float64) Slope {
	pts = sorted(pts)
	line := Slope{N: len(pts), Confidence: confidence}
	slopes := pairSlopes(pts)
	if line.Pairs = len(slopes); line.Pairs == 0 {
		return line
	}
	line.Value = medianInPlace(slopes)
	x, y := make([]float64, len(pts)), make([]float64, len(pts))
	for i, p := range pts {
		x[i], y[i] = p.X, p.Y
	}
	line.Low, line.High, line.HasInterval = gilbertInterval(slopes, variance(len(pts), tieGroups(x), tieGroups(y)), confidence)
	// The conversion keeps product and difference two roundings on processors
	// that would fuse them, so that every machine gives the same digits.
	line.Intercept = medianInPlace(y) - float64(line.Value*medianInPlace(x))
	return line
}

// pairSlopes gives the slope of every pair of sorted points with different X.
func pairSlopes(sorted []Point) []float64 {
	n := len(sorted)
	slopes := make([]float64, 0, n*(n-1)/2)
	for i, a := range sorted {
		for _, b := range sorted[i+1:] {
			if b.X > a.X {
				slopes = append(slopes, (b.Y-a.Y)/(b.X-a.X))
			}
		}
	}
	return slopes
}

// gilbertInterval takes the limits at ranks M1 = (N − C)/2 and M2 + 1 = (N + C)/2 + 1
// of the N slopes, with C = z·√Var(S). It reorders the slopes.
func gilbertInterval(slopes []float64, varS, confidence float64) (low, high float64, ok bool) {
	if !(confidence > 0 && confidence < 1) {
		return 0, 0, false
	}
	n := float64(len(slopes))
	c := math.Sqrt2 * math.Erfinv(confidence) * math.Sqrt(varS)
	m1, m2next := (n-c)/2, (n+c)/2+1
	if m1 < 1 || m2next > n {
		return 0, 0, false
	}
	return atRank(slopes, m1), atRank(slopes, m2next), true
}

// atRank gives the value at a rank counted from 1, interpolated between
// neighbours where the rank is no whole number.
func atRank(values []float64, rank float64) float64 {
	whole, part := math.Modf(rank)
	v := nth(values, int(whole)-1)
	if part == 0 {
		return v
	}
	return v + float64(part*(nth(values, int(whole))-v))
}

func medianInPlace(values []float64) float64 {
	n := len(values)
	upper := nth(values, n/2)
	if n%2 == 1 {
		return upper
	}
	// nth leaves nothing greater before its place.
	return (slices.Max(values[:n/2]) + upper) / 2
}

// nth puts the value of index k of the sorted order at k, with none greater
// before it and none smaller behind, and returns it: Hoare's selection, parted in
// three since equal slopes are frequent among readings rounded to a graduation.
func nth(a []float64, k int) float64 {
	lo, hi := 0, len(a) // the answer lies in a[lo:hi]
	for hi-lo > 1 {
		pivot := medianOf3(a[lo], a[lo+(hi-lo)/2], a[hi-1])
		less, equal, i := lo, hi, lo
		for i < equal {
			switch v := a[i]; {
			case v < pivot:
				a[i], a[less] = a[less], v
				less++
				i++
			case v > pivot:
				equal--
				a[i], a[equal] = a[equal], v
			default:
				i++
			}
		}
		switch {
		case k < less:
			hi = less
		case k >= equal:
			lo = equal
		default:
			return pivot
		}
	}
	return a[k]
}

func medianOf3(a, b, c float64) float64 {
	return max(min(a, b), min(max(a, b), c))
}
