package trend

import (
	"cmp"
	"math"
	"math/big"
	"slices"
)

// exactUpTo is the largest n for which the Mann–Kendall p is taken from the
// exact distribution of S (Gilbert 1987: table up to n = 10, normal above).
const exactUpTo = 10

// MannKendall is the result of the test.
type MannKendall struct {
	N    int
	S    int     // later value above earlier one +1, below −1, summed over all pairs
	VarS float64 // variance of S without a trend, corrected for ties; 0 if all are tied
	Z    float64 // with continuity correction; 0 when S or VarS is 0
	// Tau is Kendall's tau-b. It is undefined, and 0 here, when all values are
	// tied: HasTau is then false.
	Tau    float64
	HasTau bool
	// P is the two-sided p used for the verdict: exact where Exact is true, else
	// PNormal. POneSidedFalling is the chance of an S this low or lower where
	// there is no trend, POneSidedRising of one this high or higher, from the
	// same distribution as P.
	P                                 float64
	POneSidedFalling, POneSidedRising float64
	Exact                             bool
	PNormal                           float64 // normal approximation with continuity correction, two-sided
}

// Kendall tests points in the order of X, most often time. All values tied gives
// S 0, Z 0 and p 1. Points may share their X: a pair of points
// at one X has no order and counts for nothing. Such ties among the X rule out
// the exact distribution used here, so p is then normal at every n. The time is
// of the order of n².
func Kendall(pts []Point) MannKendall {
	pts = sorted(pts)
	n := len(pts)
	mk := MannKendall{N: n, P: 1, POneSidedFalling: 1, POneSidedRising: 1, PNormal: 1}
	for i, earlier := range pts {
		for _, later := range pts[i+1:] {
			if later.X > earlier.X {
				mk.S += cmp.Compare(later.Y, earlier.Y)
			}
		}
	}
	x := make([]float64, n)
	for i, p := range pts {
		x[i] = p.X
	}
	y := ys(pts)
	tiesX, tiesY := tieGroups(x), tieGroups(y)
	untiedX, untiedY := untiedPairs(tiesX), untiedPairs(tiesY)
	if mk.HasTau = untiedX > 0 && untiedY > 0; !mk.HasTau {
		return mk
	}
	mk.Tau = float64(mk.S) / (math.Sqrt(float64(untiedX)) * math.Sqrt(float64(untiedY)))
	mk.VarS = variance(n, tiesX, tiesY)
	sd := math.Sqrt(mk.VarS)
	if mk.S != 0 {
		mk.Z = float64(mk.S-sign(mk.S)) / sd
		mk.PNormal = math.Erfc(math.Abs(mk.Z) / math.Sqrt2)
	}
	if len(tiesX) == n && n <= exactUpTo {
		two, lower, upper := ExactP(y)
		mk.Exact = true
		mk.P, mk.POneSidedFalling, mk.POneSidedRising = ratFloat(two), ratFloat(lower), ratFloat(upper)
		return mk
	}
	mk.P = mk.PNormal
	mk.POneSidedFalling = min(1, normalUpper(-float64(mk.S+1)/sd))
	mk.POneSidedRising = min(1, normalUpper(float64(mk.S-1)/sd))
	return mk
}

// normalUpper is the chance that a standard normal value exceeds z.
func normalUpper(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

func sign(i int) int { return cmp.Compare(i, 0) }

// tieGroups gives the number of values at each distinct value, in the order of
// the values; a value that stands alone counts 1.
func tieGroups(values []float64) []int {
	v := slices.Sorted(slices.Values(values))
	var groups []int
	for i := range v {
		if i == 0 || v[i] != v[i-1] {
			groups = append(groups, 0)
		}
		groups[len(groups)-1]++
	}
	return groups
}

// untiedPairs is the number of pairs of different values.
func untiedPairs(groups []int) int {
	pairs, n := 0, 0
	for _, t := range groups {
		pairs += n * t
		n += t
	}
	return pairs
}

// variance is Var(S) where there is no trend, with ties in either variable
// (Kendall 1976, ch. 4; without ties in x its last two terms vanish).
func variance(n int, tiesX, tiesY []int) float64 {
	if len(tiesX) == 1 || len(tiesY) == 1 {
		return 0 // S cannot but be 0; the sum below would leave a rounding error
	}
	var x, y struct{ one, two, three float64 }
	for _, t := range tiesX {
		t := float64(t)
		x.one, x.two, x.three = x.one+t*(t-1), x.two+t*(t-1)*(t-2), x.three+t*(t-1)*(2*t+5)
	}
	for _, t := range tiesY {
		t := float64(t)
		y.one, y.two, y.three = y.one+t*(t-1), y.two+t*(t-1)*(t-2), y.three+t*(t-1)*(2*t+5)
	}
	// Every sum above is a whole number and exact.
	m := float64(n)
	v := (m*(m-1)*(2*m+5) - x.three - y.three) / 18
	if x.one > 0 && y.one > 0 {
		v += x.one * y.one / (2 * m * (m - 1))
	}
	if x.two > 0 && y.two > 0 {
		v += x.two * y.two / (9 * m * (m - 1) * (m - 2))
	}
	return v
}

// ExactP gives the exact p-values of the Mann–Kendall test on values in the
// order of time, ties included: the share of all orders of these same values
// whose S lies at least as far from 0 (twoSided), at or below (lower), at or
// above (upper) the S observed. The time is of the order of n³ additions of big
// integers: instant to n = 30, some tenths of a second at 150.
func ExactP(y []float64) (twoSided, lower, upper *big.Rat) {
	s := 0
	for i, earlier := range y {
		for _, later := range y[i+1:] {
			s += cmp.Compare(later, earlier)
		}
	}
	ties := tieGroups(y)
	top := untiedPairs(ties)
	var total, low, high, far big.Int
	for falls, count := range fallCounts(ties) {
		at := top - 2*falls // S with so many pairs that fall and the rest rising
		total.Add(&total, count)
		if at <= s {
			low.Add(&low, count)
		}
		if at >= s {
			high.Add(&high, count)
		}
		if max(at, -at) >= max(s, -s) {
			far.Add(&far, count)
		}
	}
	share := func(part *big.Int) *big.Rat { return new(big.Rat).SetFrac(part, &total) }
	return share(&far), share(&low), share(&high)
}

// fallCounts gives, for d = 0, 1, …, how many different orders of values with
// these tie groups have exactly d pairs that fall: the coefficients of
// [n]!_q / Π [t]!_q, where [k]!_q is the product of 1 + q + … + q^(i−1) for i up to k
// (MacMahon's count of the inversions of a multiset).
func fallCounts(ties []int) []*big.Int {
	n := 0
	for _, t := range ties {
		n += t
	}
	counts := []*big.Int{big.NewInt(1)}
	for k := 2; k <= n; k++ {
		counts = times(counts, k)
	}
	for _, t := range ties {
		for k := 2; k <= t; k++ {
			counts = over(counts, k)
		}
	}
	return counts
}

// times multiplies the polynomial by 1 + q + … + q^(k−1): each coefficient is the
// sum of the k up to its place.
func times(p []*big.Int, k int) []*big.Int {
	product := make([]*big.Int, len(p)+k-1)
	var window big.Int
	for i := range product {
		if i < len(p) {
			window.Add(&window, p[i])
		}
		if i >= k {
			window.Sub(&window, p[i-k])
		}
		product[i] = new(big.Int).Set(&window)
	}
	return product
}

// over undoes times.
func over(p []*big.Int, k int) []*big.Int {
	quotient := make([]*big.Int, len(p)-k+1)
	for i := range quotient {
		quotient[i] = new(big.Int).Set(p[i])
		if i > 0 {
			quotient[i].Sub(quotient[i], p[i-1])
		}
		if i >= k {
			quotient[i].Add(quotient[i], quotient[i-k])
		}
	}
	return quotient
}

// leastP is the smallest two-sided exact p that any order of the values can
// give: that of the two orders that only rise or only fall.
func leastP(y []float64) *big.Rat {
	ordered := slices.Sorted(slices.Values(y))
	twoSided, _, _ := ExactP(ordered)
	return twoSided
}
