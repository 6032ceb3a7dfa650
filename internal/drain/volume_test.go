package drain_test

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"tidemark/internal/drain"
)

// volumes draws what readings are, and what sums, shares and rates of them are.
func volumes() *rapid.Generator[*big.Rat] {
	return rapid.Custom(func(t *rapid.T) *big.Rat {
		n := rapid.OneOf(rapid.Int64Range(-1_000_000, 1_000_000), rapid.Int64(), rapid.SampledFrom(edges)).Draw(t, "numerator")
		d := rapid.OneOf(rapid.SampledFrom([]int64{1, 1, 2, 10, 1000}), rapid.Int64Range(1, 86_400), rapid.Int64Range(1, math.MaxInt64)).Draw(t, "denominator")
		r := big.NewRat(n, d)
		if rapid.IntRange(0, 9).Draw(t, "beyond an int64") == 0 {
			r.Mul(r, big.NewRat(math.MaxInt64, 7))
		}
		return r
	})
}

// edges are where an int64 ends.
var edges = []int64{0, 1, -1, math.MaxInt64, math.MinInt64, math.MinInt64 + 1, math.MaxInt32 + 1}

// TestVolumeArithmetic: the arithmetic in 64 bits gives what exact rationals do, on
// both sides of its limits, and leaves its operands alone.
func TestVolumeArithmetic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := volumes().Draw(t, "x"), volumes().Draw(t, "y")
		a, b := drain.ML(x), drain.ML(y)
		n := rapid.OneOf(rapid.Int64(), rapid.SampledFrom(edges)).Draw(t, "n")
		d := rapid.OneOf(rapid.Int64(), rapid.SampledFrom(edges)).Filter(func(d int64) bool { return d != 0 }).Draw(t, "d")
		for what, got := range map[string]struct {
			is   drain.Volume
			want *big.Rat
		}{
			"sum":         {a.Add(b), new(big.Rat).Add(x, y)},
			"difference":  {a.Sub(b), new(big.Rat).Sub(x, y)},
			"product":     {a.Mul(y), new(big.Rat).Mul(x, y)},
			"multiple":    {a.Times(b), new(big.Rat).Mul(x, y)},
			"share":       {a.Scale(n, d), new(big.Rat).Mul(x, big.NewRat(n, d))},
			"of itself":   {a.Sub(a), new(big.Rat)},
			"left":        {a, x},
			"right":       {b, y},
			"and nothing": {a.Add(drain.Volume{}).Sub(drain.MLInt(0)), x},
		} {
			if got.is.Rat().Cmp(got.want) != 0 {
				t.Fatalf("%s of %s and %s: %s, want %s", what, x, y, got.is.Rat(), got.want)
			}
			if f, _ := got.want.Float64(); got.is.Float() != f {
				t.Fatalf("%s of %s and %s as a float: %v, want %v", what, x, y, got.is.Float(), f)
			}
		}
		if a.Cmp(b) != x.Cmp(y) || a.Equal(b) != (x.Cmp(y) == 0) || a.Sign() != x.Sign() {
			t.Fatalf("%s and %s compare as %d", x, y, a.Cmp(b))
		}
		if n := x.Num().Int64(); x.Num().IsInt64() && drain.MLInt(n).Rat().Cmp(new(big.Rat).SetInt64(n)) != 0 {
			t.Fatalf("MLInt(%d) is %s", n, drain.MLInt(n))
		}
	})
}

// TestVolumeKey: what Key writes, ParseML reads, to the last digit.
func TestVolumeKey(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drain.ML(volumes().Draw(t, "volume"))
		if got, ok := drain.ParseML(v.Key()); !ok || !got.Equal(v) {
			t.Fatalf("%q is read as %s, %v", v.Key(), got.Rat(), ok)
		}
	})
}

func TestVolumeText(t *testing.T) {
	for _, c := range []struct {
		text, key, short string
		ok               bool
	}{
		{"35", "35", "35", true}, {"0", "0", "0", true}, {"-5", "-5", "-5", true}, {"35.50", "35.5", "35.5", true},
		{"0.0625", "0.0625", "0.062", true}, {"0.1875", "0.1875", "0.188", true}, // half to even
		{"1e2", "100", "100", true}, {"10/3", "10/3", "3.333", true}, {"99999999999999999999", "99999999999999999999", "99999999999999999999", true},
		{"", "0", "0", false}, {"mL", "0", "0", false}, {"1/0", "0", "0", false}, {"1 2", "0", "0", false},
	} {
		v, ok := drain.ParseML(c.text)
		if ok != c.ok || ok && (v.Key() != c.key || v.Text(3) != c.short || v.String() != c.short+" mL") {
			t.Errorf("%q: %s, %s, %s, %v; want %s, %s, %v", c.text, v.Key(), v.Text(3), v, ok, c.key, c.short, c.ok)
		}
	}
}

func FuzzParseML(f *testing.F) {
	for _, s := range []string{"35", "35.50", "-0", "1e2", "10/3", "0x1p-2", "1_000", "+5", "1e400", "."} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 64 {
			t.Skip()
		}
		v, ok := drain.ParseML(s)
		if !ok {
			return
		}
		if again, ok := drain.ParseML(v.Key()); !ok || !again.Equal(v) {
			t.Errorf("%q is kept as %q, which is read as %s, %v", s, v.Key(), again, ok)
		}
	})
}
