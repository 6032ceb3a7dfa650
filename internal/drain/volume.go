package drain

import (
	"math/big"
	"strconv"

	"tidemark/internal/ucum"
)

// Volume is an exact number of millilitres, immutable. The zero value is 0 mL.
type Volume struct{ r *big.Rat }

// ML makes a volume from a rational number of millilitres, which it copies.
func ML(r *big.Rat) Volume {
	if r == nil || r.Sign() == 0 {
		return Volume{}
	}
	return Volume{new(big.Rat).Set(r)}
}

// MLInt makes a volume of n millilitres.
func MLInt(n int64) Volume {
	if n == 0 {
		return Volume{}
	}
	return Volume{new(big.Rat).SetInt64(n)} // NewRat would look for a common divisor
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
	if v.r == nil {
		return new(big.Rat)
	}
	return new(big.Rat).Set(v.r)
}

func (v Volume) rat() *big.Rat {
	if v.r == nil {
		return zero
	}
	return v.r
}

var zero = new(big.Rat) // read only

// Add returns v + o.
func (v Volume) Add(o Volume) Volume {
	switch { // most volumes are added to or reduced by nothing
	case o.Sign() == 0:
		return v
	case v.Sign() == 0:
		return o
	}
	return Volume{new(big.Rat).Add(v.rat(), o.rat())}
}

// Sub returns v − o.
func (v Volume) Sub(o Volume) Volume {
	if o.Sign() == 0 {
		return v
	}
	return Volume{new(big.Rat).Sub(v.rat(), o.rat())}
}

// Mul returns v scaled by a rational.
func (v Volume) Mul(r *big.Rat) Volume { return Volume{new(big.Rat).Mul(v.rat(), r)} }

// Cmp compares.
func (v Volume) Cmp(o Volume) int { return v.rat().Cmp(o.rat()) }

// Sign is -1, 0 or +1.
func (v Volume) Sign() int { return v.rat().Sign() }

// Float is for statistics only.
func (v Volume) Float() float64 { f, _ := v.rat().Float64(); return f }

// Text is decimal text with at most places decimals, rounded half to even,
// without trailing zeros.
func (v Volume) Text(places int) string { return ucum.FormatDecimal(v.rat(), places) }

// Key is exact text that ParseML reads back: a decimal if there is a finite
// one, else "n/d".
func (v Volume) Key() string {
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
