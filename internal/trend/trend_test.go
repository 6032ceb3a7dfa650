package trend

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// course puts values an hour apart.
func course(y ...float64) []Point {
	var pts []Point
	for i, v := range y {
		pts = append(pts, Point{X: float64(i), Y: v})
	}
	return pts
}

func TestAnalyse(t *testing.T) {
	for _, tt := range []struct {
		name      string
		pts       []Point
		minN      int
		alpha     float64
		direction Direction
		decidable bool
		note      string // of which it must contain every part between bars
	}{
		{"nothing charted", nil, 4, 0.05, TooFewReadings, false, "0 readings; a trend needs at least 4"},
		{"one", course(12), 1, 0.05, TooFewReadings, false, "1 reading; a trend needs at least 2"},
		{"three", course(12, 9, 4), 4, 0.05, TooFewReadings, false, "3 readings; a trend needs at least 4"},
		{"three, asked for all the same", course(12, 9, 4), 3, 0.05, NoClearTrend, false,
			"with 3 readings a two-sided test cannot reach p < 0.05|1/3 = 0.333|nor can a one-sided test"},
		{"four falling", course(12, 9, 4, 2), 4, 0.05, NoClearTrend, false,
			"with 4 readings a two-sided test cannot reach p < 0.05|1/12 = 0.0833|only a one-sided test could (1/24 = 0.0417)"},
		{"four falling at a wide alpha", course(12, 9, 4, 2), 4, 0.10, Falling, true, ""},
		{"five falling", course(12, 9, 4, 2, 1), 4, 0.05, Falling, true, ""},
		{"five rising", course(1, 2, 4, 9, 12), 4, 0.05, Rising, true, ""},
		{"five, one out of order", course(12, 9, 4, 2, 3), 4, 0.05, NoClearTrend, true, ""},
		{"five, of which four equal", course(12, 9, 9, 9, 9), 4, 0.05, NoClearTrend, false,
			"with 5 readings of which some are equal|2/5 = 0.4"},
		{"all equal", course(8, 8, 8, 8, 8, 8), 4, 0.05, NoClearTrend, false, "6 readings, all equal"},
		{"falling, above the exact range", course(20, 19, 18, 15, 16, 14, 11, 10, 9, 7, 5, 6), 4, 0.05, Falling, true, ""},
		{"all at one instant", []Point{{1, 1}, {1, 2}, {1, 3}, {1, 4}}, 4, 0.05, NoClearTrend, false, "no two at different times"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := Analyse(tt.pts, tt.minN, tt.alpha)
			if r.Direction != tt.direction || r.Decidable != tt.decidable || r.N != len(tt.pts) {
				t.Errorf("got %q, decidable %v, n %d", r.Direction, r.Decidable, r.N)
			}
			if tt.note == "" && r.Note != "" {
				t.Errorf("unwanted note %q", r.Note)
			}
			for part := range strings.SplitSeq(tt.note, "|") {
				if !strings.Contains(r.Note, part) {
					t.Errorf("note %q lacks %q", r.Note, part)
				}
			}
			if r.Slope.Confidence != 1-tt.alpha {
				t.Errorf("confidence %v", r.Slope.Confidence)
			}
		})
	}
}

// The table of what small samples can show, from the exact distribution.
func TestExactDistribution(t *testing.T) {
	lines := readLines(t, "exact-distribution.txt")
	if len(lines) != 10 {
		t.Fatalf("%d lines", len(lines))
	}
	for _, f := range lines {
		n, err := strconv.Atoi(f[0])
		if err != nil {
			t.Fatal(err)
		}
		y := make([]float64, n)
		ties := make([]int, n)
		for i := range y {
			y[i], ties[i] = float64(i), 1
		}
		if got := strconv.Itoa(untiedPairs(ties)); got != f[1] {
			t.Errorf("n %d: %s pairs, want %s", n, got, f[1])
		}
		if got := variance(n, ties, ties); math.Abs(got-numbers(t, f[2:3])[0]) > 0.00005 {
			t.Errorf("n %d: variance %v, want %s", n, got, f[2])
		}
		if got := ratFloat(leastP(y)); !agrees(t, got, f[3]) {
			t.Errorf("n %d: least p %v, want %s", n, got, f[3])
		}
		for i, level := range []struct{ sides, alpha *big.Rat }{
			{big.NewRat(2, 1), big.NewRat(5, 100)}, {big.NewRat(1, 1), big.NewRat(5, 100)}, {big.NewRat(1, 1), big.NewRat(20, 100)},
		} {
			s, p := criticalS(ties, level.sides, level.alpha)
			wantS, wantP := f[4+2*i], f[5+2*i]
			if s != wantS {
				t.Errorf("n %d, %v sided at %v: critical S %s, want %s", n, level.sides, level.alpha, s, wantS)
			} else if s != "-" && !agrees(t, ratFloat(p), wantP) {
				t.Errorf("n %d, S %s: p %v, want %s", n, s, p, wantP)
			}
		}
	}
}

// criticalS is the smallest S whose tail, times the sides, is below alpha.
func criticalS(ties []int, sides, alpha *big.Rat) (string, *big.Rat) {
	total, tail := new(big.Int), new(big.Int)
	counts := fallCounts(ties)
	for _, c := range counts {
		total.Add(total, c)
	}
	s, found := "-", new(big.Rat)
	for falls, c := range counts {
		tail.Add(tail, c)
		p := new(big.Rat).SetFrac(tail, total)
		if p.Mul(p, sides); p.Cmp(alpha) >= 0 {
			break
		}
		s, found = strconv.Itoa(untiedPairs(ties)-2*falls), p
	}
	return s, found
}

// The generating function against the count of every order there is.
func TestFallCountsByEnumeration(t *testing.T) {
	for _, ties := range [][]int{{1}, {3}, {1, 1, 1}, {2, 1}, {1, 2, 1, 1}, {2, 2, 3}, {4, 1, 2}, {1, 1, 1, 1, 1, 1, 1}} {
		var values []int
		for v, n := range ties {
			for range n {
				values = append(values, v)
			}
		}
		want := make([]int64, untiedPairs(ties)+1)
		repeats := int64(1) // orders of labelled values for each order of values
		for _, n := range ties {
			for k := 2; k <= n; k++ {
				repeats *= int64(k)
			}
		}
		permute(values, 0, func() {
			falls := 0
			for i, a := range values {
				for _, b := range values[i+1:] {
					if b < a {
						falls++
					}
				}
			}
			want[falls]++
		})
		var got []int64
		for _, c := range fallCounts(ties) {
			got = append(got, c.Int64()*repeats)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("ties %v (-enumerated +counted):\n%s", ties, diff)
		}
	}
}

func permute(v []int, from int, visit func()) {
	if from == len(v) {
		visit()
		return
	}
	for i := from; i < len(v); i++ {
		v[from], v[i] = v[i], v[from]
		permute(v, from+1, visit)
		v[from], v[i] = v[i], v[from]
	}
}

func TestExactUpToTen(t *testing.T) {
	y := []float64{9, 8, 7, 6, 5, 4, 3, 3, 2, 1, 0}
	if mk := MannKendallTest(y[:10]); !mk.Exact || mk.P == mk.PNormal {
		t.Errorf("n 10: %+v", mk)
	}
	if mk := MannKendallTest(y); mk.Exact || mk.P != mk.PNormal {
		t.Errorf("n 11: %+v", mk)
	}
}

// One-sided p above the exact range: normal, each with its own continuity
// correction, so that together they exceed 1 by about the chance of S itself.
func TestOneSidedNormal(t *testing.T) {
	y := []float64{85, 70, 62, 55, 50, 48, 52, 66, 81, 95, 110, 130} // S 22, Var 638/3
	mk := MannKendallTest(y)
	phi := func(z float64) float64 { return (1 + math.Erf(z/math.Sqrt2)) / 2 }
	sd := math.Sqrt(638.0 / 3)
	if want := phi(23 / sd); math.Abs(mk.POneSidedFalling-want) > 1e-12 {
		t.Errorf("falling %v, want %v", mk.POneSidedFalling, want)
	}
	if want := 1 - phi(21/sd); math.Abs(mk.POneSidedRising-want) > 1e-12 {
		t.Errorf("rising %v, want %v", mk.POneSidedRising, want)
	}
	_, lower, upper := ExactP(y)
	if math.Abs(mk.POneSidedFalling-ratFloat(lower)) > 0.005 || math.Abs(mk.POneSidedRising-ratFloat(upper)) > 0.005 {
		t.Errorf("%v and %v are far from the exact %v and %v", mk.POneSidedFalling, mk.POneSidedRising, lower, upper)
	}
}

func TestNoTest(t *testing.T) {
	for _, y := range [][]float64{nil, {3}, {3, 3}, {3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3, 3}} {
		want := MannKendall{N: len(y), P: 1, POneSidedFalling: 1, POneSidedRising: 1, PNormal: 1}
		if diff := cmp.Diff(want, MannKendallTest(y)); diff != "" {
			t.Errorf("%v (-want +got):\n%s", y, diff)
		}
	}
}

func TestTheilSenWithoutPairs(t *testing.T) {
	for _, pts := range [][]Point{nil, {{1, 2}}, {{1, 2}, {1, 5}}} {
		if diff := cmp.Diff(Slope{N: len(pts), Confidence: 0.95}, TheilSen(pts, 0.95)); diff != "" {
			t.Errorf("%v (-want +got):\n%s", pts, diff)
		}
	}
}

func TestTheilSenConfidence(t *testing.T) {
	pts := course(9, 7, 8, 5, 4, 4, 2, 3)
	for _, confidence := range []float64{-1, 0, 1, 1.5, math.NaN()} {
		if line := TheilSen(pts, confidence); line.HasInterval {
			t.Errorf("confidence %v gives an interval: %+v", confidence, line)
		}
	}
	narrow, wide := TheilSen(pts, 0.5), TheilSen(pts, 0.95)
	if !narrow.HasInterval || !wide.HasInterval || narrow.Low < wide.Low || narrow.High > wide.High {
		t.Errorf("50 %% %+v is not within 95 %% %+v", narrow, wide)
	}
}

func TestMedian(t *testing.T) {
	for _, tt := range []struct {
		values []float64
		want   float64
	}{
		{[]float64{3}, 3}, {[]float64{5, 1}, 3}, {[]float64{9, 1, 4}, 4}, {[]float64{4, 4, 1, 9}, 4}, {[]float64{2, 2, 2, 2}, 2},
	} {
		before := slices.Clone(tt.values)
		if got := Median(tt.values); got != tt.want {
			t.Errorf("Median(%v) = %v, want %v", before, got, tt.want)
		}
		if !slices.Equal(before, tt.values) {
			t.Errorf("Median reordered %v to %v", before, tt.values)
		}
	}
	if got := Median(nil); !math.IsNaN(got) {
		t.Errorf("Median of nothing = %v", got)
	}
}

func TestAppearanceCourse(t *testing.T) {
	for _, tt := range []struct {
		ranks []int
		want  string
	}{
		{nil, CourseUnknown},
		{[]int{3}, CourseUnknown},
		{[]int{2, 2}, Unchanged},
		{[]int{3, 2}, Lightening},
		{[]int{3, 3, 2, 1, 1}, Lightening},
		{[]int{1, 2}, Darkening},
		{[]int{3, 1, 2}, Darkening}, // lighter than the first, but turning again
		{[]int{2, 1, 2}, Darkening},
		{[]int{2, 3, 2}, Unchanged},
		{[]int{1, 3, 0}, Lightening},
	} {
		if got := AppearanceCourse(tt.ranks); got != tt.want {
			t.Errorf("AppearanceCourse(%v) = %q, want %q", tt.ranks, got, tt.want)
		}
	}
}

// drawPoints draws readings on a coarse grid, so that ties are frequent and sums
// and differences exact.
func drawPoints(t *rapid.T, least, most int) []Point {
	n := rapid.IntRange(least, most).Draw(t, "n")
	var pts []Point
	for range n {
		pts = append(pts, Point{
			X: float64(rapid.IntRange(0, 60).Draw(t, "x")) / 4,
			Y: float64(rapid.IntRange(-8, 40).Draw(t, "y")) * 2.5,
		})
	}
	return pts
}

func shuffled(t *rapid.T, pts []Point) []Point {
	return rapid.Permutation(pts).Draw(t, "order")
}

func moved(pts []Point, f func(Point) Point) []Point {
	out := make([]Point, len(pts))
	for i, p := range pts {
		out[i] = f(p)
	}
	return out
}

func TestOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pts := drawPoints(t, 0, 14)
		before := slices.Clone(pts)
		want := Analyse(pts, 4, 0.05)
		if !slices.Equal(before, pts) {
			t.Fatal("Analyse reordered its input")
		}
		if diff := cmp.Diff(want, Analyse(shuffled(t, pts), 4, 0.05)); diff != "" {
			t.Fatal(diff)
		}
	})
}

// Shifting either scale changes neither test nor slope; stretching them changes
// the slope in proportion. Factors are powers of two, so that all is exact.
func TestShiftAndScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pts := drawPoints(t, 2, 14)
		dx, dy := float64(rapid.IntRange(-50, 50).Draw(t, "dx")), float64(rapid.IntRange(-50, 50).Draw(t, "dy"))
		sx, sy := math.Exp2(float64(rapid.IntRange(-3, 3).Draw(t, "sx"))), math.Exp2(float64(rapid.IntRange(-3, 3).Draw(t, "sy")))
		was := Analyse(pts, 2, 0.05)
		now := Analyse(moved(pts, func(p Point) Point { return Point{X: (p.X + dx) * sx, Y: (p.Y + dy) * sy} }), 2, 0.05)
		if diff := cmp.Diff(was.MK, now.MK); diff != "" {
			t.Fatalf("test changed:\n%s", diff)
		}
		want := was.Slope
		want.Value, want.Low, want.High = want.Value*sy/sx, want.Low*sy/sx, want.High*sy/sx
		want.Intercept = now.Slope.Intercept // has its own check below
		if diff := cmp.Diff(want, now.Slope); diff != "" {
			t.Fatalf("slope changed:\n%s", diff)
		}
		// The line keeps passing through the two medians.
		var x, y []float64
		for _, p := range pts {
			x, y = append(x, p.X), append(y, p.Y)
		}
		if line := was.Slope; line.Pairs > 0 {
			if at := line.Intercept + line.Value*Median(x); math.Abs(at-Median(y)) > 1e-9 {
				t.Fatalf("line at the median x is %v, median y %v", at, Median(y))
			}
		}
	})
}

// Turning values upside down, or time back to front, turns the trend around.
func TestReversal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pts := drawPoints(t, 0, 14)
		was := Kendall(pts)
		for name, f := range map[string]func(Point) Point{
			"values": func(p Point) Point { return Point{X: p.X, Y: -p.Y} },
			"time":   func(p Point) Point { return Point{X: -p.X, Y: p.Y} },
		} {
			want := was
			want.S, want.Z, want.Tau = -was.S, -was.Z, -was.Tau
			want.POneSidedFalling, want.POneSidedRising = was.POneSidedRising, was.POneSidedFalling
			now := Kendall(moved(pts, f))
			if diff := cmp.Diff(want, now); diff != "" {
				t.Fatalf("%s reversed:\n%s", name, diff)
			}
			if a, b := TheilSen(pts, 0.9), TheilSen(moved(pts, f), 0.9); a.Value != -b.Value || a.HasInterval != b.HasInterval {
				t.Fatalf("%s reversed: slope %v becomes %v", name, a.Value, b.Value)
			}
		}
	})
}

// checkBounds checks what must hold of any result.
func checkBounds(t interface{ Errorf(string, ...any) }, pts []Point) {
	mk, line := Kendall(pts), TheilSen(pts, 0.95)
	for name, p := range map[string]float64{"p": mk.P, "normal p": mk.PNormal, "falling": mk.POneSidedFalling, "rising": mk.POneSidedRising} {
		if !(p >= 0 && p <= 1) {
			t.Errorf("%v: %s is %v", pts, name, p)
		}
	}
	if !(math.Abs(mk.Tau) <= 1+1e-12) || !(mk.VarS >= 0) || mk.POneSidedFalling+mk.POneSidedRising < 1-1e-12 {
		t.Errorf("%v: %+v", pts, mk)
	}
	slopes := pairSlopes(sorted(pts))
	if len(slopes) != line.Pairs {
		t.Errorf("%v: %d pairs, counted %d", pts, len(slopes), line.Pairs)
	}
	if len(slopes) == 0 {
		return
	}
	slices.Sort(slopes)
	least, greatest, tolerance := slopes[0], slopes[len(slopes)-1], 1e-9*math.Abs(slopes[len(slopes)-1]-slopes[0])
	if middle := (slopes[(len(slopes)-1)/2] + slopes[len(slopes)/2]) / 2; line.Value != middle {
		t.Errorf("%v: slope %v, median of the sorted slopes %v", pts, line.Value, middle)
	}
	if line.HasInterval && !(line.Low >= least-tolerance && line.Low <= line.Value+tolerance &&
		line.Value <= line.High+tolerance && line.High <= greatest+tolerance) {
		t.Errorf("%v: slope %v in %v … %v of %v … %v", pts, line.Value, line.Low, line.High, least, greatest)
	}
}

func TestBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { checkBounds(t, drawPoints(t, 0, 30)) })
}

// One point for every two bytes; the fuzzer finds its own ties and gaps.
func FuzzAnalyse(f *testing.F) {
	f.Add([]byte{0, 120, 1, 80, 2, 45})
	f.Add([]byte{0, 60, 1, 60, 2, 40, 2, 40, 9, 9})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		var pts []Point
		for i := 0; i+1 < len(data) && i < 80; i += 2 {
			pts = append(pts, Point{X: float64(data[i]), Y: float64(int8(data[i+1])) / 4})
		}
		checkBounds(t, pts)
		r := Analyse(pts, 4, 0.05)
		slices.Reverse(pts)
		if diff := cmp.Diff(r, Analyse(pts, 4, 0.05)); diff != "" {
			t.Error(diff)
		}
		if (r.Direction == Falling || r.Direction == Rising) != (r.N >= 4 && r.MK.P < 0.05) {
			t.Errorf("%q at n %d, p %v", r.Direction, r.N, r.MK.P)
		}
	})
}

func TestNth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Map(rapid.IntRange(-20, 20), func(i int) float64 { return float64(i) }), 1, 60).Draw(t, "values")
		k := rapid.IntRange(0, len(values)-1).Draw(t, "k")
		want := slices.Sorted(slices.Values(values))
		got := nth(values, k)
		if got != want[k] || values[k] != got {
			t.Fatalf("nth %d = %v, want %v", k, got, want[k])
		}
		for i, v := range values {
			if i < k && v > got || i > k && v < got {
				t.Fatalf("%v stands at %d, %v at %d", v, i, got, k)
			}
		}
		if !slices.Equal(want, slices.Sorted(slices.Values(values))) {
			t.Fatal("values changed")
		}
	})
}

// The example of Hollander and Wolfe (P6 of testdata/published-examples.txt).
func ExampleTheilSen() {
	line := TheilSen([]Point{{1, 1.26}, {2, 1.27}, {3, 1.12}, {4, 1.16}, {5, 1.03}}, 0.95)
	fmt.Printf("slope %.5f\n", line.Value)
	// Output: slope -0.05625
}

// The example of the Wisconsin Administrative Code (P1).
func ExampleKendall() {
	mk := MannKendallTest([]float64{100, 50, 85, 75, 50})
	fmt.Printf("S = %d, exact two-sided p = %.4f\n", mk.S, mk.P)
	// Output: S = -5, exact two-sided p = 0.3333
}

func ExampleAnalyse() {
	r := Analyse([]Point{{2, 15}, {6, 11}, {10, 7}, {14, 4}}, 4, 0.05)
	fmt.Println(r.Direction)
	fmt.Println(r.Note)
	// Output:
	// no clear trend
	// with 4 readings a two-sided test cannot reach p < 0.05 (the least possible is 1/12 = 0.0833); only a one-sided test could (1/24 = 0.0417)
}

func BenchmarkAnalyse(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{10, 100, 2000} {
		var pts []Point
		for i := range n {
			pts = append(pts, Point{X: float64(i), Y: math.Round(40 * random.Float64())})
		}
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Analyse(pts, 4, 0.05)
			}
		})
	}
}

func BenchmarkExactP(b *testing.B) {
	for _, n := range []int{10, 30, 100} {
		y := make([]float64, n)
		for i := range y {
			y[i] = float64(i * i % n)
		}
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				ExactP(y)
			}
		})
	}
}

// MannKendallTest tests values in the order of time, at most one to an instant.
func MannKendallTest(y []float64) MannKendall {
	pts := make([]Point, len(y))
	for i, v := range y {
		pts[i] = Point{X: float64(i), Y: v}
	}
	return Kendall(pts)
}

// Median is medianInPlace of values that stay as they are; of none it is NaN.
func Median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	return medianInPlace(slices.Clone(values))
}
