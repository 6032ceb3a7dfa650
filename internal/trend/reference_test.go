package trend

import (
	"bufio"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A referenceSet is one block of a testdata file: "set NAME", then lines of a
// keyword and its figures. A keyword may come twice, with figures of two sources.
type referenceSet struct {
	name   string
	pts    []Point
	checks [][]string
}

func readSets(t *testing.T, file string) []referenceSet {
	t.Helper()
	var sets []referenceSet
	var x, y []float64
	finish := func() {
		if len(sets) == 0 {
			return
		}
		set := &sets[len(sets)-1]
		for i := range y {
			p := Point{X: float64(i + 1), Y: y[i]}
			if x != nil {
				p.X = x[i]
			}
			set.pts = append(set.pts, p)
		}
		x, y = nil, nil
	}
	for _, fields := range readLines(t, file) {
		switch fields[0] {
		case "set":
			finish()
			sets = append(sets, referenceSet{name: fields[1]})
		case "x":
			x = numbers(t, fields[1:])
		case "y":
			y = numbers(t, fields[1:])
		default:
			set := &sets[len(sets)-1]
			set.checks = append(set.checks, fields)
		}
	}
	finish()
	return sets
}

// readLines gives the fields of every line that is neither empty nor a comment.
func readLines(t *testing.T, file string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var lines [][]string
	scan := bufio.NewScanner(f)
	for scan.Scan() {
		if fields := strings.Fields(scan.Text()); len(fields) > 0 && !strings.HasPrefix(fields[0], "#") {
			lines = append(lines, fields)
		}
	}
	if err := scan.Err(); err != nil {
		t.Fatal(err)
	}
	return lines
}

func numbers(t *testing.T, fields []string) []float64 {
	t.Helper()
	var out []float64
	for _, f := range fields {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// agrees reports whether got is the printed figure to half a unit of its last
// digit, or the printed fraction to the precision of a float64.
func agrees(t *testing.T, got float64, printed string) bool {
	t.Helper()
	want, ok := new(big.Rat).SetString(printed)
	if !ok {
		t.Fatalf("not a figure: %q", printed)
	}
	mantissa, exponent, _ := strings.Cut(printed, "e")
	_, decimals, point := strings.Cut(mantissa, ".")
	if !point && exponent == "" {
		return math.Abs(got-ratFloat(want)) <= 1e-14*max(1, math.Abs(got))
	}
	e, _ := strconv.Atoi(exponent)
	half := 0.5 * math.Pow(10, float64(e-len(decimals)))
	return math.Abs(got-ratFloat(want)) <= half*(1+1e-6)
}

// roundedRankInterval is scipy's: ranks rounded half to even and clamped. It and
// slopeFirstIntercept check the list of slopes against software whose rules
// differ from those of the package.
func roundedRankInterval(slopes []float64, varS float64) []float64 {
	c := math.Sqrt2 * math.Erfinv(0.95) * math.Sqrt(varS)
	n := float64(len(slopes))
	low := max(int(math.RoundToEven((n-c)/2))-1, 0)
	high := min(int(math.RoundToEven((n+c)/2)), len(slopes)-1)
	return []float64{slopes[low], slopes[high]}
}

// slopeFirstIntercept is mblm's: the median of what each point leaves.
func slopeFirstIntercept(pts []Point, slope float64) float64 {
	var rest []float64
	for _, p := range pts {
		rest = append(rest, p.Y-slope*p.X)
	}
	return Median(rest)
}

func TestReferenceFigures(t *testing.T) {
	for _, file := range []string{"reference-sets.txt", "published-examples.txt"} {
		for _, set := range readSets(t, file) {
			t.Run(set.name, func(t *testing.T) { checkSet(t, set) })
		}
	}
}

func checkSet(t *testing.T, set referenceSet) {
	mk := Kendall(set.pts)
	line := TheilSen(set.pts, 0.95)
	slopes := pairSlopes(sorted(set.pts))
	slices.Sort(slopes)
	y := ys(set.pts) // the sets stand in the order of time
	var x []float64
	for _, p := range set.pts {
		x = append(x, p.X)
	}
	two, lower, upper := ExactP(y)
	c := math.Sqrt2 * math.Erfinv(0.95) * math.Sqrt(mk.VarS)

	if len(tieGroups(x)) == len(x) {
		if diff := cmp.Diff(mk, MannKendallTest(y)); diff != "" {
			t.Errorf("Kendall and MannKendallTest differ:\n%s", diff)
		}
	}
	number := func(figure float64, ok bool) []float64 {
		if !ok {
			return nil
		}
		return []float64{figure}
	}
	for _, check := range set.checks {
		key, want := check[0], check[1:]
		var got []float64
		switch key {
		case "S":
			got = []float64{float64(mk.S)}
		case "VarS":
			got = []float64{mk.VarS}
		case "Z":
			got = []float64{mk.Z}
		case "pNormal":
			got = []float64{mk.PNormal}
		case "pUncorrected":
			got = []float64{math.Erfc(math.Abs(float64(mk.S)) / math.Sqrt(mk.VarS) / math.Sqrt2)}
		case "pExact":
			if got = []float64{ratFloat(two)}; len(y) <= exactUpTo {
				got = []float64{mk.P}
			}
		case "pExactFraction", "pLowerFraction":
			exact := map[string]*big.Rat{"pExactFraction": two, "pLowerFraction": lower}[key]
			if r, ok := new(big.Rat).SetString(want[0]); !ok || exact.Cmp(r) != 0 {
				t.Errorf("%s = %s, want %s", key, exact.RatString(), want[0])
			}
			continue
		case "pLower":
			got = []float64{ratFloat(lower)}
		case "pUpper":
			got = []float64{ratFloat(upper)}
		case "tau":
			got = number(mk.Tau, mk.HasTau)
		case "untied":
			got = []float64{float64(untiedPairs(tieGroups(x))), float64(untiedPairs(tieGroups(y)))}
		case "ties":
			for _, g := range tieGroups(y) {
				if g > 1 {
					got = append(got, float64(g))
				}
			}
			slices.Sort(got)
		case "rows": // what each value adds to S, over the later ones
			for i := range y[:len(y)-1] {
				row := 0.0
				for _, later := range y[i+1:] {
					row += float64(MannKendallTest([]float64{y[i], later}).S)
				}
				got = append(got, row)
			}
		case "slopes":
			got = slopes
		case "slope":
			got = []float64{line.Value}
		case "intercept":
			got = []float64{line.Intercept}
		case "interceptB":
			got = []float64{slopeFirstIntercept(set.pts, line.Value)}
		case "C":
			got = []float64{c}
		case "M1":
			got = []float64{(float64(len(slopes)) - c) / 2}
		case "M2next":
			got = []float64{(float64(len(slopes))+c)/2 + 1}
		case "scipy", "trend":
			got = roundedRankInterval(slopes, mk.VarS)
		case "gilbert", "gilbert90":
			l := line
			if key == "gilbert90" {
				l = TheilSen(set.pts, 0.90)
			}
			if l.HasInterval {
				got = []float64{l.Low, l.High}
			}
		default:
			t.Fatalf("unknown figure %q", key)
		}
		if want[0] == "undefined" {
			want = nil
		}
		if len(got) != len(want) {
			t.Errorf("%s = %v, want %v", key, got, want)
			continue
		}
		for i := range want {
			if !agrees(t, got[i], want[i]) {
				t.Errorf("%s = %.12g, want %s", key, got[i], want[i])
			}
		}
	}
}
