package drain

import (
	"cmp"
	"math"
	"math/big"
	"math/bits"
	"strconv"

	"tidemark/internal/ucum"
)

// Volume is an exact rational number of millilitres, immutable. The zero value is
// 0 mL.
type Volume struct {
	// n/d in lowest terms, d > 0; d = 0 is 0 mL. Rules add up hundreds of readings, and
	// these need no memory of their own.
	n, d int64
	r    *big.Rat // in their place where they are too small
}

// ML makes a volume from a rational number of millilitres, which it copies.
func ML(r *big.Rat) Volume {
	if r == nil {
		return Volume{}
	}
	if v, ok := short(r); ok {
		return v
	}
	return Volume{r: new(big.Rat).Set(r)}
}

// MLInt makes a volume of n millilitres.
func MLInt(n int64) Volume {
	if n == math.MinInt64 {
		return ML(new(big.Rat).SetInt64(n))
	}
	return fraction(n, 1)
}

// short takes a rational whose parts fit.
func short(r *big.Rat) (Volume, bool) {
	n, d := r.Num(), r.Denom()
	if !n.IsInt64() || !d.IsInt64() || n.Int64() == math.MinInt64 {
		return Volume{}, false
	}
	return fraction(n.Int64(), d.Int64()), true
}

// fraction is n/d, which are in lowest terms.
func fraction(n, d int64) Volume {
	if n == 0 {
		return Volume{}
	}
	return Volume{n: n, d: d}
}

// compact takes over the result of big arithmetic.
func compact(r *big.Rat) Volume {
	if v, ok := short(r); ok {
		return v
	}
	return Volume{r: r}
}

// ParseML reads decimal text, or the "n/d" that Key writes.
func ParseML(s string) (Volume, bool) {
	// Most readings are a few digits, and a course has hundreds of them.
	if n, err := strconv.ParseInt(s, 10, 32); err == nil {
		return MLInt(n), true
	}
	if r, ok := ucum.ParseDecimal(s); ok {
		return ML(r), true
	}
	r, ok := new(big.Rat).SetString(s)
	return ML(r), ok
}

// Rat returns a copy.
func (v Volume) Rat() *big.Rat {
	switch {
	case v.r != nil:
		return new(big.Rat).Set(v.r)
	case v.d == 0:
		return new(big.Rat)
	}
	return big.NewRat(v.n, v.d)
}

// rat is Rat for those who only read.
func (v Volume) rat() *big.Rat {
	if v.r != nil {
		return v.r
	}
	return v.Rat()
}

// Add returns v + o.
func (v Volume) Add(o Volume) Volume {
	switch { // most volumes are added to or reduced by nothing
	case o.Sign() == 0:
		return v
	case v.Sign() == 0:
		return o
	}
	if v.r == nil && o.r == nil {
		if sum, ok := plus(v, o); ok {
			return sum
		}
	}
	return compact(new(big.Rat).Add(v.rat(), o.rat()))
}

// plus adds what is not zero, unless the sum is too large for its fields.
func plus(v, o Volume) (Volume, bool) {
	d, left, right := v.d, v.n, o.n
	if v.d != o.d {
		common := int64(gcd(uint64(v.d), uint64(o.d)))
		up, down := o.d/common, v.d/common
		var ok [3]bool
		d, ok[0] = product(v.d, up)
		left, ok[1] = product(v.n, up)
		right, ok[2] = product(o.n, down)
		if ok != [3]bool{true, true, true} {
			return Volume{}, false
		}
	}
	sum := left + right
	if (left > 0) == (right > 0) && (sum > 0) != (left > 0) || sum == math.MinInt64 {
		return Volume{}, false
	}
	return lowest(sum, d), true
}

// Sub returns v − o.
func (v Volume) Sub(o Volume) Volume { return v.Add(o.negative()) }

func (v Volume) negative() Volume {
	if v.r != nil {
		return compact(new(big.Rat).Neg(v.r))
	}
	return Volume{n: -v.n, d: v.d}
}

// Mul returns v scaled by a rational.
func (v Volume) Mul(r *big.Rat) Volume {
	if f, ok := short(r); ok {
		return v.Times(f)
	}
	return compact(new(big.Rat).Mul(v.rat(), r))
}

// Scale returns v scaled by n/d, such as a share of a time. d is not zero.
func (v Volume) Scale(n, d int64) Volume {
	if n == math.MinInt64 || d == math.MinInt64 {
		return v.Mul(big.NewRat(n, d))
	}
	if d < 0 {
		n, d = -n, -d
	}
	return v.Times(lowest(n, d))
}

// Times multiplies by a number that is held as a Volume.
func (v Volume) Times(f Volume) Volume {
	if v.Sign() == 0 || f.Sign() == 0 {
		return Volume{}
	}
	if v.r == nil && f.r == nil {
		// Each against the other's divisor first, so that the product is in lowest terms.
		a, b := int64(gcd(magnitude(v.n), uint64(f.d))), int64(gcd(magnitude(f.n), uint64(v.d)))
		n, fits := product(v.n/a, f.n/b)
		d, too := product(v.d/b, f.d/a)
		if fits && too {
			return Volume{n: n, d: d}
		}
	}
	return compact(new(big.Rat).Mul(v.rat(), f.rat()))
}

// Cmp compares.
func (v Volume) Cmp(o Volume) int {
	if v.r != nil || o.r != nil {
		return v.rat().Cmp(o.rat())
	}
	if v.d == o.d || v.Sign() != o.Sign() {
		return cmp.Compare(v.n, o.n)
	}
	hi, lo := bits.Mul64(magnitude(v.n), uint64(o.d))
	oHi, oLo := bits.Mul64(magnitude(o.n), uint64(v.d))
	return cmp.Or(cmp.Compare(hi, oHi), cmp.Compare(lo, oLo)) * v.Sign()
}

// Sign is -1, 0 or +1.
func (v Volume) Sign() int {
	switch {
	case v.r != nil:
		return v.r.Sign()
	case v.n < 0:
		return -1
	case v.n > 0:
		return 1
	}
	return 0
}

// Float is for statistics only.
func (v Volume) Float() float64 {
	const exact = 1 << 53 // below it both parts are floats, and their quotient is the nearest one
	if v.r == nil && v.n > -exact && v.n < exact && v.d < exact {
		if v.d == 0 {
			return 0
		}
		return float64(v.n) / float64(v.d)
	}
	f, _ := v.rat().Float64()
	return f
}

// Text is decimal text with at most places decimals, rounded half to even,
// without trailing zeros.
func (v Volume) Text(places int) string { return ucum.FormatDecimal(v.rat(), places) }

// About is a computed volume for people: to 1 mL, below 10 mL to 0.1.
func (v Volume) About() string {
	if v.Cmp(ten) < 0 && v.Cmp(ten.negative()) > 0 {
		return v.Text(1) + " mL"
	}
	return v.Text(0) + " mL"
}

var ten = MLInt(10)

// Key is exact text that ParseML reads back: a decimal if there is a finite
// one, else "n/d".
func (v Volume) Key() string {
	if v.r == nil && v.d <= 1 {
		return strconv.FormatInt(v.n, 10)
	}
	r := v.rat()
	if r.IsInt() {
		return r.Num().String()
	}
	if n, exact := r.FloatPrec(); exact && n <= 60 {
		return r.FloatString(n)
	}
	return r.RatString()
}

// String is for humans and test failures.
func (v Volume) String() string { return v.Text(3) + " mL" }

// Equal lets go-cmp and tests compare by value.
func (v Volume) Equal(o Volume) bool { return v.Cmp(o) == 0 }

// lowest is n/d in lowest terms, d > 0.
func lowest(n, d int64) Volume {
	if n == 0 {
		return Volume{}
	}
	if d == 1 {
		return Volume{n: n, d: 1}
	}
	g := int64(gcd(magnitude(n), uint64(d)))
	return Volume{n: n / g, d: d / g}
}

func magnitude(n int64) uint64 {
	if n < 0 {
		return uint64(-n)
	}
	return uint64(n)
}

// product multiplies, unless the product is too large.
func product(a, b int64) (int64, bool) {
	hi, lo := bits.Mul64(magnitude(a), magnitude(b))
	if hi != 0 || lo > math.MaxInt64 {
		return 0, false
	}
	if (a < 0) != (b < 0) {
		return -int64(lo), true
	}
	return int64(lo), true
}

// gcd is the greatest common divisor; b is not zero.
func gcd(a, b uint64) uint64 {
	for a != 0 {
		a, b = b%a, a
	}
	return b
}
