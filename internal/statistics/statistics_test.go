package statistics

import (
	"math/big"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var origin = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// hourly makes points an hour apart, the first at the origin.
func hourly(t testing.TB, values ...string) []Point {
	t.Helper()
	var out []Point
	for i, v := range values {
		r, ok := new(big.Rat).SetString(v)
		if !ok {
			t.Fatalf("%q is no number", v)
		}
		out = append(out, Point{origin.Add(time.Duration(i) * time.Hour), r})
	}
	return out
}

func sample(t testing.TB, points []Point) *Sample {
	t.Helper()
	s, err := NewSample(points, len(points), origin)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// check compares a figure to so many places.
func check(t *testing.T, s *Sample, c Code, part, want string) {
	t.Helper()
	for _, f := range s.Figures(c) {
		if f.Part != part {
			continue
		}
		if f.Value == nil {
			if want != "" {
				t.Errorf("%s %s is not defined, want %s", c, part, want)
			}
			return
		}
		_, decimals, _ := strings.Cut(want, ".")
		if got := f.Value.FloatString(len(decimals)); got != want {
			t.Errorf("%s %s = %s, want %s", c, part, got, want)
		}
		return
	}
	t.Errorf("no figure %s %s", c, part)
}

// Measured data of the NIST Statistical Reference Datasets, univariate
// (https://www.itl.nist.gov/div898/strd/): filter transmittance and the speed
// of light in air.
const (
	mavro = `2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180 2.00180
	2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160 2.00150 2.00140
	2.00130 2.00140 2.00150 2.00140 2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220
	2.00230 2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270 2.00260 2.00250 2.00240`
	michelso = `299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65 299.76
	299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84
	299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88 299.88 299.86 299.72
	299.72 299.62 299.86 299.97 299.95 299.88 299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84
	299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76 299.91 299.92 299.89 299.86 299.88
	299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82 299.85
	299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87`
)

// Mean and deviation as NIST certifies them. NumAcc1 to NumAcc4 are made so
// that both can be checked by hand and careless arithmetic fails on them.
func TestNIST(t *testing.T) {
	alternating := func(mid, low, high string) []string {
		out := []string{mid}
		for range 500 {
			out = append(out, low, high)
		}
		return out
	}
	for name, c := range map[string]struct {
		values   []string
		mean, sd string
	}{
		"Mavro":    {strings.Fields(mavro), "2.00185600000000", "0.000429123454003053"},
		"Michelso": {strings.Fields(michelso), "299.852400000000", "0.0790105478190518"},
		"NumAcc1":  {[]string{"10000001", "10000003", "10000002"}, "10000002.000000000000000", "1.000000000000000"},
		"NumAcc2":  {alternating("1.2", "1.1", "1.3"), "1.200000000000000", "0.100000000000000"},
		"NumAcc3":  {alternating("1000000.2", "1000000.1", "1000000.3"), "1000000.200000000000000", "0.100000000000000"},
		"NumAcc4":  {alternating("10000000.2", "10000000.1", "10000000.3"), "10000000.200000000000000", "0.100000000000000"},
	} {
		t.Run(name, func(t *testing.T) {
			s := sample(t, hourly(t, c.values...))
			check(t, s, Average, "", c.mean)
			check(t, s, StdDev, "", c.sd)
		})
	}
}

// Definition 7 of Hyndman and Fan on 1…10; R prints these for
// quantile(1:10, c(.2,.25,.4,.5,.6,.75,.8)).
func TestQuantiles(t *testing.T) {
	s := sample(t, hourly(t, "7", "1", "10", "3", "9", "2", "8", "4", "6", "5"))
	for c, want := range map[Code]string{
		Percent20: "2.80", Quintile1: "2.80", Quartile1: "3.25", Quintile2: "4.60", Median: "5.50", Quintile3: "6.40",
		Quartile3: "7.75", Quintile4: "8.20", Percent80: "8.20", QuartDev: "2.25", Minimum: "1.00", Maximum: "10.00",
		Sum: "55.00", Average: "5.50", Count: "10", TotalCount: "10",
	} {
		check(t, s, c, "", want)
	}
}

// Worked by hand: 2 4 4 4 5 5 7 9 has mean 5 and deviations
// −3 −1 −1 −1 0 0 2 4, whose powers sum to 32, 42 and 356.
func TestMoments(t *testing.T) {
	s := sample(t, hourly(t, "2", "4", "4", "4", "5", "5", "7", "9"))
	check(t, s, Average, "", "5")
	check(t, s, Variance, "", "4.571428571429") // 32/7
	check(t, s, StdDev, "", "2.138089935299")   // √(32/7)
	check(t, s, Skew, "", "0.656250000000")     // (42/8)/4^1.5
	check(t, s, Kurtosis, "", "2.781250000000") // (356/8)/4²

	left := sample(t, hourly(t, "-2", "-4", "-4", "-4", "-5", "-5", "-7", "-9"))
	check(t, left, Skew, "", "-0.656250000000")
}

// The first of Anscombe's sets (Graphs in Statistical Analysis, The American
// Statistician 27 (1973) 17–21): Sxy/Sxx is 55.01/110.
func TestRegression(t *testing.T) {
	xs := []int{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	points := hourly(t, "8.04", "6.95", "7.58", "8.81", "8.33", "9.96", "7.24", "4.26", "10.84", "4.82", "5.68")
	for i, x := range xs {
		points[i].At = origin.Add(time.Duration(x) * time.Hour)
	}
	s := sample(t, points)
	check(t, s, Regression, "gradient", "0.500090909091")
	check(t, s, Regression, "intercept", "3.000090909091")

	points = append(points, Point{Value: big.NewRat(1000, 1)})
	s = sample(t, points)
	check(t, s, Regression, "gradient", "0.500090909091") // without a time it takes no part
	check(t, s, Count, "", "12")
}

func TestUndefined(t *testing.T) {
	none, one, same := sample(t, nil), sample(t, hourly(t, "5")), sample(t, hourly(t, "5", "5"))
	together := hourly(t, "5", "6")
	together[1].At = together[0].At
	for _, c := range Codes() {
		for _, f := range none.Figures(c) {
			if defined := c == Count || c == TotalCount || c == Sum; defined != (f.Value != nil) {
				t.Errorf("of no values %s is %v", c, f.Value)
			}
		}
	}
	check(t, none, Sum, "", "0")
	for _, c := range []Code{StdDev, Variance, Skew, Kurtosis} {
		check(t, one, c, "", "")
	}
	check(t, one, Regression, "gradient", "")
	check(t, one, Median, "", "5")
	check(t, same, Skew, "", "")
	check(t, same, StdDev, "", "0")
	check(t, sample(t, together), Regression, "intercept", "")
}

func TestCodes(t *testing.T) {
	if n := len(Codes()); n != 21 {
		t.Errorf("%d codes, want the 21 of the code system", n)
	}
	for _, c := range Codes() {
		if c.Display() == "" {
			t.Errorf("%s has no display", c)
		}
	}
	if Code("mode").Display() != "" || sample(t, nil).Figures("mode") != nil {
		t.Error("mode is no code of the system")
	}
}

func TestTooManyDigits(t *testing.T) {
	huge := new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), maxBits+1))
	for _, r := range []*big.Rat{huge, new(big.Rat).Inv(huge)} {
		if _, err := NewSample([]Point{{origin, r}}, 1, origin); err != ErrDigits {
			t.Errorf("error %v, want ErrDigits", err)
		}
	}
}

// Moving, stretching and mirroring the values moves, stretches and mirrors
// every figure as its scale says.
func TestAffine(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		ints := rapid.SliceOfN(rapid.Int64Range(-1000, 1000), 2, 12).Draw(rt, "values")
		factor := rapid.Int64Range(1, 50).Draw(rt, "factor")
		shift := big.NewRat(rapid.Int64Range(-500, 500).Draw(rt, "shift"), 7)
		k := big.NewRat(factor, 3)
		var a, b []Point
		for i, v := range ints {
			at := origin.Add(time.Duration(i*i) * time.Minute)
			a = append(a, Point{at, big.NewRat(v, 10)})
			moved := new(big.Rat).Mul(big.NewRat(v, 10), k)
			b = append(b, Point{at, moved.Add(moved, shift)})
		}
		one, other := sample(t, a), sample(t, b)
		for _, c := range Codes() {
			fs, gs := one.Figures(c), other.Figures(c)
			for i, f := range fs {
				g := gs[i]
				if (f.Value == nil) != (g.Value == nil) {
					rt.Fatalf("%s is defined on one side only", c)
				}
				if f.Value == nil {
					continue
				}
				want := new(big.Rat).Set(f.Value)
				switch f.Scale {
				case Value:
					want.Mul(want, k)
					want.Add(want, shift)
					if c == Sum { // every value was moved
						want.Add(want, new(big.Rat).Mul(shift, big.NewRat(int64(len(ints)-1), 1)))
					}
				case Difference, Rate:
					want.Mul(want, k)
				case Square:
					want.Mul(want, new(big.Rat).Mul(k, k))
				}
				if got := g.Value.FloatString(20); got != want.FloatString(20) {
					rt.Fatalf("%s %s: %s, want %s", c, f.Part, got, want.FloatString(20))
				}
			}
		}
	})
}

func BenchmarkAll20000(b *testing.B) {
	var values []string
	for i := range 20000 {
		values = append(values, big.NewRat(int64(i*7919%5000), 10).FloatString(1))
	}
	points := hourly(b, values...)
	for b.Loop() {
		s := sample(b, points)
		for _, c := range Codes() {
			s.Figures(c)
		}
	}
}
